"""Water: the one owner of the pump, for the conductor and the stages.

It carries out what the spray schedule (spray.py) asks for, re-wets, ends the water, and keeps
account of what was achieved: confirmed wet time, litres, missed periods, time dry.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any, Final, Protocol

from rig.control.spray import (
    Spray,
    SprayStep,
    new_period,
    paused,
    rewetting,
    start_spray,
    step,
)
from rig.control.water_account import DRY_DEVIATION, Stretch, Totals, dry_limit
from rig.errors import InputError
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
    as none. A DeviceError of the pump is let through. ValueError for a schedule without a pump.

    A pause with `on_pause` off ends with the next counted cycle; until then nothing is due.
    A schedule in cycles stands still in a pause, with the water as it was.
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
        self._schedule = schedule
        self._pump = pump
        self._book = book
        self._rate = rate
        self._submerged = submerged
        self._dry_limit = dry_limit(schedule, frequency) if schedule else DRY_DEVIATION
        self._spray = start_spray(schedule, rate) if schedule else Spray("ended")
        self._held: int | None = None
        self._ended = schedule is None
        self._rewetting: int | None = None
        self._stretch: Stretch | None = None
        self._dry_from: int | None = None
        self._deviates = False
        self._totals = Totals()
        self.wet: tuple[tuple[int, int | None], ...] = ()
        """The last two stretches of frames [on, off) in which the pump was on."""

    @property
    def begun(self) -> bool:
        """Tell whether spraying has begun."""
        return self._schedule is not None and self._spray.phase != "waiting"

    @property
    def due_frame(self) -> int | None:
        """The frame at which `act` is to be called next, or None."""
        if self._ended:
            return None
        frames = []
        if self._held is None and self._spray.frame is not None:
            frames.append(self._spray.frame)
        if self._dry_from is not None and not self._deviates:
            frames.append(self._dry_from + math.floor(self._dry_limit * self._rate) + 1)
        return min(frames, default=None)

    @property
    def due_cycle(self) -> int | None:
        """The counted cycle at which `act` is to be called next, or None."""
        if self._ended:
            return None
        return self._spray.cycle if self._held is None else self._held + 1

    async def act(self, now: int, counted: int) -> str:
        """Carry out what is due; return what was missed where it was the second in a row."""
        if self._held is not None and counted > self._held:
            self._held = None
        call = ""
        while self._is_due(now, counted):
            call = await self._step(now, counted) or call
        self._look_dry(now)
        return call

    def _is_due(self, now: int, counted: int) -> bool:
        if self._ended or self._held is not None:
            return False
        frame, cycle = self._spray.frame, self._spray.cycle
        return (frame is not None and frame <= now) or (cycle is not None and cycle <= counted)

    async def _step(self, now: int, counted: int) -> str:
        if self._schedule is None or self._pump is None:
            return ""
        flow = await self._flow(self._pump) if self._spray.on else None
        schedule = self._schedule if self._rewetting is None else rewetting(self._schedule)
        done = step(schedule, self._spray, now, counted, self._rate, flow)
        if done.good is not None:
            self._seen(done, now, flow)
        if done.pump is not None:
            await self._switch(now, on=done.pump)
        if not self.begun:
            self._book.event("water", "spraying begins")
            self._dry_from = now
        self._spray = done.state
        if done.event:
            self._book.event("water", done.event)
        return done.event if done.missed_too_often else ""

    async def _flow(self, pump: Pump) -> float | None:
        """Return the flow [m3/s]; a pump that says it stands still gives none, meter or not."""
        status = await pump.status()
        return status.flow if status.on else 0.0

    def _seen(self, done: SprayStep, now: int, flow: float | None) -> None:
        """Take a look at the flow into account."""
        if self._stretch is None or self._schedule is None:
            return
        if flow is None:
            self._totals = replace(self._totals, nominal=True)
            flow = self._schedule.flow
        self._stretch = self._stretch.seen(now, flow, self._rate, good=bool(done.good))
        if done.good:
            self._wet_again(self._stretch.begun)

    async def _switch(self, now: int, *, on: bool) -> None:
        if self._pump is not None:
            await self._pump.set(on)
        if not on:
            self._close_stretch(now)
        elif self._stretch is None:
            self._stretch = Stretch(now, now)
            self.wet = (*self.wet[-1:], (now, None))

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
        if stretch.good_until is not None:
            self._dry_from = stretch.good_until

    async def pause(self, now: int, counted: int) -> None:
        """Let the schedule go on by time in a pause, or end the water and hold the schedule.

        Held in the dry part of a period the schedule goes on after the pause where it would
        have been; else a new period follows.
        """
        if self._schedule is None or self._schedule.on_pause == "keep" or self._ended:
            return
        if self._spray.phase in ("unconfirmed", "wet", "retry"):
            await self._switch(now, on=False)
            self._spray = paused(self._schedule, self._spray, now, counted)
        self._held, self._rewetting = counted, None

    async def stop(self, now: int, cause: str) -> None:
        """End or keep the water as the protocol says for a stop; `cause` may forbid to keep it."""
        schedule = self._schedule
        if schedule is None or schedule.on_stop == "off" or cause in ALWAYS_OFF:
            await self.off(now)
            return
        self._ended = True
        if self._spray.on:
            self._book.event("water", "water stays on after the stop, as the protocol says")

    async def off(self, now: int) -> None:
        """Switch the pump off, whatever is asked of it; the schedule ends."""
        self._ended, self._rewetting = True, None
        await self._switch(now, on=False)
        if self._schedule is not None and self._spray.on:
            self._spray = paused(self._schedule, self._spray, now, 0)

    def finish(self, now: int) -> None:
        """Write what is still under way when the record ends; the pump stays as it is."""
        self._ended = True
        self._look_dry(now)
        self._close_stretch(now)
        self._end_dry(now, "the record ends")

    def dry_for(self, now: int) -> float:
        """Return for how long [s] it has been dry: 0 while wet, before spraying, in water."""
        self._look_dry(now)
        if self._submerged or self._dry_from is None:
            return 0.0
        return (now - self._dry_from) / self._rate

    def rewet_time(self, now: int) -> float:
        """Return how long [s] to re-wet before going on: 0 unless dry time is a deviation."""
        dry = self.dry_for(now)
        return min(dry, LONGEST_REWETTING) if dry > self._dry_limit else 0.0

    async def rewet_begin(self, now: int) -> None:
        """Begin to re-wet: water without an end, its flow looked at as in any period."""
        if self._schedule is None or not self.begun or self._rewetting is not None:
            return
        self._held, self._ended, self._rewetting = None, False, now
        self._book.event("water", "re-wetting begins")
        self._spray = new_period(rewetting(self._schedule), self._spray, now, 0, self._rate)
        if not self._spray.on:
            await self._step(now, 0)

    async def rewet_end(self, now: int, counted: int) -> None:
        """End re-wetting; a new period begins, without the pump being switched."""
        if self._schedule is None or self._rewetting is None:
            return
        seconds, self._rewetting = (now - self._rewetting) / self._rate, None
        self._spray = new_period(self._schedule, self._spray, now, counted, self._rate)
        self._book.event("water", f"re-wetting ends after {seconds / 3600:.1f} h")

    def _look_dry(self, now: int) -> None:
        """Write once that dry time has become a deviation."""
        if self._submerged or self._dry_from is None or self._deviates:
            return
        if (now - self._dry_from) / self._rate > self._dry_limit:
            self._deviates = True
            hours = self._dry_limit / 3600
            self._book.event("deviation", f"dry for over {hours:.1f} h")

    def _wet_again(self, since: int) -> None:
        """Note that confirmed water ended the dry time at a frame."""
        self._end_dry(since, "wet again")
        self._dry_from = None

    def _end_dry(self, at: int, why: str) -> None:
        if self._dry_from is None or not self._deviates:
            return
        self._deviates = False
        dry = at - self._dry_from
        self._totals = replace(self._totals, dry=self._totals.dry + dry)
        self._book.event("deviation", f"was dry for {dry / self._rate / 3600:.1f} h: {why}")

    def summary(self) -> str:
        """Return what was achieved in words for the end of a run, "" where no water was asked."""
        if self._schedule is None:
            return ""
        return self._totals.words(self._spray.missed_in_all, self._rate)

    def to_plain(self) -> dict[str, object]:
        """Return everything it remembers as plain values for a restart point."""
        return {
            "spray": asdict(self._spray),
            "held": self._held,
            "rewetting": self._rewetting,
            "stretch": asdict(self._stretch) if self._stretch else None,
            "dry_from": self._dry_from,
            "deviates": self._deviates,
            "totals": asdict(self._totals),
            "wet": [list(stretch) for stretch in self.wet],
        }

    def from_plain(self, plain: Mapping[str, Any]) -> None:
        """Stand where `to_plain` was taken; a schedule that had been ended goes on."""
        self._spray = Spray(**plain["spray"])
        self._held = plain["held"]
        self._rewetting = plain["rewetting"]
        self._stretch = Stretch(**plain["stretch"]) if plain["stretch"] else None
        self._dry_from = plain["dry_from"]
        self._deviates = plain["deviates"]
        self._totals = Totals(**plain["totals"])
        self.wet = tuple((on, off) for on, off in plain["wet"])
        self._ended = self._schedule is None


def catch_can(schedule: SpraySchedule, reading: float, face: str) -> str:
    """Return in words how a catch-can reading [m3/s] at a face compares with the schedule.

    A face is to have its even share of the schedule's flow. Raises InputError for a reading that
    is none and for a face that the schedule does not name.
    """
    if not (math.isfinite(reading) and reading >= 0):
        raise InputError(f"a catch-can reading of {reading:g} m3/s cannot be; give 0 or more")
    if schedule.faces and face not in schedule.faces:
        named = ", ".join(schedule.faces)
        raise InputError(f"face {face!r} is not sprayed; the protocol names {named}")
    parts = max(len(schedule.faces), 1)
    wanted = schedule.flow / parts
    share = reading / wanted - 1
    side = "above" if share > 0 else "below"
    # A hair of rounding must not turn exactly 15 % into too much.
    good = abs(share) <= schedule.tolerance + 1e-9
    whose = f"the schedule's {wanted * 6e4:.2f} L/min"
    if parts > 1:
        whose = f"its share of {wanted * 6e4:.2f} L/min of {schedule.flow * 6e4:.2f} L/min"
    at = f" at {face}" if face else ""
    return (
        f"catch can{at}: {reading * 6e4:.2f} L/min, {abs(share):.0%} {side} {whose}, "
        f"{'within' if good else 'outside'} {schedule.tolerance:.0%}"
    )
