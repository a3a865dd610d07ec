"""How far the error of levels, in capacities and slope, widens the interval of a life ratio."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.lives.profile import end_of
from rig.lives.ratios import ratio_of
from rig.lives.two_groups import fall

if TYPE_CHECKING:
    from rig.lives.capacities import Capacity
    from rig.lives.grouped import LifeGroup
    from rig.lives.ratios import Ratio
    from rig.lives.slopes import Slope

SHARES: Final = np.linspace(0.07, 0.98, 14)
"""Shares of the error of the levels that are tried for a one-sided bound."""


class Moved(NamedTuple):
    """Lives brought to one level, the mean level that they ran at, and whether that was not one."""

    lives: LifeGroup
    level: float
    spread: bool = False


class LevelError(NamedTuple):
    """Standard errors of ln of the ratio, and the degrees of freedom of both together.

    `fitted` tells that the lives were brought together by a slope of their own, which takes one
    degree of freedom from their scatter.
    """

    capacity: float
    slope: float
    df: float
    fitted: bool = False

    def half(self, tail: float) -> float:
        """Return how far the levels may be off, with `tail` of all chances beyond on one side."""
        from scipy.special import stdtrit

        return float(stdtrit(self.df, 1 - tail)) * math.hypot(self.capacity, self.slope)


Side = tuple[Moved, Sequence["Capacity"], float]
"""Lives, the capacities that their levels are taken of, and 1 for a, -1 for b."""


def level_error(slope: Slope, sides: Sequence[Side], both: tuple[Moved, Moved]) -> LevelError:
    """Return the error of ln of the ratio from the levels: of capacities and of the slope.

    Companions that both sides share move both levels alike and fall out. Degrees of freedom by
    Satterthwaite.
    """
    by_companions: dict[tuple[str, ...], list[tuple[float, Capacity]]] = defaultdict(list)
    for place, (side, capacities, sign) in enumerate(sides):
        for index, capacity in enumerate(capacities):
            # Companions without names are nobody else's.
            key = capacity.companions or (f"{place}.{index}",)
            weight = sign * capacity.weight * slope.sensitivity(side.level)
            by_companions[key].append((weight, capacity))
    parts = [
        ((sum(weight for weight, _ in shared) * shared[0][1].error) ** 2, shared[0][1].df)
        for shared in by_companions.values()
    ]
    of_capacity = sum(square for square, _ in parts)
    off, df_slope = slope.doubt
    of_slope = (off * slope.run(both[1].level, both[0].level)) ** 2
    # What the capacities are off by is worth more or less life as the slope is off itself.
    of_slope += (off / slope.value) ** 2 * of_capacity
    parts.append((of_slope, df_slope))
    total = of_capacity + of_slope
    shares = sum((square / total) ** 2 / df for square, df in parts) if total else 0.0
    df = 1 / shares if shares else math.inf
    fitted = slope.error > 0.0 and any(side.spread for side in both)
    return LevelError(math.sqrt(of_capacity), math.sqrt(of_slope), df, fitted)


def wider_ends(
    plain: Ratio, error: LevelError, one: Moved, other: Moved
) -> tuple[float | None, float | None]:
    """Return both ends of a ratio, wider by what the error of the levels adds to ln of it.

    To each side of an interval it is added as a variance, and t is that of the degrees of freedom
    of both: of the lives as many as failures beyond two. A one-sided bound has no estimate to add
    to: there the levels take a share u of how far they may be off and leave the lives 1 - u^2 of
    the fall of their likelihood, which is the same for a parabola, and the share that leads
    farthest is sought. That holds more often than it says.
    """
    if not (error.capacity or error.slope or error.fitted):
        return plain.low, plain.high
    if plain.kind == "interval" and plain.ratio and plain.low and plain.high:
        failures = int(one.lives.failed.sum() + other.lives.failed.sum())
        middle, low, high = (math.log(x) for x in (plain.ratio, plain.low, plain.high))
        df = max(failures - 2, 1)
        return (
            ratio_of(middle - _together(middle - low, df, error, plain.confidence)),
            ratio_of(middle + _together(high - middle, df, error, plain.confidence)),
        )
    tail = 1 - plain.confidence
    half = error.half(tail / 2 if plain.kind == "interval" else tail)
    if not half:
        return plain.low, plain.high
    profile = _Profile(plain, one, other)
    return (
        profile.bound(plain.low, half, 1.0) if plain.low else None,
        profile.bound(plain.high, half, -1.0) if plain.high else None,
    )


def _together(half: float, df: int, error: LevelError, confidence: float) -> float:
    """Return the half-width of an interval with one of `half`, `df` and the error of the levels."""
    from scipy.special import stdtrit

    share = (1 + confidence) / 2
    lives = (half / float(stdtrit(df, share))) ** 2
    if error.fitted and df > 1:
        lives, df = lives * df / (df - 1), df - 1
    levels = error.capacity**2 + error.slope**2
    total = lives + levels
    shares = (lives / total) ** 2 / df + (levels / total) ** 2 / error.df
    return float(stdtrit(1 / shares, share)) * math.sqrt(total)


class _Profile:
    """How the likelihood of both groups falls with ln of the ratio."""

    def __init__(self, plain: Ratio, one: Moved, other: Moved) -> None:
        self.model = plain.model
        logs = np.log(np.concatenate([one.lives.cycles, other.lives.cycles]))
        # About their mean, as far from rounding as may be.
        self.y = (logs - logs.mean())[:, None]
        self.failed = np.concatenate([one.lives.failed, other.lives.failed])[:, None]
        self.is_a = np.arange(len(logs)) < len(one.lives.cycles)

    def fall(self, delta: float) -> float:
        return float(fall(self.model, self.y, self.failed, self.is_a, delta)[0])

    def bound(self, end: float, half: float, inwards: float) -> float:
        """Return an end moved outwards; `inwards` is 1 for a low one, -1 for a high one."""
        start = math.log(end)
        allowed = self.fall(start)
        farthest = start
        for share in SHARES:
            at = end_of(
                lambda delta: allowed - self.fall(delta), start, inwards * half, allowed * share**2
            )
            if at is not None:
                farthest = inwards * min(inwards * farthest, inwards * at - share * half)
        return ratio_of(farthest)
