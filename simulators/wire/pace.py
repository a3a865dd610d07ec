"""Bytes that take their time: so many a second, in pieces of a millisecond."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from rig.clock import Clock

TICK: Final = 1e-3
"""Time [s] after which bytes that are over are handed on, though more follow."""
EARLY: Final = TICK / 2
"""How much too early [s] bytes may be handed on: event loops wake in whole milliseconds."""
PIECE: Final = 4096
"""Bytes handed on at once, so that a late process does not overrun who takes them."""


class Pace:
    """A line one way: what is put on it is delivered as its last bytes are over.

    When the process is late all that should be over is delivered at once, so the line does not
    fall behind. With `whole` nothing is delivered before all that is under way is over: where a
    pause parts messages, a process that is late in the middle of one must make none.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        clock: Clock,
        byte_time: float,
        deliver: Callable[[bytes], None],
        room: int,
        *,
        whole: bool = False,
    ) -> None:
        self._loop = loop
        self._clock = clock
        self._byte_time = byte_time
        self._deliver = deliver
        self._room = room
        self._whole = whole
        self._under_way = bytearray()
        self._begun = float("-inf")  # when the first byte under way began [s]
        self._timer: asyncio.TimerHandle | None = None

    @property
    def waiting(self) -> int:
        """Bytes under way."""
        return len(self._under_way)

    def put(self, data: bytes, at: float | None = None) -> bool:
        """Put bytes on the line, begun `at` [s] or now; False if there is no room for them.

        An empty line takes any number.
        """
        if self._under_way and len(self._under_way) + len(data) > self._room:
            return False
        if not self._under_way:
            self._begun = max(self._begun, self._clock.now() if at is None else at)
        self._under_way += data
        if self._timer is None:
            self._go()
        return True

    def clear(self) -> None:
        """Lose what is under way."""
        self._under_way.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _go(self) -> None:
        """Deliver what is over; come back for the rest."""
        self._timer = None
        since = self._clock.now() - self._begun
        over = min(int((since + EARLY) / self._byte_time), len(self._under_way), PIECE)
        if self._whole and over < len(self._under_way):
            left = len(self._under_way) * self._byte_time - since
            self._timer = self._loop.call_later(max(left, 0.0), self._go)
            return
        data = bytes(self._under_way[:over])
        del self._under_way[:over]
        self._begun += over * self._byte_time
        if self._under_way:
            left = (over + len(self._under_way)) * self._byte_time - since
            wait = TICK if over == PIECE else min(max(left, 0.0), TICK)
            self._timer = self._loop.call_later(wait, self._go)
        if data:
            self._deliver(data)
