"""Life ratios at an equal level, with the error of what the levels are taken of.

A level is a load over a mean capacity. An error of that mean is common to all lives of a group:
no number of lives takes it away. The interval of the ratio is therefore shown without it and with
it, and the slope by which lives answer to levels says where it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.capacities import STRENGTH_TOLD
from rig.lives.level_errors import Moved, level_error, wider_ends
from rig.lives.pooled import part_of
from rig.lives.ratios import life_ratio
from rig.lives.slopes import APART, of_measure, two_levels

if TYPE_CHECKING:
    from rig.lives.capacities import Capacity
    from rig.lives.grouped import LifeGroup
    from rig.lives.location_scale import Model
    from rig.lives.slopes import Measure, Slope

DECADE: Final = math.log(10)
MOST_SHIFT: Final = 300.0
"""How far ln life is moved at most, whatever the slope: numbers hold it."""


@dataclass(frozen=True, slots=True)
class EqualLevel:
    """Lives of `a` over lives of `b`, both brought to one `level` [1; tendon range: Pa].

    `low` and `high` carry the error of the mean capacities and of the slope, `low_without` and
    `high_without` do not; `kind` as of `ratios.Ratio`, an end that is open is None.
    `decades_from_capacity` is the standard error of log10 of the ratio from the capacities of both,
    `decades_from_slope` that from the slope over the distance of the mean levels. `slope` is in
    decades of life for one of level (semilog) or one decade of level (loglog). `note` is that of
    `ratios.Ratio`.
    """

    measure: str
    ratio: float | None
    low: float | None
    high: float | None
    kind: str
    low_without: float | None
    high_without: float | None
    confidence: float
    level: float
    slope: float
    slope_from: str
    decades_from_capacity: float
    decades_from_slope: float
    model: str
    warnings: tuple[str, ...]
    note: str = ""


def mean_level(groups: Sequence[LifeGroup], measure: Measure) -> float | None:
    """Return the mean level of all lives that say theirs, None where none does."""
    levels = np.concatenate([of_measure(group, measure) for group in groups])
    known = levels[np.isfinite(levels) & (levels > 0.0)]
    return float(known.mean()) if known.size else None


def moved(group: LifeGroup, measure: Measure, slope: Slope, level: float) -> Moved | None:
    """Return the lives of a group as if it had run at `level`; None where none says its own.

    A run-out is moved as a failure is: it would have come as far.
    """
    levels = of_measure(group, measure)
    known = np.isfinite(levels) & (levels > 0.0)
    if not known.any():
        return None
    runs = np.array([slope.run(float(at), level) for at in levels[known]])
    shift = np.clip(slope.value * runs, -MOST_SHIFT, MOST_SHIFT)
    lives = part_of(group, known)
    return Moved(
        lives=replace(lives, cycles=lives.cycles * np.exp(shift)),
        level=float(levels[known].mean()),
        spread=two_levels(levels[known]),
    )


def ratio_at_equal(
    a: LifeGroup,
    b: LifeGroup,
    measure: Measure,
    slope: Slope,
    capacity_a: Sequence[Capacity] = (),
    capacity_b: Sequence[Capacity] = (),
    confidence: float = 0.90,
    model: Model = "lognormal",
) -> EqualLevel | None:
    """Return the life ratio of `a` over `b` at the mean level of both; None where none tells.

    The capacities are what the levels are taken of: ultimate loads, or strengths of concrete; a
    tendon range is taken of none. Companions that both groups share move both levels alike and fall
    out. The error of the levels is added as a variance, with
    the degrees of freedom of Satterthwaite (Biometrics Bull. 2 (1946) 110, from memory); of
    one-sided bounds see `level_errors.wider_ends`.
    """
    level = mean_level([a, b], measure)
    if level is None:
        return None
    one, other = (moved(group, measure, slope, level) for group in (a, b))
    if one is None or other is None:
        return None

    plain = life_ratio(
        one.lives.cycles,
        one.lives.failed,
        other.lives.cycles,
        other.lives.failed,
        model,
        confidence,
    )
    if plain is None:
        return None
    sides = ((one, capacity_a, 1.0), (other, capacity_b, -1.0))
    error = level_error(slope, sides, (one, other))
    low, high = wider_ends(plain, error, one, other)
    return EqualLevel(
        measure=measure,
        ratio=plain.ratio,
        low=low,
        high=high,
        kind=plain.kind,
        low_without=plain.low,
        high_without=plain.high,
        confidence=confidence,
        level=level,
        slope=slope.value / DECADE * (DECADE if slope.form == "loglog" else 1.0),
        slope_from=slope.origin,
        decades_from_capacity=error.capacity / DECADE,
        decades_from_slope=error.slope / DECADE,
        model=model,
        warnings=(
            *_doubts(measure, (a, b), (one, other), slope),
            *_of_capacities(measure, (a, b), (capacity_a, capacity_b)),
        ),
        note=plain.note,
    )


def _doubts(
    measure: Measure, groups: Sequence[LifeGroup], both: Sequence[Moved], slope: Slope
) -> list[str]:
    doubts = []
    for group, side in zip(groups, both, strict=True):
        missing = len(group.cycles) - len(side.lives.cycles)
        if missing:
            doubts.append(f"{missing} of {group.name} do not say their {measure}: left out")
    apart = abs(both[0].level - both[1].level) / max(side.level for side in both)
    if apart > APART:
        doubts.append(
            f"mean {measure}s are {100 * apart:.1f} % apart: the lives are brought together by "
            "the slope"
        )
        if not slope.error:
            doubts.append(
                f"the slope is of a published line; {slope.lines} such lines differ by "
                f"{100 * abs(slope.spread / slope.value):.0f} %, which is taken for its error"
                if slope.spread
                else "the slope is taken as it is: its error is not in the interval"
            )
    return doubts


def _of_capacities(
    measure: Measure,
    groups: Sequence[LifeGroup],
    capacities: Sequence[Sequence[Capacity]],
) -> list[str]:
    if measure == "tendon range":
        return []
    of = "capacity" if measure == "load level" else "strength of concrete"
    told_by = "companions" if measure == "load level" else STRENGTH_TOLD
    doubts = [
        f"{group.name} has no {told_by}: the error of its {of} is not in the interval"
        for group, told in zip(groups, capacities, strict=True)
        if not told
    ]
    return doubts + [c.note for told in capacities for c in told if c.note]
