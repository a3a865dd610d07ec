"""The pump's owner with the simulated pump, for tests of what is switched, recorded and summed up.

The rig gives 50 frames a second; cycles are counted at 5 Hz while the test cycles. The pump takes
3 s to run up to 1.5 L/min, so that it gives 1.5 s of flow less than it is on.
"""

from __future__ import annotations

from pathlib import Path

from rig.clock import VirtualClock
from rig.control.water import Water
from rig.errors import DeviceError
from rig.ports import PumpStatus
from rig.record import Recorder, read_journal
from simulators.faults import NoFlow
from simulators.rig import simulated_rig
from tests.control.test_spray import schedule
from tests.record.runs import header
from tests.simulators.driving import setup

RATE = 50.0
HZ = 5


class Pages:
    """Hands what water writes to a real recorder, at the present frame and count."""

    def __init__(self, folder: Path):
        self.recorder = Recorder.create(folder / "run", header())
        self.frame = self.counted = 0

    def spray(self, time_on, time_off, litres, *, confirmed):
        self.recorder.spray(time_on, time_off, litres, confirmed)

    def event(self, kind, text):
        self.recorder.event(self.frame / RATE, self.counted, kind, text)


class Night:
    """A rig whose time goes on, with its water; rows and events are read from its journal."""

    def __init__(self, folder: Path, plan, faults=(), *, submerged=False, **water):
        faults = tuple(NoFlow(round(a * RATE), round(b * RATE)) for a, b in faults)
        self.rig = simulated_rig(setup(rate=RATE, faults=faults), 1, VirtualClock())
        self.pages = Pages(folder)
        self.water = Water(plan, self.rig.pump, self.pages, RATE, submerged=submerged, **water)
        self.calls: list[tuple[float, str]] = []
        self.cycling = True

    @property
    def now(self) -> int:
        return self.pages.frame

    @property
    def counted(self) -> int:
        return self.pages.counted

    async def to(self, seconds: float) -> None:
        """Go on to a time, acting whenever something is due."""
        until = round(seconds * RATE)
        while True:
            call = await self.water.act(self.now, self.counted)
            if call:
                self.calls.append((self.now / RATE, call))
            if self.now >= until:
                return
            due = [until]
            if self.water.due_frame is not None:
                due.append(self.water.due_frame)
            if self.cycling and self.water.due_cycle is not None:
                due.append(self.now + (self.water.due_cycle - self.counted) * round(RATE / HZ))
            await self._pass(max(min(due), self.now + 1))

    async def pause(self, seconds: float) -> None:
        """Go on to a time and stand from then on."""
        await self.to(seconds)
        self.cycling = False
        await self.water.pause(self.now, self.counted)

    async def _pass(self, until: int) -> None:
        begun = self.now
        while self.now < until:
            block = await self.rig.acquisition.read(min(until - self.now, 100_000))
            await self.rig.acquisition.keep(block.frames)
            self.pages.frame += block.frames
        if self.cycling:
            self.pages.counted += (self.now - begun) * HZ // round(RATE)

    async def end(self):
        """End the water; return the spray rows (s, s, L, confirmed) and the events."""
        self.water.finish(self.now)
        await self.rig.acquisition.close()
        self.pages.recorder.commit()
        self.pages.recorder.abandon()
        with read_journal(self.pages.recorder.folder) as journal:
            rows = [(a, b, round(v * 1e3, 3), bool(c)) for a, b, v, c in journal.entries("spray")]
            return rows, [(e.time, e.kind, e.text) for e in journal.events()]


def by_time(**changes):
    """Return 2 min in every 15 min, from the beginning on."""
    return schedule(**{"begin": 0.0, "begin_unit": "s", **changes})


class MutePump:
    """A pump without a meter; it may be gone, or its motor protection may trip at once."""

    def __init__(self, *, gone=False, trips=False):
        self.on, self.gone, self.trips = False, gone, trips

    async def set(self, on):
        if self.gone:
            raise DeviceError("pump: no answer within 1 s")
        self.on = on and not self.trips

    async def status(self):
        return PumpStatus(self.on, None, None)
