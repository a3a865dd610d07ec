"""An emulated rig as a process, which notes when a false sample has gone out and a stop come in.

Use: python benchmarks/emulated.py FOLDER PROTOCOL RIG. In the channel `crack_opening` three
samples in a row are false, again and again: that stops nothing but whoever watches this channel.
Every stop is swallowed, so that the test goes on. It prints "ready", and for each stop a line:
number of the frame that was the third one, when it had been written, when the stop was read [s].
"""

from __future__ import annotations

import asyncio
import os
import struct
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cobs import cobs

from rig.assembly.emulation import emulated_setup
from rig.clock import SystemClock
from rig.commands.files import load
from simulators.wire import terminal
from simulators.wire.emulation import emulation, framings
from simulators.wire.rig_text import rig_text

CHANNEL = "crack_opening"
SIZE = 2e-3
"""What a false sample says [m]; the channel is watched for half of it."""
ROW = 6
EVERY = 237
"""Frames from one accident to the next."""
STOP = b"OUTPut:VALVe OFF\n"


class Noted:
    """The module `os` for the emulated ports: it notes when which bytes pass."""

    def __init__(self) -> None:
        self.wire = b""
        self.due: tuple[int, float] | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def write(self, handle: int, data: bytes) -> int:
        written = os.write(handle, data)
        now = time.monotonic()
        if len(data) > 40 or self.wire:
            *frames, self.wire = (self.wire + data[:written]).split(b"\0")
            for frame in frames:
                self._sent(frame, now)
        return written

    def _sent(self, frame: bytes, now: float) -> None:
        try:
            plain = cobs.decode(frame)
        except cobs.DecodeError:
            return
        if plain[:1] == b"\1" and len(plain) == 45:
            (sequence,) = struct.unpack_from("<I", plain, 1)
            if sequence % EVERY == 2:
                self.due = (sequence, now)

    def read(self, handle: int, room: int) -> bytes:
        data = os.read(handle, room)
        if STOP in data:
            now = time.monotonic()
            if self.due is not None:
                print(*self.due, now, flush=True)
                self.due = None
            data = data.replace(STOP, b"")
        return data


def falsified(data: bytes, put: Callable[[bytes], None]) -> None:
    """Make every so many samples of one channel false, checksum and all."""
    frames = data.split(b"\0")[:-1]
    put(b"".join(_false(frame) + b"\0" for frame in frames))


def _false(frame: bytes) -> bytes:
    plain = cobs.decode(frame)
    if plain[0] != 1 or struct.unpack_from("<I", plain, 1)[0] % EVERY > 2:
        return frame
    changed = bytearray(plain[:-4])
    struct.pack_into("<f", changed, 9 + 4 * ROW, SIZE * 1e3)
    return cobs.encode(bytes(changed) + struct.pack("<I", zlib.crc32(changed)))


async def run(folder: Path, protocol: str, rig: str) -> None:
    plan = load(protocol, rig)
    setup = emulated_setup(plan)
    sampled = sum(not channel.slow for channel in setup.channels)
    terminal.os = Noted()  # type: ignore[attr-defined]
    running = emulation(setup, 1, SystemClock(), folder)
    async with running as emulated:
        emulated.terminals["samples"].through = falsified
        text = rig_text(plan.rig, emulated.paths, framings(setup.rate, sampled))
        (folder / "rig.toml").write_text(text, "utf-8")
        print("ready", flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(run(Path(sys.argv[1]), sys.argv[2], sys.argv[3]))
