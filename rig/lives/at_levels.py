"""Groups of a series beside each other at equal levels: slope and capacities looked up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.capacities import pooled_capacities
from rig.lives.grouped import groups_of
from rig.lives.levels import mean_level, ratio_at_equal
from rig.lives.pooled import pooled
from rig.lives.slopes import MEASURES, code_slope, own_slope

if TYPE_CHECKING:
    from rig.lives.grouped import LifeGroup
    from rig.lives.levels import EqualLevel
    from rig.lives.location_scale import Model
    from rig.lives.slopes import Measure, Slope
    from rig.protocol.series import Series


@dataclass(frozen=True, slots=True)
class LeftOfWater:
    """What is left of water in one measure: dry lives over wet ones at an equal level.

    Where `equal` is None, `why` says what is missing.
    """

    dry: str
    wet: str
    measure: Measure
    equal: EqualLevel | None
    why: str


def slope_of(
    groups: Sequence[LifeGroup], measure: Measure, line: str | None = None
) -> Slope | None:
    """Return the slope of the groups: their own where they tell one and no line is asked for.

    Else that of the published line at the mean level (see `slopes.code_slope`), with the mean R of
    the concrete where it is told. None where no level is told.
    """
    level = mean_level(groups, measure)
    if level is None:
        return None
    own = own_slope(groups, measure) if line is None else None
    if own is not None:
        return own
    high = np.concatenate([group.concrete for group in groups])
    low = np.concatenate([group.concrete_low for group in groups])
    known = np.isfinite(high) & np.isfinite(low) & (high > 0.0)
    ratio = float((low[known] / high[known]).mean()) if known.any() else None
    return code_slope(measure, level, ratio, line=line)


def equal_level(
    series: Series,
    a: Sequence[LifeGroup],
    b: Sequence[LifeGroup],
    measure: Measure,
    confidence: float = 0.90,
    model: Model = "lognormal",
    line: str | None = None,
) -> EqualLevel | None:
    """Return the life ratio of the groups `a` over the groups `b` at an equal level.

    The slope is that of all groups of the series (`slope_of`), the capacities are those of the
    companions. None where a side has no life with a level, or tells no ratio.
    """
    one, other = pooled(a), pooled(b)
    slope = slope_of(groups_of(series), measure, line)
    if slope is None:
        return None
    of_a, of_b = (
        pooled_capacities(series, {group.name: len(group.cycles) for group in side})
        for side in (a, b)
    )
    return ratio_at_equal(one, other, measure, slope, of_a, of_b, confidence, model)


def left_of_water(
    series: Series,
    mode: str | None = None,
    confidence: float = 0.90,
    model: Model = "lognormal",
) -> tuple[LeftOfWater, ...]:
    """Answer for each dry group beside each wet one, and each measure, what is left of water."""
    groups = [group for group in groups_of(series, mode) if len(group.cycles)]
    exposures = {name: factors.get("exposure") for name, factors in series.groups.items()}
    dry = [group for group in groups if exposures[group.name] in (None, "dry")]
    wet = [group for group in groups if exposures[group.name] in ("spray", "submerged")]
    answers = []
    for one, other, measure in product(dry, wet, MEASURES):
        missing = [group.name for group in (one, other) if mean_level([group], measure) is None]
        if missing:
            why = f"{' and '.join(missing)} do not say their {measure}"
            answers.append(LeftOfWater(one.name, other.name, measure, None, why))
            continue
        equal = equal_level(series, [one], [other], measure, confidence, model)
        why = "" if equal else "these lives tell no ratio"
        answers.append(LeftOfWater(one.name, other.name, measure, equal, why))
    return tuple(answers)
