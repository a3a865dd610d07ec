"""Alerts by a program of the lab: its argument list, no shell, the text on its standard input.

It runs in a process group of its own and is ended with all that it started once its time is over.
It gets none of the secrets of nightrig: of the environment only what any program needs.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
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


async def _told(program: Program, alert: AlertText, environment: Mapping[str, str]) -> None:
    name = program.arguments[0]
    try:
        process = await asyncio.create_subprocess_exec(
            *program.arguments,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            env=environment_for(alert, environment),
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        told = getattr(error, "strerror", None) or str(error)
        raise WayDead(f"{name} cannot be started: {told}") from None
    printed = bytearray()
    try:
        async with asyncio.timeout(program.within):
            await _talk(process, alert.text.encode(), printed)
    except TimeoutError:
        raise WayDead(f"{name} took longer than {program.within:g} s and was ended") from None
    finally:
        if process.returncode is None:
            # Whoever waits here may have been told to leave: what was started ends all the same.
            await asyncio.shield(_ended(process))
    if process.returncode:
        said = f": {_plain(printed)}" if printed else ""
        raise WayDead(f"{name} ended with {_code(process.returncode)}{said}")


async def _talk(process: asyncio.subprocess.Process, text: bytes, printed: bytearray) -> None:
    """Give it the text, keep the beginning of what it prints, wait for its end."""
    async with asyncio.TaskGroup() as group:
        beside = []
        if process.stdin is not None:
            beside.append(group.create_task(_feed(process.stdin, text)))
        if process.stdout is not None:
            beside.append(group.create_task(_drained(process.stdout, printed)))
        await process.wait()
        await asyncio.wait(beside, timeout=STILL)
        for task in beside:
            task.cancel()


async def _feed(stream: asyncio.StreamWriter, text: bytes) -> None:
    # A program need not read what it is told.
    with contextlib.suppress(OSError):
        stream.write(text)
        await stream.drain()
    stream.close()
    with contextlib.suppress(OSError):
        await stream.wait_closed()


async def _drained(stream: asyncio.StreamReader, printed: bytearray) -> None:
    while piece := await stream.read(1 << 16):
        printed += piece[: max(OUTPUT - len(printed), 0)]


async def _ended(process: asyncio.subprocess.Process) -> None:
    """End its process group, by force where it does not leave by itself."""
    if sys.platform == "win32":
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        return
    _signal(process.pid, signal.SIGTERM)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(PATIENCE):
            await process.wait()
    # What it had started may still be there.
    _signal(process.pid, signal.SIGKILL)
    await process.wait()


def _signal(group: int, number: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(group, number)


def _code(code: int) -> str:
    if code < 0:
        return f"signal {signal.Signals(-code).name}"
    return f"code {code}"


def _plain(printed: bytearray) -> str:
    text = " ".join(printed.decode(errors="replace").split())
    return "".join(letter for letter in text if letter.isprintable())[:200]
