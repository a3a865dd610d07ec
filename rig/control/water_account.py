"""What the water of a test came to: litres and confirmed time of each wet stretch, and in all.

Also for how long it was dry, and what re-wetting still lacks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from rig.control.pump_switch import Told
from rig.control.spray import tries_time
from rig.protocol.plan import SpraySchedule

DRY_DEVIATION: Final = 2 * 3600.0  # [s] dry from which on it is one; common practice, no source


@dataclass(frozen=True, slots=True)
class Row:
    """Water on in frames [begun, ended): `volume` [m3], and whether the flow confirmed it."""

    begun: int
    ended: int
    volume: float
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """Water that is on: `begun` and last `checked` at these frames, `volume` [m3] since begun.

    `flow` [m3/s] is the last one measured (or nominal, None before the first look). As far as
    `good_until` every look found the flow good; `good_volume` [m3] had been given by then.
    """

    begun: int
    checked: int
    flow: float | None = None
    volume: float = 0.0
    good_until: int | None = None
    good_volume: float = 0.0

    def seen(self, frame: int, flow: float, rate: float, *, good: bool) -> Stretch:
        """Return the stretch after a look at the flow [m3/s], straight between two looks."""
        before = flow if self.flow is None else self.flow
        volume = self.volume + (before + flow) / 2 * (frame - self.checked) / rate
        seen = replace(self, checked=frame, flow=flow, volume=volume)
        return replace(seen, good_until=frame, good_volume=volume) if good else seen

    def ended(self, frame: int, rate: float) -> Stretch:
        """Return the stretch up to its end: since the last look the flow stayed as it was."""
        if self.flow is None or self.checked >= frame:
            return self
        return self.seen(frame, self.flow, rate, good=self.good_until == self.checked)

    def rows(self, frame: int) -> tuple[Row, ...]:
        """Return what was confirmed, and apart from it what was not, up to a frame."""
        good = self.begun if self.good_until is None else self.good_until
        rows = (
            Row(self.begun, good, self.good_volume, confirmed=True),
            Row(good, frame, self.volume - self.good_volume, confirmed=False),
        )
        return tuple(row for row in rows if row.ended > row.begun)


@dataclass(frozen=True, slots=True)
class Totals:
    """What was achieved: confirmed wet time and dry time that deviates [frames], water [m3].

    `nominal` tells that nothing measured the flow.
    """

    wet: int = 0
    volume: float = 0.0
    dry: int = 0
    nominal: bool = False

    def with_rows(self, rows: tuple[Row, ...]) -> Totals:
        """Return the totals with the rows of one more stretch."""
        wet = sum(row.ended - row.begun for row in rows if row.confirmed)
        volume = sum(row.volume for row in rows)
        return replace(self, wet=self.wet + wet, volume=self.volume + volume)

    def words(self, missed: int, rate: float) -> str:
        """Return them in words, with the number of missed periods."""
        litres = self.volume * 1e3
        shown = f"{litres:,.0f} L" if litres >= 10 else f"{litres:.1f} L"
        if self.nominal:
            shown += " by nominal flow (nothing measures it)"
        parts = [
            f"water: {self.wet / rate:,.0f} s wet",
            shown,
            f"{missed or 'no'} {'period' if missed < 2 else 'periods'} missed",
        ]
        if self.dry:
            parts.append(f"dry for {self.dry / rate / 3600:.1f} h beyond the plan")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Rewet:
    """Re-wetting since frame `begun`: `asked` [s], and `given` [frames] by what has ended of it."""

    begun: int
    asked: float
    given: int = 0

    def with_rows(self, rows: tuple[Row, ...]) -> Rewet:
        """Return it with the confirmed rows of one more stretch."""
        given = sum(self._since(row.begun, row.ended) for row in rows if row.confirmed)
        return replace(self, given=self.given + given)

    def left(self, stretch: Stretch | None, now: int, rate: float) -> float:
        """Return what lacks [s] with a stretch under way, as its flow was last found good."""
        given = self.given
        if stretch is not None and stretch.good_until is not None:
            given += self._since(stretch.begun, min(stretch.good_until, now))
        return max(self.asked - given / rate, 0.0)

    def _since(self, begun: int, ended: int) -> int:
        return max(ended - max(begun, self.begun), 0)


def dry_limit(schedule: SpraySchedule, frequency: float) -> float:
    """Return the dry time [s] that is a deviation: what the schedule plans is none."""
    gap = 0.0 if schedule.continuous else schedule.every - schedule.on
    if schedule.period_unit == "cycles":
        gap /= frequency
    return max(DRY_DEVIATION, gap + tries_time(schedule))


class DryTime:
    """How long it has been dry: since frame `since` at `rate` [Hz], None while it is wet.

    Longer than `limit` [s] it is a deviation (`deviates`), told when it begins and when it ends.
    With `never` it counts as wet always.
    """

    def __init__(self, limit: float, rate: float, book: Told, *, never: bool) -> None:
        self.limit = limit
        self._rate = rate
        self._book = book
        self._never = never
        self.since: int | None = None
        self.deviates = False

    @property
    def due_frame(self) -> int | None:
        """The frame from which on the present dry time deviates, None once that is told."""
        if self._never or self.since is None or self.deviates:
            return None
        return self.since + math.floor(self.limit * self._rate) + 1

    def seconds(self, now: int) -> float:
        """Return for how long [s] it has been dry."""
        return 0.0 if self._never or self.since is None else (now - self.since) / self._rate

    def look(self, now: int) -> None:
        """Tell once that the dry time has become a deviation."""
        if not self.deviates and self.seconds(now) > self.limit:
            self.deviates = True
            self._book.event("deviation", f"dry for over {self.limit / 3600:.1f} h")

    def end(self, at: int, why: str) -> int:
        """End it at a frame; return how many frames of a deviation it was."""
        since, deviated = self.since, self.deviates
        self.since, self.deviates = None, False
        if since is None or not deviated:
            return 0
        hours = (at - since) / self._rate / 3600
        self._book.event("deviation", f"was dry for {hours:.1f} h: {why}")
        return at - since
