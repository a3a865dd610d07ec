"""What goes on by time beside the loading: the spray schedule and the slow channels."""

from __future__ import annotations

from typing import Final

from rig.control.book import Book
from rig.control.stream import FAR, Stream
from rig.control.water import Water
from rig.ports import Rig
from rig.protocol.plan import Plan

SLOW_EVERY: Final = 60.0  # [s] between records of the slow channels


class Chores:
    """Does what is due by time, wherever the test stands.

    Water runs by its schedule from the first cyclic stage on (`wet_stage`), not before.
    """

    def __init__(self, stream: Stream, book: Book, rig: Rig, water: Water, plan: Plan) -> None:
        self._stream = stream
        self._book = book
        self._rig = rig
        self._water = water
        self._slow = any(c.slow for c in plan.rig.channels)
        self._slow_frame = 0
        self.wet_stage = False

    def next_frame(self) -> int:
        """Return the frame at which the next thing is due, later than the present one."""
        frames = [FAR]
        if self.wet_stage and self._water.due_frame is not None:
            frames.append(self._water.due_frame)
        if self._slow:
            frames.append(self._slow_frame)
        return max(min(frames), self._stream.now + 1)

    async def act(self) -> str:
        """Do what is due; return why the water calls for a pause or stop, or nothing."""
        now = self._stream.now
        if self._slow and now >= self._slow_frame:
            self._book.slow(await self._rig.acquisition.slow())
            self._slow_frame = now + self._stream.frames(SLOW_EVERY)
        due = self._water.due_frame
        if self.wet_stage and due is not None and now >= due:
            return await self._water.act(now, self._book.counted)
        return ""
