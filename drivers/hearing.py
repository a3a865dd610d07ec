"""What is heard on a Modbus line: bytes from the line's thread, cut into frames in the loop."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from drivers import modbus
from drivers.modbus import Frame
from rig.clock import Clock


class Hearing:
    """Bytes as they come, and the frames in them.

    `came` is when [s] the last byte came, `lumps` how often garbage was thrown away, counted once
    for each time `begin` was called.
    """

    def __init__(self, clock: Clock) -> None:
        self.came = -1e9
        self.lumps = 0
        self._clock = clock
        self._inbox: deque[tuple[bytes, float]] = deque()
        self._buffer = b""
        self._first = b""
        self._garbled = False
        self._heard = 0
        self._wanted = 0
        self._arrived = asyncio.Event()
        self._wake: Callable[[], None] = _nobody

    @property
    def waits(self) -> bool:
        """Whether bytes are held that are in no frame yet."""
        return bool(self._buffer)

    def open(self) -> None:
        """Belong to the running loop from now on."""
        loop = asyncio.get_running_loop()

        def wake() -> None:
            with suppress(RuntimeError):  # the loop has ended before the line
                loop.call_soon_threadsafe(self._arrived.set)

        self._wake = wake

    def on_bytes(self, data: bytes, when: float) -> None:
        """Take what has come; in the line's thread.

        Slow lines hand on every byte by itself; nobody is woken before it can be an answer.
        """
        self._inbox.append((data, when))
        before, self._heard = self._heard, self._heard + len(data)
        if self._heard >= self._wanted or before < modbus.SHORTEST <= self._heard:
            self._wake()

    def on_change(self, _there: bool) -> None:
        """Wake who waits: the line was lost or is back; in the line's thread."""
        self._wake()

    def begin(self, wanted: int) -> None:
        """Remember anew what comes first: a question is sent whose answer has so many bytes."""
        self._first, self._garbled = b"", False
        self._heard, self._wanted = 0, wanted

    def begins_with(self, data: bytes) -> bool:
        """Return whether this has come first since `begin`."""
        return self._first.startswith(data)

    def may_begin(self, address: int) -> bool:
        """Return whether what is held may be the beginning of a frame of a device."""
        return self._buffer[:1] == bytes([address])

    def take(self) -> None:
        """Take over what has come."""
        while self._inbox:
            data, self.came = self._inbox.popleft()
            self._buffer += data
            if len(self._first) < modbus.LONGEST:
                self._first += data

    def frames(self, *, final: bool) -> tuple[Frame, ...]:
        """Return the whole frames; with `final` nothing is held back for more to come."""
        got = modbus.cut(self._buffer, final=final)
        self._buffer = got.rest
        if got.garbage and not self._garbled:
            self.lumps += 1
            self._garbled = True
        return got.frames

    async def arrival(self, until: float) -> None:
        """Wait for bytes, or a change of the line, until a time of the clock [s]."""
        self._arrived.clear()
        if self._inbox:
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(max(0.0, until - self._clock.now())):
                await self._arrived.wait()


def _nobody() -> None:
    """Wake nobody."""
