"""What a planned series is taken to be: by its plan, else by what was tested, else by words."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.capacities import ASSUMED as VARIATION
from rig.lives.grouped import groups_of, ultimates_of
from rig.lives.slopes import code_slope, own_slope

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.grouped import LifeGroup
    from rig.protocol.series import Series
    from rig.protocol.series_plan import SeriesPlan

SCATTER: Final = 0.6
"""Standard deviation of ln life at one level where no lives tell it: 0.26 decades, within the 0.21
to 0.27 decades of plain concrete at 75 % of its strength and above (the data of Castillo and Hadi,
J. Am. Stat. Assoc. 90 (1995) 1041)."""

LEVEL: Final = 0.7
RUN_OUTS: Final = (2e6, 10e6)
"""Common practice, no source."""


class NotTold(ValueError):
    """Neither the plan nor what has been tested tells what is needed: problem and remedy."""

    def __init__(self, field: str, problem: str, remedy: str) -> None:
        super().__init__(f"{field}: {problem}; {remedy}")
        self.field = field
        self.problem = problem
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Assumed:
    """What a plan stands on; `origins` says of each in words where it comes from.

    `a` is expected to outlive `b`. `life` is the median [cycles] of b, `scatter` the standard
    deviation of ln life, `level` a load level (fraction), `variation` the standard deviation of
    ultimate loads over their mean, `sensitivity` how far ln life moves with ln level, `run_outs`
    [cycles]. `tested` are how many lives of a and b there are, `companions` how many ultimate
    loads.
    """

    a: str
    b: str
    life: float
    scatter: float
    level: float
    variation: float
    sensitivity: float
    run_outs: tuple[float, ...]
    tested: tuple[int, int]
    companions: tuple[int, int]
    origins: dict[str, str]


def assumed(series: Series, plan: SeriesPlan) -> Assumed:
    """Return what a plan stands on. NotTold where something is told neither here nor there."""
    by_name = {group.name: group for group in groups_of(series)}
    names, groups_from = _groups(series, plan)
    pair = [by_name[name] for name in names]
    loads = {group.name: group.loads for group in ultimates_of(series)}
    level, level_from = _level(plan, pair)
    sensitivity, slope_from = _sensitivity(plan, tuple(by_name.values()), level)
    life, life_from = _life(plan, pair[1])
    scatter, scatter_from = _scatter(plan, pair)
    variation, variation_from = _variation(plan, [loads[name] for name in names])
    run_outs, run_outs_from = _run_outs(plan, pair)
    return Assumed(
        a=names[0],
        b=names[1],
        life=life,
        scatter=scatter,
        level=level,
        variation=variation,
        sensitivity=sensitivity,
        run_outs=run_outs,
        tested=(len(pair[0].cycles), len(pair[1].cycles)),
        companions=(len(loads[names[0]]), len(loads[names[1]])),
        origins={
            "groups": groups_from,
            "life": life_from,
            "scatter": scatter_from,
            "level": level_from,
            "variation": variation_from,
            "slope": slope_from,
            "run-out": run_outs_from,
        },
    )


PLANNED: Final = "as planned"


def _groups(series: Series, plan: SeriesPlan) -> tuple[tuple[str, str], str]:
    if plan.groups is not None:
        return plan.groups, PLANNED
    for told in series.hypotheses:
        if told.quantity.startswith("life") and told.higher and told.lower:
            return (told.higher[0], told.lower[0]), f'by the hypothesis "{told.name}"'
    first = list(series.groups)[:2]
    if len(first) < 2:
        raise NotTold("groups", "there is one only: nothing to compare", "add a second one")
    return (first[0], first[1]), "the first two of the file"


def _level(plan: SeriesPlan, pair: Sequence[LifeGroup]) -> tuple[float, str]:
    if plan.level is not None:
        return plan.level, PLANNED
    told = [x for group in pair for x in group.levels.tolist() if math.isfinite(x)]
    if told:
        return Counter(told).most_common(1)[0][0], "that of most lives so far"
    return LEVEL, "common practice, no source"


def _sensitivity(plan: SeriesPlan, groups: Sequence[LifeGroup], level: float) -> tuple[float, str]:
    if plan.slope is not None:
        return plan.slope * math.log(10.0) * level, PLANNED
    slope = own_slope(groups, "load level") or code_slope("load level", level)
    return abs(slope.sensitivity(level)), slope.origin


def _life(plan: SeriesPlan, group: LifeGroup) -> tuple[float, str]:
    if plan.life is not None:
        return plan.life, PLANNED
    from rig.lives.fits import fit_lognormal, quantile

    if group.failed.any():
        many = (
            f"{len(group.cycles)} {'life' if len(group.cycles) == 1 else 'lives'} of {group.name}"
        )
        fit = fit_lognormal(group.cycles, group.failed)
        if fit is not None:
            return quantile(fit, 0.5), f"lognormal fit of {many}"
        return float(np.median(group.cycles)), f"middle of {many}"
    raise NotTold(
        "plan.life",
        f"is missing: no failure of {group.name} tells how long it lives",
        'add life = "200000 cycles" to [plan], the median you expect',
    )


def _scatter(plan: SeriesPlan, pair: Sequence[LifeGroup]) -> tuple[float, str]:
    """Return the common scatter of both groups, its square corrected for the means fitted."""
    if plan.scatter is not None:
        return plan.scatter, PLANNED
    from rig.lives.fits import fit_lognormal

    squares, freedom = 0.0, 0
    for group in pair:
        failures = int(group.failed.sum())
        fit = fit_lognormal(group.cycles, group.failed) if failures > 1 else None
        if fit is not None:
            squares += failures * fit.sigma**2
            freedom += failures - 1
    if freedom:
        return math.sqrt(squares / freedom), f"failures so far, {freedom} degrees of freedom"
    return SCATTER, "plain concrete in compression (Castillo and Hadi 1995)"


def _variation(plan: SeriesPlan, loads: Sequence[np.ndarray]) -> tuple[float, str]:
    if plan.variation is not None:
        return plan.variation, PLANNED
    told = [x for x in loads if len(x) > 1]
    freedom = sum(len(x) - 1 for x in told)
    if freedom:
        squares = sum(float(((x / x.mean() - 1.0) ** 2).sum()) for x in told)
        found = math.sqrt(squares / freedom)
        if found > 0.0:
            return found, f"companions so far, {freedom} degrees of freedom"
    return VARIATION, "common practice, no source"


def _run_outs(plan: SeriesPlan, pair: Sequence[LifeGroup]) -> tuple[tuple[float, ...], str]:
    if plan.run_outs is not None:
        return plan.run_outs, PLANNED
    told = sorted({x for group in pair for x in group.cycles[group.ran_out].tolist()})
    if told:
        return tuple(told), "those of the run-outs so far"
    return RUN_OUTS, "common practice, no source"
