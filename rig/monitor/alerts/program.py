"""Alerts by a program of the lab: its argument list, no shell, the text on its standard input.

It runs in a process group of its own and is ended with all that it started once its time is over.
It gets none of the secrets of nightrig: of the environment only what any program needs.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from typing import Final

from rig.monitor.alerts.messages import AlertText, Send, WayDead
from rig.protocol.lab import Program

ENVIRONMENT: Final = (
    *("PATH", "HOME", "USER", "LOGNAME", "SHELL", "LANG", "LANGUAGE", "LC_ALL", "LC_CTYPE", "TZ"),
    *("TMPDIR", "TEMP", "TMP", "SystemRoot"),
)
"""Names of the environment that a program gets."""
OUTPUT: Final = 2000
"""Bytes of what it prints that are kept; the rest is read and forgotten."""
PATIENCE: Final = 2.0
"""Seconds from the wish to end to the end by force."""
STILL: Final = 1.0
"""Seconds that what it printed is waited for after its end: a child of it may print on."""


def program_way(program: Program, environment: Mapping[str, str] = os.environ) -> Send:
    """Return the way of telling people by a program."""

    async def send(alert: AlertText) -> None:
        await _told(program, alert, environment)

    return send


def environment_for(alert: AlertText, environment: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of the program: that of any, and what the alert is about."""
    kept = {name: environment[name] for name in ENVIRONMENT if name in environment}
    return {
        **kept,
        "NIGHTRIG_ALERT_KIND": alert.kind,
        "NIGHTRIG_ALERT_NUMBER": str(alert.number),
        "NIGHTRIG_ALERT_PURPOSE": alert.purpose,
        "NIGHTRIG_ALERT_SUBJECT": alert.subject.replace("\0", " "),
        "NIGHTRIG_ALERT_PEOPLE": ", ".join(alert.people).replace("\0", " "),
    }


class _Heard(asyncio.SubprocessProtocol):
    """What becomes of the program: the beginning of what it prints, and its end."""

    def __init__(self) -> None:
        self.printed = bytearray()
        self.exited = asyncio.Event()
        self.silent = asyncio.Event()

    def pipe_data_received(self, fd: int, data: bytes) -> None:
        del fd
        self.printed += data[: max(OUTPUT - len(self.printed), 0)]

    def pipe_connection_lost(self, fd: int, exc: Exception | None) -> None:
        del exc
        if fd == 1:
            self.silent.set()

    def process_exited(self) -> None:
        self.exited.set()


async def _told(program: Program, alert: AlertText, environment: Mapping[str, str]) -> None:
    name, heard = program.arguments[0], _Heard()
    try:
        transport, _ = await asyncio.get_running_loop().subprocess_exec(
            lambda: heard,
            *program.arguments,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=environment_for(alert, environment),
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        told = getattr(error, "strerror", None) or str(error)
        raise WayDead(f"{name} cannot be started: {told}") from None
    try:
        async with asyncio.timeout(program.within):
            _feed(transport, alert.text.encode())
            await heard.exited.wait()
        # A child of it may hold on to where it printed.
        await _patiently(heard.silent, STILL)
    except TimeoutError:
        raise WayDead(f"{name} took longer than {program.within:g} s and was ended") from None
    finally:
        if not heard.exited.is_set():
            # Whoever waits here may have been told to leave: what was started ends all the same.
            await asyncio.shield(_ended(transport, heard))
        transport.close()
    if code := transport.get_returncode():
        said = f": {_plain(heard.printed)}" if heard.printed else ""
        raise WayDead(f"{name} ended with {_code(code)}{said}")


def _feed(transport: asyncio.SubprocessTransport, text: bytes) -> None:
    """Give it the text, then the end of it; it need not read what it is told."""
    pipe = transport.get_pipe_transport(0)
    if isinstance(pipe, asyncio.WriteTransport):
        pipe.write(text)
        pipe.close()


async def _patiently(event: asyncio.Event, seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()


async def _ended(transport: asyncio.SubprocessTransport, heard: _Heard) -> None:
    """End its process group, by force where it does not leave by itself."""
    group = transport.get_pid()
    _signal(transport, group, signal.SIGTERM)
    await _patiently(heard.exited, PATIENCE)
    # What it had started may still be there.
    _signal(transport, group, signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
    await heard.exited.wait()


def _signal(transport: asyncio.SubprocessTransport, group: int, number: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if sys.platform == "win32":
            transport.kill()
        else:
            os.killpg(group, number)


def _code(code: int) -> str:
    if code < 0:
        return f"signal {signal.Signals(-code).name}"
    return f"code {code}"


def _plain(printed: bytearray) -> str:
    text = " ".join(printed.decode(errors="replace").split())
    return "".join(letter for letter in text if letter.isprintable())[:200]
