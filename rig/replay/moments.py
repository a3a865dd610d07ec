"""A recording read forward in its own time: what was known at each moment of the test."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from rig.criteria.findings import Settled
from rig.errors import InputError
from rig.protocol.plan import Plan
from rig.record.entries import Event
from rig.replay.recording import Columns, Recording
from rig.samples import Flag, FloatArray

PIECE: Final = 16384
"""Rows in one piece."""
BASE: Final = ("stiffness", "deflection_max", "deflection_min", "stroke_max", "stroke_min")
SHOWN: Final = ("time", "number", "load_max", "load_min", "flags", "frequency", *BASE)


@dataclass(frozen=True, slots=True)
class Moment:
    """What was known at test time `time` [s].

    `row` is the newest counted cycle, `built` the newest of a build-up, `slow` the newest slow
    values [SI]. `entered` is the event of the present state, `seen` how many events there have
    been. `wet` tells whether water was on, `dry_for` [s] since when not.
    """

    time: float
    row: Mapping[str, float] = field(default_factory=dict)
    built: Mapping[str, float] = field(default_factory=dict)
    slow: Mapping[str, float] = field(default_factory=dict)
    entered: Event | None = None
    seen: int = 0
    baseline: Settled | None = None
    wet: bool = False
    dry_for: float = 0.0


class _Table:
    """One table read forward; `newest` is the last row that has been."""

    def __init__(self, pieces: Iterator[Columns]) -> None:
        self._pieces = pieces
        self._held: Columns | None = None
        self._at = 0
        self.newest: dict[str, float] = {}

    def until(self, time: float) -> Iterator[Columns]:
        """Yield the rows up to a test time [s] that have not been yet, in pieces."""
        while True:
            if self._held is None:
                self._held, self._at = next(self._pieces, None), 0
                if self._held is None:
                    return
            times = self._held["time"]
            stop = int(np.searchsorted(times, time, side="right"))
            if stop > self._at:
                part = {name: column[self._at : stop] for name, column in self._held.items()}
                self.newest = {name: float(column[-1]) for name, column in part.items()}
                self._at = stop
                yield part
            if stop < len(times):
                return
            self._held = None


class Moments:
    """A recording as it went; it is asked forward in time only. Memory does not grow with it.

    `plan` is None where the recording keeps no protocol. `end` [s] is when it ends.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.events = recording.events()
        self.plan = _plan(recording)
        self._times = [event.time for event in self.events]
        self._states = [event for event in self.events if event.kind == "state"]
        self._entered = [event.time for event in self._states]
        self.states = bool(self._states)
        wanted = {*SHOWN, *(f"{n}_{e}" for n in self.limited for e in ("min", "max"))}
        self._cycles = _Table(recording.table("cycles", PIECE, wanted))
        self._built = _Table(recording.table("build_up", PIECE, wanted))
        self._slow = _Table(recording.table("slow", PIECE))
        self._spray = [(float(row[0]), float(row[1])) for row in recording.entries("spray")]
        self._ons = [on for on, _ in self._spray]
        self._window: list[FloatArray] = []
        self._baseline: Settled | None = None
        self.end = self._last_time()

    @property
    def limited(self) -> Collection[str]:
        """Channels that the protocol limits."""
        return tuple(self.plan.limits.fixed) if self.plan is not None else ()

    def next_event(self, time: float) -> Event | None:
        """Return the first event after a test time [s]."""
        at = bisect_right(self._times, time)
        return self.events[at] if at < len(self.events) else None

    def next_water(self, time: float) -> tuple[bool, float] | None:
        """Return whether water came on or went off next, and when [s]; None for neither."""
        at = bisect_right(self._ons, time)
        if at and self._spray[at - 1][1] > time:
            return False, self._spray[at - 1][1]
        return (True, self._ons[at]) if at < len(self._ons) else None

    def at(self, time: float, take: Callable[[Columns], None]) -> Moment:
        """Return what was known at a test time [s].

        `take` is given the counted rows since the last one asked for, in pieces.
        """
        for part in self._cycles.until(time):
            self._settle(part)
            take(part)
        for table in (self._built, self._slow):
            for _ in table.until(time):
                pass
        entered = bisect_right(self._entered, time)
        begun = bisect_right(self._ons, time)
        off = self._spray[begun - 1][1] if begun else 0.0
        slow = {name: value for name, value in self._slow.newest.items() if name != "time"}
        return Moment(
            time,
            self._cycles.newest,
            self._built.newest,
            slow,
            self._states[entered - 1] if entered else None,
            bisect_right(self._times, time),
            self._baseline,
            off > time,
            max(time - off, 0.0),
        )

    def _settle(self, part: Columns) -> None:
        """Take the rows of the baseline, and work it out once they have all been."""
        if self.plan is None or self._baseline is not None:
            return
        wanted, number = self.plan.baseline, part["number"]
        judged = (part["flags"].astype(np.int64) & Flag.LONG_GAP) == 0
        inside = judged & (number >= wanted.first) & (number <= wanted.last)
        missing = np.full(len(number), np.nan)
        self._window.append(
            np.stack([part.get(name, missing)[inside].astype(np.float64) for name in BASE])
        )
        if number[-1] < wanted.last:
            return
        found = np.concatenate(self._window, axis=1)
        self._window = []
        if np.isfinite(found[0]).any():
            self._baseline = Settled(*(_median(column) for column in found))

    def _last_time(self) -> float:
        last = max(self._times, default=0.0)
        if self.recording.ended and self.states:
            return last
        # Rows may have come after the last event: all of one column are read for it.
        for part in self.recording.table("cycles", PIECE, ("time",)):
            last = max(last, float(part["time"][-1]))
        return last


def _plan(recording: Recording) -> Plan | None:
    try:
        return recording.plan()
    except InputError:
        return None


def _median(values: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    valid = values[np.isfinite(values)]
    return float(np.median(valid)) if len(valid) else math.nan
