"""A whole series compared: each group by itself, each pair of groups, and each hypothesis."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.at_levels import left_of_water, other_pairs
from rig.lives.confounding import confounded
from rig.lives.curves import median_life, product_limit
from rig.lives.doubted import (
    Doubt,
    of_groups,
    of_hypotheses,
    of_levels,
    of_pairs,
    unlike_levels,
)
from rig.lives.fits import fit_lognormal, fit_weibull, no_fit
from rig.lives.grouped import (
    LifeGroup,
    UltimateGroup,
    groups_of,
    left_out,
    ultimates_of,
)
from rig.lives.hypotheses import weigh
from rig.lives.logrank import logrank
from rig.lives.observations import seen_of
from rig.lives.ratios import life_ratio, no_ratio
from rig.lives.sn import fit_sn
from rig.lives.specimens import specimens_of
from rig.lives.tolerance import tolerance_bound
from rig.lives.ultimate import compare_ultimate
from rig.lives.withdrawn import sensitivity
from rig.protocol.series import SAME_LEVEL

if TYPE_CHECKING:
    from rig.lives.at_levels import AtLevel, LeftOfWater
    from rig.lives.censored import BoolArray
    from rig.lives.curves import Curve
    from rig.lives.fits import Lognormal, Weibull
    from rig.lives.hypotheses import Weighed
    from rig.lives.location_scale import Model
    from rig.lives.logrank import LogRank
    from rig.lives.observations import Seen
    from rig.lives.ratios import Ratio
    from rig.lives.sn import SN, Form
    from rig.lives.specimens import Specimen
    from rig.lives.tolerance import Tolerance
    from rig.lives.ultimate import UltimateTest
    from rig.lives.withdrawn import Sensitivity
    from rig.protocol.series import Series
    from rig.samples import FloatArray

MODELS: Final[tuple[Model, ...]] = ("lognormal", "weibull")
FORMS: Final[tuple[Form, ...]] = ("semilog", "loglog")
OUTLIVE: Final = 0.90
"""Share of specimens that outlive a tolerance bound. Common practice, no source."""
CONFIDENCE: Final = 0.95
"""Of intervals of one group, of its fits and of ultimate loads, where nobody asks for another."""
OF_RATIOS: Final = 0.90
"""Of life ratios: either end then holds with 95 %. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class GroupTold:
    """What one group tells by itself; None where it cannot, and `no_fit` then says why.

    `tolerance` is the bound that `OUTLIVE` of all such specimens outlive; `sensitivity`, where one
    mode is compared for, what it makes of the median how the others are taken.
    """

    lives: LifeGroup
    curve: Curve | None
    median: float | None
    weibull: Weibull | None
    lognormal: Lognormal | None
    no_fit: str | None
    sn: tuple[SN | None, ...]
    tolerance: Tolerance | None
    sensitivity: Sensitivity | None


@dataclass(frozen=True, slots=True)
class LifePair:
    """The lives of group `a`, the earlier in the file, beside those of `b`; ratios are a over b."""

    a: LifeGroup
    b: LifeGroup
    test: LogRank
    ratios: tuple[Ratio | None, ...]
    no_ratio: str | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UltimatePair:
    """The ultimate loads of group `a`, the earlier in the file, beside those of `b`."""

    a: UltimateGroup
    b: UltimateGroup
    test: UltimateTest


@dataclass(frozen=True, slots=True)
class Comparison:
    """All that a series tells. `sn` is of all groups together, in the order of `FORMS`.

    `ratios` of a pair are in the order of `MODELS`. `mode` is the one compared for, None for any.
    `water` is of each dry group beside each wet one, `at_levels` of all other pairs;
    `specimens` are all entries, counted or not.
    """

    title: str
    mode: str | None
    confidence: float
    of_ratios: float
    groups: tuple[GroupTold, ...]
    pairs: tuple[LifePair, ...]
    sn: tuple[SN | None, ...]
    water: tuple[LeftOfWater, ...]
    at_levels: tuple[AtLevel, ...]
    ultimates: tuple[UltimateGroup, ...]
    ultimate_pairs: tuple[UltimatePair, ...]
    hypotheses: tuple[Weighed, ...]
    seen: tuple[Seen, ...]
    left_out: tuple[str, ...]
    warnings: tuple[Doubt, ...]
    specimens: tuple[Specimen, ...]


def compared(
    series: Series,
    mode: str | None = None,
    confidence: float | None = None,
) -> Comparison:
    """Return what a series tells, for one `mode` of failure or for any.

    `confidence` (0 to 1) is of every interval; without it `OF_RATIOS` for life ratios and
    `CONFIDENCE` for the rest. No assumption that is broken refuses anything: it is said in the
    warnings.
    """
    common, of_ratios = confidence or CONFIDENCE, confidence or OF_RATIOS
    groups = groups_of(series, mode)
    loads = ultimates_of(series)
    pairs = tuple(
        _life_pair(a, b, of_ratios)
        for a, b in combinations([g for g in groups if len(g.cycles)], 2)
    )
    ultimate_pairs = tuple(
        UltimatePair(a, b, compare_ultimate(a.loads, b.loads, common, (a.name, b.name)))
        for a, b in combinations([g for g in loads if len(g.loads)], 2)
    )
    water = left_of_water(series, mode, of_ratios)
    at_levels = tuple(other_pairs(series, water, mode, of_ratios))
    hypotheses = weigh(series, mode, of_ratios)
    doubts = [
        *(Doubt("", words) for words in series.warnings),
        *(Doubt("", words) for words in confounded(series)),
        *of_groups(groups),
        *of_pairs(pairs, ultimate_pairs),
        *of_levels(water, at_levels),
    ]
    doubts += of_hypotheses(hypotheses, doubts)
    together = (
        np.concatenate([g.levels for g in groups]),
        np.concatenate([g.cycles for g in groups]),
        np.concatenate([g.failed for g in groups]),
    )
    return Comparison(
        title=series.title,
        mode=mode,
        confidence=common,
        of_ratios=of_ratios,
        groups=tuple(_told(group, mode, common) for group in groups),
        pairs=pairs,
        sn=tuple(_sn(*together, form, common) for form in FORMS),
        water=water,
        at_levels=at_levels,
        ultimates=loads,
        ultimate_pairs=ultimate_pairs,
        hypotheses=hypotheses,
        seen=seen_of(series, common),
        left_out=left_out(series),
        warnings=tuple(dict.fromkeys(doubts)),
        specimens=specimens_of(series),
    )


def _told(group: LifeGroup, mode: str | None, confidence: float) -> GroupTold:
    if not len(group.cycles):
        return GroupTold(group, None, None, None, None, "no lives", (None, None), None, None)
    lives = group.cycles, group.failed
    curve = product_limit(*lives, confidence)
    return GroupTold(
        lives=group,
        curve=curve,
        median=median_life(curve),
        weibull=fit_weibull(*lives, confidence),
        lognormal=fit_lognormal(*lives, confidence),
        no_fit=no_fit(*lives),
        sn=tuple(_sn(group.levels, *lives, form, confidence) for form in FORMS),
        tolerance=tolerance_bound(*lives, OUTLIVE, confidence),
        sensitivity=sensitivity(group.cycles, ~group.ran_out, group.modes, mode) if mode else None,
    )


def _sn(
    levels: FloatArray, cycles: FloatArray, failed: BoolArray, form: Form, confidence: float
) -> SN | None:
    """Return the S-N line of the lives whose load level is told, None where there is none."""
    known = np.isfinite(levels)
    if not known.any() or np.ptp(levels[known]) < SAME_LEVEL:
        return None
    return fit_sn(levels[known], cycles[known], failed[known], form, confidence)


def _life_pair(a: LifeGroup, b: LifeGroup, confidence: float) -> LifePair:
    lives = a.cycles, a.failed, b.cycles, b.failed
    test = logrank(*lives, a.batch, b.batch)
    ratios = tuple(life_ratio(*lives, model, confidence) for model in MODELS)
    return LifePair(a, b, test, ratios, no_ratio(*lives), (*test.warnings, *unlike_levels(a, b)))
