"""A host at the other end of an emulated line: pyserial, which knows nothing of the emulation."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager

import serial

from simulators.wire.terminal import Terminal


class Host:
    """A serial port that is read without holding up the event loop the devices run in."""

    def __init__(self, path: str, baud: int, parity: str = "N", stop_bits: int = 1) -> None:
        self.port = serial.Serial(
            path, baud, parity=parity, stopbits=stop_bits, timeout=0, exclusive=True
        )

    def write(self, data: bytes) -> None:
        self.port.write(data)

    def offer(self, data: bytes) -> int:
        """Write what the line takes now; return how many bytes that was."""
        try:
            return os.write(self.port.fileno(), data)
        except BlockingIOError:
            return 0

    async def read(self, count: int, within: float = 5.0) -> bytes:
        """Return so many bytes, or those that came within the time [s]."""
        data = b""
        until = time.monotonic() + within
        while len(data) < count and time.monotonic() < until:
            data += self.port.read(count - len(data))
            await asyncio.sleep(0.001)
        return data

    async def line(self, within: float = 5.0) -> str:
        """Return the next line without its end, or what came of it within the time [s]."""
        data = b""
        until = time.monotonic() + within
        while not data.endswith(b"\n") and time.monotonic() < until:
            got = self.port.read(1)
            data += got
            if not got:
                await asyncio.sleep(0.001)
        return data.decode("latin-1").removesuffix("\n")

    async def ask(self, question: str) -> str:
        self.write(question.encode() + b"\n")
        return await self.line()


async def heard_of(terminal: Terminal) -> None:
    """Wait until the device's side has found out that a host is there."""
    until = time.monotonic() + 5
    while not terminal.listening:
        assert time.monotonic() < until
        await asyncio.sleep(0.001)


@contextmanager
def host(path: str, baud: int, parity: str = "N", stop_bits: int = 1) -> Iterator[Host]:
    opened = Host(path, baud, parity, stop_bits)
    try:
        yield opened
    finally:
        opened.port.close()
