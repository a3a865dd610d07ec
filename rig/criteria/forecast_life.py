"""From a rate of softening, and from the lives of companions, to an interval of the life.

The faster a specimen softens in its secondary branch, the sooner it fails: log10 N = a - b log10
of the rate, known for concrete in compression and in bending (Sparks and Menzies 1973, Cornelissen
1984; their constants have not been seen). Here b is 1: what a specimen softens in its steady
branch, taken on to its end, is the same for all of its like, however long they last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LOW, MIDDLE, HIGH = 0.1, 0.5, 0.9  # of an 80 % interval
NORMAL_HIGH: Final = 1.2816
"""Standard deviations of a normal variable up to HIGH (any table)."""
_GRID: Final = 2000
_REACH: Final = 1.5  # decades to each side of the relation that are looked at


@dataclass(frozen=True, slots=True)
class Relation:
    """What rate times life of specimens is: mean and standard deviation of its log10.

    `soft` is that of flexibility, `sag` of deflection per load, both as shares of the baseline.
    `freedom` is the number of specimens it is from, less one.
    """

    soft: float
    sag: float
    scatter: float
    freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class Interval:
    """Counted cycles between which a failure is expected with 80 %, and the middle."""

    low: float
    median: float
    high: float

    def ratio(self, now: float) -> float:
        """Return the longest life that is left over the shortest, at a count."""
        return (self.high - now) / max(self.low - now, 1e-9)

    def sooner(self, other: Interval) -> Interval:
        """Return the interval of what comes first, where both may be the end."""
        return Interval(
            min(self.low, other.low), min(self.median, other.median), min(self.high, other.high)
        )


def interval(
    now: float,
    since: float,
    life: float,
    freedom: float,
    spread: float,
    companions: tuple[float, ...] = (),
) -> Interval | None:
    """Return the interval of the count at failure, at count `now`; None where nothing is left.

    `life` is log10 of the cycles from count `since` to the failure as the relation has it, with
    `spread` and `freedom`. The lives of `companions` [cycles], three at least, are what was known
    before. A specimen that still bears has not failed: what lies behind `now` is left out.
    """
    least = math.log10(max(now - since, 1.0))
    decades = np.linspace(least, max(least, life) + _REACH, _GRID)
    cycles = since + 10**decades
    chance = _student((decades - life) / spread, freedom)
    if len(companions) > 2:
        logs = np.log10(companions)
        freedom = len(logs) - 1.0
        wide = float(np.std(logs, ddof=1)) * math.sqrt(1 + 1 / len(logs))
        before = _student((np.log10(cycles) - float(np.mean(logs))) / max(wide, 1e-3), freedom)
        chance = chance * before * (cycles - since) / cycles  # a density of log10 of the count
    total = np.concatenate(([0.0], np.cumsum(chance[1:] + chance[:-1])))
    if not total[-1] > 1e-12 * _GRID:
        return None
    low, middle, high = np.interp((LOW, MIDDLE, HIGH), total / total[-1], cycles)
    return Interval(float(low), float(middle), float(high))


def _student(x: FloatArray, freedom: float) -> FloatArray:
    """Return Student's density but for a constant; the normal one for an infinite freedom."""
    if math.isinf(freedom):
        normal: FloatArray = np.exp(-0.5 * x**2)
        return normal
    density: FloatArray = (1 + x**2 / freedom) ** (-(freedom + 1) / 2)
    return density
