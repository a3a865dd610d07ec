"""Groups of a series beside each other at equal levels: slope and capacities looked up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.capacities import capacity_of, pooled_capacities, strength_of
from rig.lives.grouped import groups_of
from rig.lives.levels import mean_level, ratio_at_equal
from rig.lives.pooled import pooled
from rig.lives.slopes import MEASURES, code_slope, own_slope

if TYPE_CHECKING:
    from rig.lives.capacities import Capacity
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


@dataclass(frozen=True, slots=True)
class AtLevel:
    """The lives of group `a` over those of `b`, both brought to one level."""

    a: str
    b: str
    equal: EqualLevel


def slope_of(
    series: Series,
    measure: Measure,
    level: float,
    mode: str | None = None,
    line: str | None = None,
) -> Slope:
    """Return the slope of a series: its own where it tells one and no line is asked for.

    Groups of one exposure are taken for alike, others have a life of their own each. A published
    line (see `slopes.code_slope`) is taken at `level`, with the mean R of the concrete where it is
    told.
    """
    groups = groups_of(series, mode)
    own = own_slope(_by_exposure(series, groups), measure) if line is None else None
    if own is not None:
        return own
    high = np.concatenate([group.concrete for group in groups])
    low = np.concatenate([group.concrete_low for group in groups])
    known = np.isfinite(high) & np.isfinite(low) & (high > 0.0)
    ratio = float((low[known] / high[known]).mean()) if known.any() else None
    return code_slope(measure, level, ratio, line=line)


def _by_exposure(series: Series, groups: Sequence[LifeGroup]) -> list[LifeGroup]:
    alike: dict[str, list[LifeGroup]] = {}
    for group in groups:
        exposure = series.groups[group.name].get("exposure")
        alike.setdefault(f"exposure {exposure}" if exposure else group.name, []).append(group)
    return [pooled(members) for members in alike.values()]


def equal_level(
    series: Series,
    a: Sequence[LifeGroup],
    b: Sequence[LifeGroup],
    measure: Measure,
    confidence: float = 0.90,
    model: Model = "lognormal",
    mode: str | None = None,
    line: str | None = None,
) -> EqualLevel | None:
    """Return the life ratio of the groups `a` over the groups `b` at an equal level.

    The slope is that of the series (`slope_of`), the capacities are those of the companions of each
    group, of concrete the strengths that its factors tell. None where a side has no life with a
    level, or the lives tell no ratio.
    """
    one, other = pooled(a), pooled(b)
    level = mean_level([one, other], measure)
    if level is None:
        return None
    slope = slope_of(series, measure, level, mode, line)
    of_a, of_b = (_capacities(series, side, measure) for side in (a, b))
    return ratio_at_equal(one, other, measure, slope, of_a, of_b, confidence, model)


def _capacities(
    series: Series, groups: Sequence[LifeGroup], measure: Measure
) -> tuple[Capacity, ...]:
    """Return what the levels of some groups are taken of; a tendon range is taken of nothing."""
    if measure == "tendon range":
        return ()
    of = capacity_of if measure == "load level" else strength_of
    return pooled_capacities(series, {group.name: len(group.cycles) for group in groups}, of)


def left_of_water(
    series: Series,
    mode: str | None = None,
    confidence: float = 0.90,
    model: Model = "lognormal",
    line: str | None = None,
) -> tuple[LeftOfWater, ...]:
    """Answer for each dry group beside each wet one, and each measure, what is left of water."""
    groups = [group for group in groups_of(series, mode) if len(group.cycles)]
    exposures = {name: factors.get("exposure") for name, factors in series.groups.items()}
    dry = [group for group in groups if exposures[group.name] in (None, "dry")]
    wet = [group for group in groups if exposures[group.name] in ("spray", "submerged")]
    answers = []
    for one, other, measure in product(dry, wet, MEASURES):
        silent = [group.name for group in (one, other) if mean_level([group], measure) is None]
        if silent:
            why = f"no life of {' and '.join(silent)} says its {measure}"
            answers.append(LeftOfWater(one.name, other.name, measure, None, why))
            continue
        equal = equal_level(series, [one], [other], measure, confidence, model, mode, line)
        why = "" if equal else "these lives tell no ratio"
        answers.append(LeftOfWater(one.name, other.name, measure, equal, why))
    return tuple(answers)


def other_pairs(
    series: Series,
    answered: Sequence[LeftOfWater],
    mode: str | None = None,
    confidence: float = 0.90,
) -> Iterator[AtLevel]:
    """Return all pairs of groups that are not `answered`, at each level that both tell."""
    before = {frozenset((each.dry, each.wet)) for each in answered}
    groups = [group for group in groups_of(series, mode) if len(group.cycles)]
    for a, b in combinations(groups, 2):
        if frozenset((a.name, b.name)) in before:
            continue
        for measure in MEASURES:
            if None in (mean_level([a], measure), mean_level([b], measure)):
                continue
            equal = equal_level(series, [a], [b], measure, confidence, mode=mode)
            if equal is not None:
                yield AtLevel(a.name, b.name, equal)
