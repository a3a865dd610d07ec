"""The columns of a recording, each read once: its statistics, and the points that are drawn.

A column of eleven million cycles is 44 MB. It is read in one go, as HDF5 is quickest so, and
reduced in a thread of its own while the next one is read; both spend their time outside Python.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.protocol.plan import Plan
from rig.report.curve_points import (
    Places,
    Points,
    Values,
    even_edges,
    log_edges,
    points,
    trailing_median,
)
from rig.report.curve_statistics import Statistics, statistics
from rig.report.curve_target import Held, held
from rig.report.measure import Measure
from rig.samples import Flag

if TYPE_CHECKING:
    from rig.replay.recording import Recording
    from rig.samples import FloatArray

DRAWN: Final = ("load", "deflection", "crack_opening", "end_slip_", "strain_")
"""Channels whose largest and smallest value of a cycle is drawn; `_`: a numbered family."""
SINGLE: Final = ("stiffness", "energy", "frequency")
_WITH_MEDIAN: Final = "frequency"
LARGEST_ONLY: Final = ("end_slip_",)
"""Those of them whose smallest value is not."""
RANGED: Final = ("deflection", "strain_")
"""Channels whose range of a cycle is drawn too."""
SLIPS: Final = (25e-6, 100e-6)
"""Slip of a tendon's end [m] at its onset, and the mark that follows (common practice)."""
WINDOW: Final = 25
"""Cycles whose median stands for each where a crack opening is turned into a length."""
_ESTIMATED: Final = ("load_max", "crack_opening_max")
_KEPT: Final = "stiffness"
_WAITING: Final = 1
"""Columns that wait to be reduced: with more of them memory grows and nothing is faster."""

Row = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True, slots=True)
class Curve:
    """A column: its statistics, what is drawn over log cycles and over share of life, and more.

    `at` has the values at counted cycles 1, 10, 100 ... and at the last.
    """

    statistics: Statistics
    log: Points
    share: Points
    at: Mapping[int, float]

    @property
    def measured(self) -> bool:
        """Whether there is any value."""
        return self.statistics.count > 0


@dataclass(frozen=True, slots=True)
class Columns:
    """All that is kept of the cycle columns, `rows` up to the verdict, `after_end` after it.

    `curves` by column name, `deflection_range` and the like among them. `flags` tells how many
    of the rows have a flag, by its name. `held` is None without a target. `spread` are the rows
    at which `medians` of `WINDOW` cycles were taken, by column. `stiffness` is the whole column.
    `slips` are the first cycles at which the end of a tendon slipped by `SLIPS`, 0 for none.
    `build_up` and `slow` are statistics of those tables.
    """

    rows: int
    after_end: int
    flags: Mapping[str, int]
    curves: Mapping[str, Curve]
    held: Held | None
    spread: Places
    medians: Mapping[str, FloatArray]
    stiffness: Values
    slips: Mapping[str, tuple[int, ...]]
    build_up_rows: int = 0
    build_up_flags: Mapping[str, int] = field(default_factory=dict)
    build_up: Mapping[str, Statistics] = field(default_factory=dict)
    slow: Mapping[str, Statistics] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        """Tell whether a column was measured."""
        return name in self.curves and self.curves[name].measured

    def median(self, first: int, last: int) -> Measure:
        """Return the median stiffness [N/m] over counted cycles, both ends among them."""
        part = self.stiffness[max(first, 1) - 1 : last].astype(np.float64)
        known = part[~np.isnan(part)]
        value = float(np.median(known)) if known.size else float("nan")
        key = f"cycles.{_KEPT}.median.{first}.{last}"
        return Measure(value, "N/m", key, 4, blank="not measured")

    def first_at_or_below(self, stiffness: float, after: int) -> int | None:
        """Return the first counted cycle after another at or below a stiffness [N/m]."""
        low = self.stiffness[after:] <= stiffness
        return after + 1 + int(low.argmax()) if low.any() else None


def columns_of(recording: Recording, plan: Plan | None = None, more: Iterable[str] = ()) -> Columns:
    """Read the columns of a recording that a report needs, and `more` by name, each once."""
    kinds = {kind: recording.count(kind) for kind in ("cycles", "build_up", "slow")}
    flags = _whole(recording, "flags")
    after = (flags & Flag.AFTER_END) != 0
    rows = int(after.argmax()) if after.any() else len(flags)
    reading = _Reading(recording, plan, rows)
    reading.all(_wanted(recording.column_names(), more))
    build_up = _whole(recording, "flags", "build_up")
    return Columns(
        rows=rows,
        after_end=len(flags) - rows,
        flags=_flag_counts(flags[:rows]),
        curves=reading.curves,
        held=reading.held,
        spread=reading.spread,
        medians=reading.medians,
        stiffness=reading.stiffness,
        slips=reading.slips,
        build_up_rows=kinds["build_up"],
        build_up_flags=_flag_counts(build_up),
        build_up={"load_max": statistics(_whole(recording, "load_max", "build_up"))},
        slow={
            name: statistics(_whole(recording, name, "slow"))
            for name in recording.column_names("slow")
            if name != "time"
        },
    )


def _wanted(names: Iterable[str], more: Iterable[str]) -> list[str]:
    """Return the columns to read, the two of one channel one after the other."""
    there = set(names)
    channels = {name.removesuffix("_max") for name in there if name.endswith("_max")}
    drawn = sorted(c for c in channels if of_family(c, DRAWN))
    pairs = [f"{channel}_{end}" for channel in drawn for end in _ends(channel)]
    return [n for n in dict.fromkeys((*pairs, *SINGLE, *more)) if n in there]


def _ends(channel: str) -> tuple[str, ...]:
    return ("max",) if of_family(channel, LARGEST_ONLY) else ("max", "min")


def of_family(channel: str, stems: Iterable[str]) -> bool:
    """Tell whether a channel is one of those named, or of a numbered family."""
    return channel in stems or channel.rstrip("0123456789") in stems


def _whole(recording: Recording, name: str, kind: str = "cycles") -> Row:
    """Return a column in one piece; of an empty table none. What is infinite is no value: NaN."""
    rows = recording.count(kind)
    empty: Row = np.zeros(0, np.uint16 if name == "flags" else np.float64)
    found = next((c[name] for c in recording.table(kind, max(rows, 1), {name})), empty)
    if found.dtype.kind == "f" and (infinite := np.isinf(found)).any():
        return np.where(infinite, np.float32("nan"), found)
    return found


def _first_at(values: Values, least: float) -> int:
    """Return the first counted cycle at or above a value, 0 for none."""
    there = values >= least
    return int(there.argmax()) + 1 if there.any() else 0


def _flag_counts(flags: Row) -> dict[str, int]:
    there = int(np.bitwise_or.reduce(flags)) if len(flags) else 0
    return {
        str(flag.name).lower().replace("_", "-"): (
            int(np.count_nonzero(flags & flag)) if there & flag else 0
        )
        for flag in Flag
    }


class _Reading:
    """One pass over the columns of a recording, up to a row."""

    def __init__(self, recording: Recording, plan: Plan | None, rows: int) -> None:
        self._recording = recording
        self._loading = plan.loading if plan is not None else None
        self._rows = rows
        self._edges = log_edges(rows), even_edges(rows)
        self._decades = [10**d for d in range(19) if 10**d < rows] + ([rows] if rows else [])
        self.curves: dict[str, Curve] = {}
        self.held: Held | None = None
        ends = [edges[1:] - 1 for edges in self._edges]
        counts = np.array(self._decades, np.int64) - 1
        self.spread: Places = np.unique(np.concatenate([*ends, counts]))
        self.medians: dict[str, FloatArray] = {}
        self.stiffness: Values = np.zeros(0)
        self.slips: dict[str, tuple[int, ...]] = {}

    def all(self, names: Iterable[str]) -> None:
        """Read and reduce columns; a journal is read in this thread, as it must be."""
        waiting: list[Future[None]] = []
        before: tuple[str, Values] = "", np.zeros(0)
        with ThreadPoolExecutor(1) as pool:
            for name in names:
                values = _whole(self._recording, name)[: self._rows]
                waiting.append(pool.submit(self._reduce, name, values, *before))
                before = name, values
                if len(waiting) > _WAITING:
                    waiting.pop(0).result()
            for last in waiting:
                last.result()

    def _reduce(self, name: str, values: Values, before: str, largest: Values) -> None:
        self.curves[name] = self._curve(values, median=name == _WITH_MEDIAN)
        if name == _KEPT:
            self.stiffness = values
        if name in _ESTIMATED and self.curves[name].measured:
            self.medians[name] = trailing_median(values, self.spread, WINDOW)
        if of_family(name.removesuffix("_max"), LARGEST_ONLY):
            self.slips[name] = tuple(_first_at(values, slip) for slip in SLIPS)
        channel = name.removesuffix("_min")
        if before == f"{channel}_max":
            for work in self._of_both(channel):
                work(largest, values)

    def _of_both(self, channel: str) -> list[Callable[[Values, Values], None]]:
        """Return what needs the largest and the smallest values of a channel together."""
        found: list[Callable[[Values, Values], None]] = []
        if channel == "load" and self._loading is not None:
            found.append(self._hold)
        if of_family(channel, RANGED):
            found.append(partial(self._range, channel))
        return found

    def _hold(self, largest: Values, smallest: Values) -> None:
        if self._loading is not None:
            self.held = held(largest, smallest, self._loading)

    def _range(self, channel: str, largest: Values, smallest: Values) -> None:
        self.curves[f"{channel}_range"] = self._curve(largest - smallest)

    def _curve(self, values: Values, *, median: bool = False) -> Curve:
        by_log, by_share = self._edges
        return Curve(
            statistics=statistics(values, median=median),
            log=points(values, by_log),
            share=points(values, by_share),
            at={number: float(values[number - 1]) for number in self._decades},
        )
