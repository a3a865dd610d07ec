"""What goes on by time beside the loading: the spray schedule and the slow channels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from rig.control.book import Book
from rig.control.insulation import Insulation
from rig.control.stream import FAR, Stream
from rig.control.water import Water
from rig.criteria.groups import WARMTH
from rig.errors import DeviceError
from rig.judging.surroundings import Readings, air_read
from rig.ports import Rig
from rig.protocol.plan import Plan

SLOW_EVERY: Final = 60.0  # [s] between records of the slow channels
SLOW_AGAIN: Final = 5.0  # [s] after which one that has had no value yet is looked for again


class Chores:
    """Does what is due by time, wherever the test stands.

    Water runs by its schedule from the first cyclic stage on (`wet_stage`), not before; re-wetting
    and a pump that has to be switched off go on anywhere. Slow channels that are lost are told
    and written as NaN: only what the load is controlled by may end a test. `slow` holds their
    newest values [SI], `air` the last readings of its temperature, `insulation` what those of
    gauges say.
    """

    def __init__(self, stream: Stream, book: Book, rig: Rig, water: Water, plan: Plan) -> None:
        self._stream = stream
        self._book = book
        self._rig = rig
        self._water = water
        self._slow = any(c.slow for c in plan.rig.channels)
        self.insulation = Insulation({c.name for c in plan.rig.channels})
        self._slow_frame = 0
        self._slow_begun: int | None = None  # frame of the first look
        self.slow_lost = False
        self.slow: Mapping[str, float] = {}
        self.air: Readings = ()
        self.wet_stage = False

    def next_frame(self) -> int:
        """Return the frame at which the next thing is due, later than the present one."""
        frames = [FAR]
        due = self._water_due()
        if due is not None:
            frames.append(due)
        if self._slow:
            frames.append(self._slow_frame)
        return max(min(frames), self._stream.now + 1)

    async def act(self) -> str:
        """Do what is due; return why the water calls for a pause or stop, or nothing."""
        now = self._stream.now
        if self._slow and now >= self._slow_frame:
            self.slow = await self._read_slow()
            self._book.slow(self.slow)
            self.air = air_read(self.air, self._book.time, self.slow.get(WARMTH, math.nan))
            for text in self.insulation.look(self.slow):
                self._book.event("sensor", text)
            self._slow_frame = now + self._stream.frames(self._slow_again())
        due = self._water_due()
        if due is None or now < due:
            return ""
        if self._by_schedule:
            return await self._water.act(now, self._book.counted)
        await self._water.off_again(now)
        return ""

    def _slow_again(self) -> float:
        """Return in how long [s] to look again: soon in the first minute, while some have no value.

        An instrument may need seconds for its first answer; one that is dead is no reason to
        fill the record.
        """
        if self._slow_begun is None:
            self._slow_begun = self._stream.now
        first_minute = self._stream.now - self._slow_begun < self._stream.frames(SLOW_EVERY)
        missing = any(math.isnan(value) for value in self.slow.values())
        return SLOW_AGAIN if first_minute and missing else SLOW_EVERY

    @property
    def _by_schedule(self) -> bool:
        return self.wet_stage or self._water.rewets

    def _water_due(self) -> int | None:
        return self._water.due_frame if self._by_schedule else self._water.pump.off_due

    async def _read_slow(self) -> Mapping[str, float]:
        """Return the slow channels [SI], none where they do not come."""
        try:
            values = await self._rig.acquisition.slow()
        except DeviceError as error:
            if not self.slow_lost:
                self._book.event("sensor", f"the slow channels do not come: {error}")
            self.slow_lost = True
            return {}
        if self.slow_lost:
            self._book.event("sensor", "the slow channels come again")
            self.slow_lost = False
        return values
