"""Where cycles begin: upward crossings of the middle of the previous cycle's range.

The rule, sample by sample: after a cycle has begun, the search is armed by the first sample below
middle - 10 % of range; the next cycle begins at the first sample after that at or above the
middle. Middle and range are those of the raw extremes of the cycle before the one that ends.

Each level depends on the cycle before. `boundaries` breaks that chain for whole blocks: it finds
rough crossings of one level, takes each cycle's extremes, and then places every crossing
exactly at its own level. Where that cannot be shown to equal the rule, `one_boundary`, which is
the rule itself, finds the next crossing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import SampleArray

HYSTERESIS: Final = 0.10
BAND: Final = 0.01  # of the range: levels this near to each other are handled together
_CHUNK: Final = 4096

IndexArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Level:
    """The middle and range [N] that the next crossing is looked for with."""

    middle: float
    span: float

    @property
    def arms_below(self) -> float:
        """Load [N] under which the search is armed."""
        return self.middle - HYSTERESIS * self.span


def level_of(high: float, low: float) -> Level:
    """Return the level that follows from a cycle's raw extremes [N]."""
    return Level((high + low) / 2, high - low)


def one_boundary(load: SampleArray, start: int, level: Level) -> int | None:
    """Return the index of the next crossing after `start`, None where the samples end before.

    Missing samples (NaN) neither arm nor cross.
    """
    armed = _first(load, start, level.arms_below, below=True)
    return None if armed is None else _first(load, armed, level.middle, below=False)


def _first(load: SampleArray, start: int, level: float, *, below: bool) -> int | None:
    for begin in range(start, len(load), _CHUNK):
        part = load[begin : begin + _CHUNK]
        hits = part < level if below else part >= level
        at = int(hits.argmax())
        if hits[at]:
            return begin + at
    return None


def boundaries(load: SampleArray, level: Level) -> tuple[IndexArray, Level]:
    """Return the crossings after index 0, where a cycle begins, and the level for the next one.

    `level` is the one for the first crossing; `load` has shape (frames,).
    """
    found: list[IndexArray] = []
    start = 0
    while True:
        some, level_after = _many(load[start:], level)
        if len(some) == 0:
            one = one_boundary(load, start, level)
            if one is None:
                return _joined(found), level
            some = np.array([one - start], np.int64)
            level_after = _raw_level(load[start:one], level)
        found.append(some + start)
        start = int(found[-1][-1])
        level = level_after


def _raw_level(cycle: SampleArray, before: Level) -> Level:
    """Return the level from a cycle's samples; the one before where none is valid."""
    high, low = float(np.fmax.reduce(cycle)), float(np.fmin.reduce(cycle))
    return level_of(high, low) if high > low else before


def _joined(found: list[IndexArray]) -> IndexArray:
    return np.concatenate(found) if found else np.empty(0, np.int64)


def _many(load: SampleArray, level: Level) -> tuple[IndexArray, Level]:
    """Return as many crossings as can be shown to be the rule's, perhaps none."""
    none = np.empty(0, np.int64), level
    band = BAND * level.span
    rough = _rough(load, level, band)
    if rough is None or len(rough) < 2:
        return none
    starts = np.concatenate(([0], rough[:-1]))
    ended = load[: rough[-1]]
    high = np.maximum.reduceat(ended, starts).astype(np.float64)
    low = np.minimum.reduceat(ended, starts).astype(np.float64)
    middles = np.concatenate(([level.middle], ((high + low) / 2)[:-1]))
    spans = np.concatenate(([level.span], (high - low)[:-1]))
    same = (
        (np.abs(middles - level.middle) <= band)
        & (HYSTERESIS * np.abs(spans - level.span) <= band)
        & (high > level.middle + 2 * band)
        & (low < level.arms_below - 2 * band)
    )
    width = max(int(np.diff(rough).min()) // 8, 2)
    inside = rough + width <= len(load)
    usable = same & inside
    count = len(rough) if usable.all() else int(usable.argmin())
    if count == 0:
        return none
    windows = load[rough[:count, None] + np.arange(width)]
    reached = windows >= middles[:count, None]
    exact = reached.argmax(axis=1)
    there = reached[np.arange(count), exact]
    count = count if there.all() else int(there.argmin())
    if count == 0:
        return none
    return rough[:count] + exact[:count], level_of(float(high[count - 1]), float(low[count - 1]))


def _rough(load: SampleArray, level: Level, band: float) -> IndexArray | None:
    """Return the earliest possible crossings, None where some are in doubt.

    A candidate rises through the lower edge of the band. It counts when the samples since the
    candidate before went surely below the arming level, it does not when they surely did not.
    """
    above = load >= level.middle - band
    candidates = np.flatnonzero(above[1:] & ~above[:-1]) + 1
    if len(candidates) == 0:
        return None
    starts = np.concatenate(([0], candidates[:-1]))
    lowest = np.minimum.reduceat(load[: candidates[-1]], starts)
    armed = lowest < level.arms_below - 2 * band
    # NaN is neither: comparisons with it are false.
    if not np.all(armed | (lowest > level.arms_below + 2 * band)):
        return None
    return candidates[armed].astype(np.int64)
