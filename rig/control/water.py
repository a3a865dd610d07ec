"""Water: the one owner of the pump, for the conductor and the stages.

It carries out what the spray schedule (spray.py) asks for, re-wets, ends the water, and keeps
account of what was achieved: confirmed wet time, litres, missed periods, time dry.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any, Final, Protocol

from rig.control.pump_switch import PumpSwitch
from rig.control.spray import (
    Spray,
    SprayStep,
    later,
    new_period,
    paused,
    rewetting,
    start_spray,
    step,
)
from rig.control.water_account import DRY_DEVIATION, DryTime, Rewet, Stretch, Totals, dry_limit
from rig.ports import Pump
from rig.protocol.plan import SpraySchedule

LONGEST_REWETTING: Final = 24 * 3600.0  # [s]; common practice, no source
ALWAYS_OFF: Final = frozenset({"leak", "emergency_stop"})
"""Causes of a stop after which no water runs, whatever the protocol says."""


class WaterBook(Protocol):
    """Where water is written down: `Book`, as far as water needs it."""

    def spray(self, time_on: float, time_off: float, litres: float, /, *, confirmed: bool) -> None:
        """Write a wet stretch: test times [s], litres, whether the flow confirmed it."""

    def event(self, kind: str, text: str, /) -> None:
        """Write an event."""


class Water:
    """Switches the pump by a schedule [frames of `rate` Hz, counted cycles].

    Without a schedule nothing is ever due; `submerged` specimens are never dry. `frequency` [Hz]
    of the loading tells how long a planned dry gap in cycles takes; without it such a gap counts
    as none. ValueError for a schedule without a pump.

    Nothing here raises DeviceError: a pump that does not answer is told and counts as no flow; one
    that does not switch off is tried again every 10 s, whatever the schedule says.

    A pause with `on_pause` off ends with the next counted cycle; until then nothing is due.
    A schedule in cycles stands still in a pause, with the water as it was. `schedule`, `spray`
    (where it stands), `pump`, `held` (at which count) and `ended` are there to be looked at.
    """

    def __init__(
        self,
        schedule: SpraySchedule | None,
        pump: Pump | None,
        book: WaterBook,
        rate: float,
        *,
        submerged: bool,
        frequency: float = math.inf,
    ) -> None:
        if schedule is not None and pump is None:
            raise ValueError("a spray schedule needs a pump; the protocol check refuses it")
        self.schedule = schedule
        self.pump = PumpSwitch(pump, book, rate)
        self._book = book
        self._rate = rate
        limit = dry_limit(schedule, frequency) if schedule else DRY_DEVIATION
        self._dry = DryTime(limit, rate, book, never=submerged)
        self.spray = start_spray(schedule, rate) if schedule else Spray("ended")
        self.held: int | None = None
        self.ended = schedule is None
        self._rewet: Rewet | None = None
        self._owed = 0.0
        self._stretch: Stretch | None = None
        self._totals = Totals()
        self.wet: tuple[tuple[int, int | None], ...] = ()
        """The last two stretches of frames [on, off) in which the pump was on."""

    @property
    def begun(self) -> bool:
        """Tell whether spraying has begun."""
        return self.schedule is not None and self.spray.phase != "waiting"

    @property
    def due_frame(self) -> int | None:
        """The frame at which `act` is to be called next, or None."""
        if self.ended:
            return self.pump.off_due
        frames = [] if self.pump.off_due is None else [self.pump.off_due]
        if self.held is None and self.spray.frame is not None:
            frames.append(self.spray.frame)
        if self._dry.due_frame is not None:
            frames.append(self._dry.due_frame)
        return min(frames, default=None)

    @property
    def rewets(self) -> bool:
        """Tell whether re-wetting is under way."""
        return self._rewet is not None

    @property
    def due_cycle(self) -> int | None:
        """The counted cycle at which `act` is to be called next, or None."""
        if self.ended:
            return None
        return self.spray.cycle if self.held is None else self.held + 1

    async def act(self, now: int, counted: int) -> str:
        """Carry out what is due; return what was missed where it was the second in a row.

        That holds for re-wetting too. Never raises DeviceError.
        """
        if self.held is not None and counted > self.held:
            # Cycling again, wetted or not: what was owed cannot be made good any more.
            self.held, self._owed = None, 0.0
        call = ""
        while self._is_due(now, counted):
            call = await self._step(now, counted) or call
        await self.off_again(now)
        self._dry.look(now)
        return call

    async def off_again(self, now: int) -> None:
        """Try again to switch the pump off, where that is due; never raises DeviceError."""
        if self.pump.off_due is not None and self.pump.off_due <= now:
            await self._switch(now, on=False)

    def _is_due(self, now: int, counted: int) -> bool:
        if self.ended or self.held is not None:
            return False
        frame, cycle = self.spray.frame, self.spray.cycle
        return (frame is not None and frame <= now) or (cycle is not None and cycle <= counted)

    async def _step(self, now: int, counted: int) -> str:
        if self.schedule is None:
            return ""
        flow = await self.pump.flow() if self.spray.on else None
        schedule = self.schedule if self._rewet is None else rewetting(self.schedule)
        done = step(schedule, self.spray, now, counted, self._rate, flow)
        if done.good is not None:
            self._seen(done, now, flow)
        if done.pump is not None:
            await self._switch(now, on=done.pump)
        if not self.begun:
            self._book.event("water", "spraying begins")
            self._dry.since = now
        self.spray = done.state
        if done.event:
            self._book.event("water", done.event)
        return done.event if done.missed_too_often else ""

    def _seen(self, done: SprayStep, now: int, flow: float | None) -> None:
        """Take a look at the flow into account."""
        if self.schedule is None:
            return
        if self._stretch is None and not done.good:
            return
        # Where switching on seemed to fail, water that flows all the same counts from here on.
        stretch = self._stretch or self._open_stretch(now)
        if flow is None:
            self._totals = replace(self._totals, nominal=True)
            flow = self.schedule.flow
        self._stretch = stretch.seen(now, flow, self._rate, good=bool(done.good))
        if done.good:
            self._end_dry(stretch.begun, "wet again")

    async def _switch(self, now: int, *, on: bool) -> None:
        lacked_off = self.pump.off_due is not None
        if on:
            if lacked_off:
                self._close_stretch(now)
            if await self.pump.set(now, on=True) and self._stretch is None:
                self._open_stretch(now)
            return
        done = await self.pump.set(now, on=False)
        if lacked_off and not done:
            return
        ran = self._stretch is not None
        self._close_stretch(now)
        if ran and not done:
            # As far as anybody knows it runs on; nobody looks, so that nothing confirms it.
            self._open_stretch(now)

    def _open_stretch(self, now: int) -> Stretch:
        self._stretch = Stretch(now, now)
        self.wet = (*self.wet[-1:], (now, None))
        return self._stretch

    def _close_stretch(self, now: int) -> None:
        stretch, self._stretch = self._stretch, None
        if stretch is None:
            return
        stretch = stretch.ended(now, self._rate)
        self.wet = (*self.wet[:-1], (stretch.begun, now))
        rows = stretch.rows(now)
        for row in rows:
            self._book.spray(
                row.begun / self._rate,
                row.ended / self._rate,
                row.volume * 1e3,
                confirmed=row.confirmed,
            )
        self._totals = self._totals.with_rows(rows)
        if self._rewet is not None:
            self._rewet = self._rewet.with_rows(rows)
        if stretch.good_until is not None:
            self._dry.since = stretch.good_until

    async def pause(self, now: int, counted: int) -> None:
        """Let the schedule go on by time in a pause, or end the water and hold the schedule.

        Held in the dry part of a period the schedule goes on after the pause where it would
        have been; else a new period follows. Never raises DeviceError.
        """
        if self.schedule is None or self.schedule.on_pause == "keep" or self.ended:
            return
        self._give_up_rewetting(now)
        if self.spray.phase in ("unconfirmed", "wet", "retry"):
            await self._switch(now, on=False)
            self.spray = paused(self.schedule, self.spray, now, counted)
        self.held = counted

    async def stop(self, now: int, cause: str) -> None:
        """End or keep the water as the protocol says for a stop; `cause` may forbid to keep it.

        Never raises DeviceError.
        """
        schedule = self.schedule
        if schedule is None or schedule.on_stop == "off" or cause in ALWAYS_OFF:
            await self.off(now)
            return
        self._give_up_rewetting(now)
        self.ended = True
        if self.spray.on:
            self._book.event("water", "water stays on after the stop, as the protocol says")

    async def off(self, now: int) -> None:
        """Switch the pump off, whatever is asked of it; the schedule ends.

        Never raises DeviceError: that the pump does not go off is told (again), and tried again
        as long as `act` or `off_again` is called when due.
        """
        self._give_up_rewetting(now)
        self.ended = True
        self.pump.off_due = None
        await self._switch(now, on=False)
        if self.schedule is not None and self.spray.on:
            self.spray = paused(self.schedule, self.spray, now, 0)

    def finish(self, now: int) -> None:
        """Write what is still under way when the record ends; the pump stays as it is."""
        self.ended = True
        self.pump.finish()
        self._dry.look(now)
        self._close_stretch(now)
        self._end_dry(now, "the record ends")

    def _end_dry(self, at: int, why: str) -> None:
        beyond = self._dry.end(at, why)
        self._totals = replace(self._totals, dry=self._totals.dry + beyond)

    def dry_for(self, now: int) -> float:
        """Return for how long [s] it has been dry: 0 while wet, before spraying, in water."""
        return self._dry.seconds(now)

    def rewet_time(self, now: int) -> float:
        """Return how long [s] to re-wet before going on: 0 unless dry time is a deviation.

        What re-wetting lacked when it was given up is still owed until the test cycles again.
        """
        self._dry.look(now)
        dry = self.dry_for(now)
        return min(max(dry if dry > self._dry.limit else 0.0, self._owed), LONGEST_REWETTING)

    async def rewet_begin(self, now: int) -> None:
        """Begin to re-wet for `rewet_time`: water without an end, looked at as in any period.

        Never raises DeviceError.
        """
        if self.schedule is None or not self.begun or self._rewet is not None:
            return
        self._rewet, self._owed = Rewet(now, self.rewet_time(now)), 0.0
        self.held, self.ended = None, False
        self._book.event("water", "re-wetting begins")
        self.spray = new_period(rewetting(self.schedule), self.spray, now, 0, self._rate)
        if not self.spray.on:
            await self._step(now, 0)

    def rewet_left(self, now: int) -> float:
        """Return the confirmed wet time [s] that re-wetting still lacks, 0 when it is done.

        Only water whose flow was confirmed counts, up to the last look at it.
        """
        return self._rewet.left(self._stretch, now, self._rate) if self._rewet else 0.0

    async def rewet_end(self, now: int, counted: int) -> None:
        """End re-wetting; a new period begins, without the pump being switched.

        Never raises DeviceError.
        """
        if self.schedule is None or self._rewet is None:
            return
        seconds, self._rewet = (now - self._rewet.begun) / self._rate, None
        self.spray = new_period(self.schedule, self.spray, now, counted, self._rate)
        self._book.event("water", f"re-wetting ends after {seconds / 3600:.1f} h")

    async def rewet_break(self, now: int, counted: int) -> None:
        """Give re-wetting up: the pump off, and the schedule held until the next counted cycle.

        `rewet_time` keeps in mind what was lacking. Never raises DeviceError.
        """
        if self.schedule is None or self._rewet is None:
            return
        self._give_up_rewetting(now)
        await self._switch(now, on=False)
        self.spray = paused(self.schedule, self.spray, now, counted)
        self.held = counted

    def _give_up_rewetting(self, now: int) -> None:
        """Keep in mind what re-wetting under way still lacks."""
        if self._rewet is None:
            return
        self._owed, self._rewet = self.rewet_left(now), None
        lacking = f"{self._owed / 3600:.1f} h of confirmed water lacking"
        self._book.event("water", f"re-wetting given up: {lacking}")

    def summary(self) -> str:
        """Return what was achieved in words for the end of a run, "" where no water was asked."""
        if self.schedule is None:
            return ""
        return self._totals.words(self.spray.missed_in_all, self._rate)

    def to_plain(self) -> dict[str, object]:
        """Return everything it remembers as plain values for a restart point."""
        return {
            "spray": asdict(self.spray),
            "held": self.held,
            "rewet": asdict(self._rewet) if self._rewet else None,
            "owed": self._owed,
            "off_due": self.pump.off_due,
            "stretch": asdict(self._stretch) if self._stretch else None,
            "dry_since": self._dry.since,
            "deviates": self._dry.deviates,
            "totals": asdict(self._totals),
            "wet": [list(stretch) for stretch in self.wet],
        }

    def from_plain(self, plain: Mapping[str, Any]) -> None:
        """Stand where `to_plain` was taken; a schedule that had been ended goes on."""
        self.spray = Spray(**plain["spray"])
        self.held = plain["held"]
        self._rewet = Rewet(**plain["rewet"]) if plain["rewet"] else None
        self._owed = plain["owed"]
        self.pump.off_due = plain["off_due"]
        self._stretch = Stretch(**plain["stretch"]) if plain["stretch"] else None
        self._dry.since, self._dry.deviates = plain["dry_since"], plain["deviates"]
        self._totals = Totals(**plain["totals"])
        self.wet = tuple((on, off) for on, off in plain["wet"])
        self.ended = self.schedule is None

    async def take_up(self, plain: Mapping[str, Any], at: int, now: int, counted: int) -> None:
        """Go on where `to_plain` was taken at frame `at`, nobody having been there since.

        What water ran meanwhile nobody saw: it does not count, and the pump is switched off.
        The schedule is held until the next counted cycle, then it goes on at the same place of
        its dry part, or with a new period. Never raises DeviceError.
        """
        self.from_plain(plain)
        if self.schedule is None:
            return
        self._give_up_rewetting(at)
        was_on = self.spray.on
        await self._switch(at, on=False)
        if was_on:
            self.spray = paused(self.schedule, self.spray, now, counted)
        else:
            self.spray = later(self.schedule, self.spray, now - at)
        self.held = counted


def check_water(plain: Mapping[str, Any]) -> None:
    """Raise KeyError or TypeError where `Water.from_plain` could not read plain values."""
    Spray(**plain["spray"])
    Totals(**plain["totals"])
    for name, kind in (("rewet", Rewet), ("stretch", Stretch)):
        if plain[name]:
            kind(**plain[name])
    for key in ("held", "owed", "off_due", "dry_since", "deviates", "wet"):
        plain[key]
