"""What one more life, or one more companion, would buy: power, smallest p, width, station-days."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from rig.lives.power import SERIES, LifeDesign, LifePower, capacity_shift, life_powers

CONFIDENCE: Final = 0.90


@dataclass(frozen=True, slots=True)
class Size:
    """How many lives and companions the first and the second group have; each one at least."""

    lives_a: int
    lives_b: int
    companions_a: int
    companions_b: int


@dataclass(frozen=True, slots=True)
class Worth:
    """A size, what is added to reach it, and what it comes to.

    `factor` is by how much an interval of the life ratio reaches up and down, `factor_without` the
    same where the capacities were known; `days` are the station-days that are added.
    """

    added: str
    size: Size
    power: LifePower
    factor: float
    factor_without: float
    days: float


STEPS: Final[Mapping[str, tuple[int, int, int, int]]] = {
    "nothing": (0, 0, 0, 0),
    "one more life of a": (1, 0, 0, 0),
    "one more life of b": (0, 1, 0, 0),
    "one more life of each": (1, 1, 0, 0),
    "one more companion of a": (0, 0, 1, 0),
    "one more companion of b": (0, 0, 0, 1),
    "one more companion of each": (0, 0, 1, 1),
}
"""What is added: lives of a and b, companions of a and b."""


def what_one_more_buys(
    base: LifeDesign,
    companions: tuple[int, int],
    variation: float,
    sensitivity: float,
    days: tuple[float, float, float, float],
    significance: float = 0.05,
    series: int = SERIES,
    seed: int = 0,
) -> tuple[Worth, ...]:
    """Return a row for each of `STEPS`.

    `base` is the design there is, its shifts left out; `companions` of a and b, `variation` and
    `sensitivity` as of `power.capacity_shift`; `days` are station-days of a life of a and b, and of
    a companion of a and b. ValueError for an empty group.
    """
    sizes = {
        added: Size(base.n_a + a, base.n_b + b, companions[0] + c, companions[1] + d)
        for added, (a, b, c, d) in STEPS.items()
    }
    designs = [
        replace(
            base,
            n_a=size.lives_a,
            n_b=size.lives_b,
            shift_a=capacity_shift(variation, size.companions_a, sensitivity),
            shift_b=capacity_shift(variation, size.companions_b, sensitivity),
        )
        for size in sizes.values()
    ]
    powers = life_powers(designs, significance, series, seed)
    return tuple(
        Worth(
            added=added,
            size=size,
            power=power,
            factor=interval_factor(power.design),
            factor_without=interval_factor(replace(power.design, shift_a=0.0, shift_b=0.0)),
            days=sum(n * each for n, each in zip(STEPS[added], days, strict=True)),
        )
        for (added, size), power in zip(sizes.items(), powers, strict=True)
    )


def interval_factor(design: LifeDesign, confidence: float = CONFIDENCE) -> float:
    """Return by how much the interval of a life ratio is expected to reach up and down.

    Of lives that all fail: Student's t on the pooled scatter, the normal quantile on the shifts,
    added as squares. Run-outs widen it further. Infinite for one life in each group.
    """
    freedom = design.n_a + design.n_b - 2
    if freedom < 1:
        return math.inf
    from scipy.stats import norm, t

    each = 0.5 + confidence / 2
    lives = float(t.ppf(each, freedom)) * design.scatter
    lives *= math.sqrt(1 / design.n_a + 1 / design.n_b)
    capacity = float(norm.ppf(each)) * math.hypot(design.shift_a, design.shift_b)
    reach = math.hypot(lives, capacity)
    return math.exp(reach) if reach < 700.0 else math.inf
