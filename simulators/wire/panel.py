"""The panel of an emulated rig: its inputs, operated by lines on a socket of one's own.

A line names an input and how it is to be: `emergency_stop on`, `guard_open off`. It is answered by
`done` with the input, the frame of the device from which on it reads so, and the second of the
computer's monotonic clock at which that frame begins: `done emergency_stop on 48213 9114.218000`.
`state` is answered by `state` and the inputs that are on; anything else by `refused` and why.
What is on stays on until a line puts it off, whoever comes and goes, as a latched button does.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from rig.errors import InputError
from rig.ports import Inputs, InputState
from simulators.wire.truth import WatchedMachine

INPUTS: Final = (
    "emergency_stop",
    "guard_open",
    "leak",
    "oil_pressure_low",
    "mains_lost",
    "local_button",
)
"""What can be operated, by the names of `rig.ports.InputState`."""
LONGEST_PATH: Final = 100
"""Bytes of a socket's path; the system takes 107."""
LONGEST_LINE: Final = 200


class PanelInputs:
    """The inputs of a rig, and on top of them what is on at the panel."""

    def __init__(self, inputs: Inputs, machine: WatchedMachine) -> None:
        self._inputs = inputs
        self._machine = machine
        self._on: dict[str, bool] = {}

    async def read(self) -> InputState:
        """Return the present state; what is on at the panel is on, whatever the rig has."""
        state = await self._inputs.read()
        return replace(state, **self._on) if self._on else state

    def answer(self, line: str) -> str:
        """Do what a line says and return the answer to it."""
        words = line.split()
        if words == ["state"]:
            return " ".join(["state", *self._on])
        if len(words) != 2 or words[0] not in INPUTS or words[1] not in ("on", "off"):
            return f"refused: not {line[:40]!r}; say one of {', '.join(INPUTS)}, and on or off"
        name, value = words
        if value == "on":
            self._on[name] = True
        else:
            self._on.pop(name, None)
        self._machine.tell(f"input {name}", value)
        frame = self._machine.frame
        return f"done {name} {value} {frame} {self._machine.clock_of(frame):.6f}"


@asynccontextmanager
async def panel_open(path: Path | None, inputs: PanelInputs) -> AsyncIterator[None]:
    """Have a panel at a socket that only its user may use, until the block ends; none without.

    Raises InputError for a path that cannot be a socket's, OSError where none can be made.
    """
    if path is None:
        yield
        return
    talks: set[asyncio.Task[None]] = set()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is not None:
            talks.add(task)
            task.add_done_callback(talks.discard)
        with suppress(OSError, ValueError, asyncio.CancelledError):
            while line := await reader.readline():
                writer.write(inputs.answer(line.decode("utf-8", "replace").strip()).encode())
                writer.write(b"\n")
                await writer.drain()
        writer.close()

    server = await asyncio.start_unix_server(talk, sock=_bound(path), limit=LONGEST_LINE)
    try:
        yield
    finally:
        server.close()
        for task in tuple(talks):
            task.cancel()
        await server.wait_closed()
        _take_away(path)


def _bound(path: Path) -> socket.socket:
    """Return a socket at a path for this user alone from its first moment on."""
    if len(os.fsencode(path.absolute())) > LONGEST_PATH:
        raise InputError(f"--panel {path}: the path is too long for a socket; name a shorter one")
    if os.path.lexists(path):
        raise InputError(f"--panel {path}: already exists; name a new file")
    bound = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o177)
    try:
        bound.bind(str(path))
    except OSError:
        bound.close()
        raise
    finally:
        os.umask(before)
    return bound


def _take_away(path: Path) -> None:
    with suppress(OSError):
        path.unlink()
