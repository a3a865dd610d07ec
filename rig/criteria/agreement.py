"""What channels say together: state and baseline, good cycles in groups, and who confirms whom.

A specimen that softens bends further, and the rod goes further with it; the part of the stroke
that is the frame's, and the supports' own movement, stay as they are. What contradicts that is a
channel in doubt and no failure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.criteria.groups import (
    LOAD,
    NET,
    Groups,
    good_rows,
    group_size,
    grouped,
    no_groups,
    raw_columns,
)
from rig.samples import Cycles, Flag

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SUPPORTS: Final = ("support_left", "support_right")
LOOK_BACK: Final = 32
"""Good rows that are kept, more than a group: so far back a fall of stiffness is asked about."""
LAST: Final = 10
"""Rows that are kept with short ones: as many as a load that falls short is asked about."""
LEAST_CYCLES: Final = 2  # that differ or not
KEPT: Final = 33
"""Groups that are kept: as many as the longest look back needs."""
LEAST_GROUPS: Final = 4
"""Groups that make a baseline at least."""
SCATTERS: Final = 4.0
"""Standard deviations of the baseline's groups that a change must exceed; common practice."""


@dataclass(frozen=True, slots=True)
class Witness:
    """A sampled channel: what noise and resolution explain of a median [SI], and its range."""

    name: str
    explained: float
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True, slots=True)
class AgreementSetup:
    """The channels beside the load, and the counted cycles `first` to `last` of the baseline."""

    witnesses: tuple[Witness, ...]
    first: int
    last: int

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return tuple(w.name for w in self.witnesses)

    @property
    def size(self) -> int:
        """Cycles of a group."""
        return group_size(self.first, self.last)

    def explained(self, channel: str) -> float:
        """Return what noise and resolution explain of a channel's medians [SI]."""
        known = {w.name: w.explained for w in self.witnesses}
        if channel != NET:
            return known.get(channel, 0.0)
        supports = [known[c] for c in SUPPORTS if c in known]
        return known.get("midspan", 0.0) + sum(supports) / max(len(supports), 1)


@dataclass(frozen=True, slots=True, eq=False)
class Settling:
    """The baseline: one group of medians, and the standard deviation of a group about it."""

    median: Groups
    scatter: Groups

    @staticmethod
    def of(groups: Groups) -> Settling:
        """Return the baseline of some groups; a trend through them is no scatter."""
        steps = np.abs(np.diff(groups.values, axis=1))
        # 1.4826 times the median absolute value is the standard deviation of a normal variable
        # (any textbook of robust statistics); a difference of two has the square root of 2 times.
        scatter = 1.4826 * np.median(steps, axis=1, keepdims=True) / math.sqrt(2)
        return Settling(groups.median(), Groups(groups.channels, scatter))


@dataclass(frozen=True, slots=True, eq=False)
class AgreementState:
    """What is kept from call to call; arrays that are None are empty.

    `rows` are the last good rows (`raw_columns`), at most 32; the last `pending` of them wait
    for their group. `groups` are those of the baseline until it is complete, later the last 33.
    `told` are the things that were found and still hold, by key.
    """

    rows: FloatArray | None = None
    pending: int = 0
    last: FloatArray | None = None
    groups: FloatArray | None = None
    base: Settling | None = None
    told: frozenset[str] = field(default_factory=frozenset)

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point (NaN stays a float)."""
        base = self.base
        return {
            "rows": None if self.rows is None else self.rows.tolist(),
            "pending": self.pending,
            "last": None if self.last is None else self.last.tolist(),
            "groups": None if self.groups is None else self.groups.tolist(),
            "base": None
            if base is None
            else [base.median.values[:, 0].tolist(), base.scatter.values[:, 0].tolist()],
            "channels": [] if base is None else list(base.median.channels),
            "told": sorted(self.told),
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any] | None) -> AgreementState:
        """Return the state that `to_plain` wrote; a version before this one wrote none."""
        if plain is None:
            return AgreementState()
        channels = tuple(plain["channels"])
        base = plain["base"]
        both = [Groups(channels, np.array(values)[:, None]) for values in base] if base else []
        return AgreementState(
            _array(plain["rows"]),
            plain["pending"],
            _array(plain["last"]),
            _array(plain["groups"]),
            Settling(*both) if both else None,
            frozenset(plain["told"]),
        )


def _array(plain: list[list[float]] | None) -> FloatArray | None:
    return None if plain is None else np.array(plain, np.float64).reshape(len(plain), -1)


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """Good rows of one call behind those kept, and their groups.

    `rows` are all of them, the first `before` kept from earlier; `index` are the places of the new
    ones among the rows of the `call`. `last` are those kept with short ones. Of `groups` those
    from `begin` on are new, are complete with the rows `ends` of the call, and lie behind the
    baseline `base`, if there is one.
    """

    setup: AgreementSetup
    rows: FloatArray
    before: int
    index: NDArray[np.intp]
    call: Cycles
    last: FloatArray
    groups: Groups
    begin: int
    ends: NDArray[np.intp]
    base: Settling | None

    def at(self, row: int, cycles: int = 0, back: int = 0) -> Groups:
        """Return good rows up to row `row` of the call as a group; empty where too few are there.

        They are the last group's worth of them, or the last `cycles`, `back` good rows earlier.
        """
        stop = self.before + int(np.searchsorted(self.index, row, side="right")) - back
        size = cycles or min(self.setup.size, stop)
        if size < LEAST_CYCLES or stop < size:
            return no_groups(self.setup.channels)
        return grouped(self.setup.channels, self.rows[:, stop - size : stop], size)

    def lately(self, row: int, cycles: int) -> Groups:
        """Return the last rows up to row `row` as a group, also short ones; empty if too few.

        They are at most 10.
        """
        look = cycles = min(cycles, LAST)
        while True:
            start = max(row + 1 - look, 0)
            before = self.last if start == 0 else self.last[:, :0]
            last = _with_short(self.setup, self.call.part(start, row + 1), before)
            if start == 0 or last.shape[1] >= cycles:
                break
            look *= 2  # there are gaps among them
        if last.shape[1] < cycles or cycles < LEAST_CYCLES:
            return no_groups(self.setup.channels)
        return grouped(self.setup.channels, last[:, -cycles:], cycles)


def _with_short(setup: AgreementSetup, rows: Cycles, before: FloatArray) -> FloatArray:
    """Return rows behind earlier ones, with those whose range is short."""
    new = good_rows(rows, setup.first, setup.channels, short=True)[1]
    return np.concatenate((before, new), axis=1)


def gather(
    setup: AgreementSetup, state: AgreementState, rows: Cycles
) -> tuple[AgreementState, Together]:
    """Take counted rows; return the state after them, and what is known within them."""
    size, channels = setup.size, setup.channels
    index, new = good_rows(rows, setup.first, channels)
    no_rows = np.empty((len(raw_columns(channels)), 0))
    kept = no_rows if state.rows is None else state.rows
    last = no_rows if state.last is None else state.last
    everything = np.concatenate((kept, new), axis=1) if new.shape[1] else kept
    before = kept.shape[1]
    waiting = everything[:, before - state.pending :]
    count = waiting.shape[1] // size
    nothing = no_groups(channels)
    made = grouped(channels, waiting[:, : count * size], size) if count else nothing
    ends = index[size * np.arange(1, count + 1) - state.pending - 1] if count else index[:0]
    old = nothing if state.groups is None else Groups(channels, state.groups)
    groups, base, begin = made.behind(old) if count else old, state.base, len(old)
    if base is None:
        base, begin = _settled(setup, groups, len(old))
        ends = ends[begin - len(old) :]
    after = replace(
        state,
        rows=everything[:, max(everything.shape[1] - LOOK_BACK, 0) :].copy(),
        pending=waiting.shape[1] - count * size,
        last=_latest(setup, rows, new, last),
        groups=groups.values if base is None else groups.values[:, -KEPT:].copy(),
        base=base,
    )
    return after, Together(setup, everything, before, index, rows, last, groups, begin, ends, base)


def _latest(setup: AgreementSetup, rows: Cycles, good: FloatArray, last: FloatArray) -> FloatArray:
    """Return the last rows with those whose range is short; `good` are those of the call."""
    if (rows["flags"].astype(np.int64) & Flag.SHORT).any():
        return _with_short(setup, rows, last)[:, -LAST:].copy()
    return np.concatenate((last, good[:, -LAST:]), axis=1)[:, -LAST:].copy()


def _settled(setup: AgreementSetup, groups: Groups, known: int) -> tuple[Settling | None, int]:
    """Return the baseline once its groups are complete, and the first group behind it.

    It is complete with the last group that ends within it, or with the fourth of all.
    """
    inside = int(np.searchsorted(groups.of("number"), setup.last, side="right"))
    count = max(inside, LEAST_GROUPS)
    # One that ends behind it tells that no more belong to it.
    over = len(groups) > inside or (inside and groups.of("number")[-1] == setup.last)
    if not over or len(groups) < count:
        return None, len(groups)
    return Settling.of(groups.part(0, count)), max(count, known)


def change(base: Settling, groups: Groups, channel: str) -> FloatArray:
    """Return by how much a channel's range has changed [SI], at the load range of the baseline."""
    settled = base.median
    # A load that is short by little bends everything in proportion, to first order.
    share = settled.range(LOAD) / groups.range(LOAD)
    result: FloatArray = groups.range(channel) * share - settled.range(channel)
    return result


def unsure(setup: AgreementSetup, base: Settling, channel: str) -> float:
    """Return up to which change [SI] a channel's range may only scatter."""
    return _unsure(setup, channel, float(base.scatter.range(channel)[0]))


def unsure_mean(setup: AgreementSetup, base: Settling, channel: str) -> float:
    """Return up to which change [SI] a channel's mean may only scatter."""
    return _unsure(setup, channel, float(base.scatter.mean(channel)[0]))


def _unsure(setup: AgreementSetup, channel: str, scatter: float) -> float:
    least = setup.explained(channel)
    return max(least, SCATTERS * scatter) if math.isfinite(scatter) else least
