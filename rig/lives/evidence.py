"""What a series gives for a quantity, in groups expected higher and groups expected lower.

Of each: effect with interval, one-sided p in the expected direction and against it, the smallest p
that these sizes can reach, and lines for people.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.at_levels import equal_level, slope_of
from rig.lives.doubted import unlike_levels
from rig.lives.fieller import moments
from rig.lives.grouped import ultimates_of
from rig.lives.levels import mean_level, moved
from rig.lives.logrank import logrank
from rig.lives.observations import counted
from rig.lives.outliers import outlier
from rig.lives.pooled import pooled
from rig.lives.ratios import life_ratio, no_ratio
from rig.lives.shares import clopper_pearson, share_difference, share_test
from rig.lives.ultimate import Shown, compare_ultimate, outlier_words

if TYPE_CHECKING:
    from rig.lives.grouped import LifeGroup, UltimateGroup
    from rig.lives.levels import EqualLevel
    from rig.lives.slopes import Measure
    from rig.protocol.series import Hypothesis, Series

WRITTEN: Final = 10**9
"""Arrangements from which on their order is told: of thousands of specimens they fill pages."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was found, before it is judged; what cannot be told is None.

    `sizes` are the specimens that count, higher and lower.

    `no_effect` is the effect that speaks for neither. Where `by_interval` is set, a p alone does
    not count: the interval holds more error than the test.
    """

    lines: tuple[str, ...]
    effect: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    p_opposite: float | None = None
    smallest_p: float | None = None
    warnings: tuple[str, ...] = ()
    no_effect: float = 1.0
    by_interval: bool = False
    missing: str = ""
    sizes: tuple[int, int] = (0, 0)


def of_lives(higher: LifeGroup, lower: LifeGroup, confidence: float) -> Evidence:
    """Return what lives say: exact log-rank test and lognormal life ratio, higher over lower."""
    tested = _tested(higher, lower)
    if tested.missing:
        return tested
    tested = replace(tested, warnings=(*tested.warnings, *unlike_levels(higher, lower)))
    lives = higher.cycles, higher.failed, lower.cycles, lower.failed
    ratio = life_ratio(*lives, "lognormal", confidence)
    if ratio is None:
        why = no_ratio(*lives) or "these lives tell no ratio"
        return replace(tested, warnings=(*tested.warnings, why))
    return replace(tested, effect=ratio.ratio, low=ratio.low, high=ratio.high)


def at_equal(
    series: Series,
    higher: Sequence[LifeGroup],
    lower: Sequence[LifeGroup],
    measure: Measure,
    confidence: float,
    mode: str | None = None,
    line: str | None = None,
) -> Evidence:
    """Return what lives say once brought to one level.

    The exact test is of the lives as they are moved: it does not know the error of the levels,
    which is in the interval.
    """
    one, other = pooled(higher), pooled(lower)
    level = mean_level([one, other], measure)
    if level is None:
        return Evidence((), missing=f"no life says its {measure}")
    slope = slope_of(series, measure, level, mode, line)
    high, low = (moved(group, measure, slope, level) for group in (one, other))
    if high is None or low is None:
        silent = [group.name for group, side in ((one, high), (other, low)) if side is None]
        return Evidence((), missing=f"{' and '.join(silent)}: no life says its {measure}")
    tested = _tested(high.lives, low.lives)
    equal = equal_level(series, higher, lower, measure, confidence, mode=mode, line=line)
    found = replace(tested, by_interval=True)
    if equal is None:
        lives = high.lives.cycles, high.lives.failed, low.lives.cycles, low.lives.failed
        why = no_ratio(*lives) or "these lives tell no ratio"
        return replace(found, warnings=(*found.warnings, why))
    return replace(
        found,
        effect=equal.ratio,
        low=equal.low,
        high=equal.high,
        lines=(*found.lines, *_of_levels(equal)),
        warnings=(*found.warnings, *equal.warnings),
    )


def of_ultimates(
    higher: Sequence[UltimateGroup], lower: Sequence[UltimateGroup], confidence: float
) -> Evidence:
    """Return what ultimate loads say: exact rank test and ratio by Fieller, higher over lower."""
    groups = higher, lower
    empty = [_names(side) for side in groups if not any(len(group.loads) for group in side)]
    if empty:
        return Evidence((), missing=f"{' and '.join(empty)}: no ultimate load")
    high, low = (np.concatenate([group.loads for group in side]) for side in groups)
    test = compare_ultimate(high, low, confidence, (_names(higher), _names(lower)))
    far = [
        outlier_words(Shown(group.name, found), group.specimens[found.index])
        for side in groups
        for group in side
        if (found := outlier(group.loads)) is not None
    ]
    return Evidence(
        lines=tuple(_of_loads(group) for side in groups for group in side),
        effect=test.ratio,
        low=test.ratio_low,
        high=test.ratio_high,
        p=test.p_rank_higher,
        p_opposite=test.p_rank_lower,
        smallest_p=test.smallest_p_rank_higher,
        warnings=(*test.warnings, *far),
        sizes=(len(high), len(low)),
    )


def of_observations(series: Series, hypothesis: Hypothesis, confidence: float) -> Evidence:
    """Return what was seen: the exact test of two shares, and the share higher less that lower."""
    sign = hypothesis.seen
    higher, lower = (
        counted(series, sign, groups) for groups in (hypothesis.higher, hypothesis.lower)
    )
    test = share_test(*higher, *lower)
    difference = share_difference(*higher, *lower, confidence)
    lines = tuple(
        _of_sign(series, sign, group, confidence)
        for group in (*hypothesis.higher, *hypothesis.lower)
    )
    if test is None or difference is None:
        sides = ((hypothesis.higher, higher), (hypothesis.lower, lower))
        names = [" and ".join(groups) for groups, (_, looked) in sides if not looked]
        return Evidence(lines, missing=f"nobody looked for {sign} on {' or '.join(names)}")
    return Evidence(
        lines=lines,
        effect=difference.value,
        low=difference.low,
        high=difference.high,
        p=test.p_higher,
        p_opposite=test.p_lower,
        smallest_p=test.smallest_p_higher,
        no_effect=0.0,
        sizes=(higher[1], lower[1]),
    )


def ultimate_groups(series: Series, names: Sequence[str]) -> list[UltimateGroup]:
    """Return the ultimate loads of groups by their names."""
    by_name = {group.name: group for group in ultimates_of(series)}
    return [by_name[name] for name in names]


def _tested(higher: LifeGroup, lower: LifeGroup) -> Evidence:
    """Return the exact log-rank test in both directions, with the counts behind it."""
    empty = [group.name for group in (higher, lower) if not len(group.cycles)]
    if empty:
        return Evidence((), missing=f"{' and '.join(empty)}: no life")
    high = higher.cycles, higher.failed
    low = lower.cycles, lower.failed
    test = logrank(*high, *low, higher.batch, lower.batch)
    opposite = logrank(*low, *high, lower.batch, higher.batch)
    within = " within batches" if test.stratified else ""
    return Evidence(
        lines=(
            *(
                f"{group.name}: {int(group.failed.sum())} of {len(group.cycles)} failed"
                for group in (higher, lower)
            ),
            f"{_many(test.arrangements)} arrangements{within}",
        ),
        p=test.p_exact_one_sided,
        p_opposite=opposite.p_exact_one_sided,
        smallest_p=test.smallest_p_one_sided,
        warnings=test.warnings,
        sizes=(len(higher.cycles), len(lower.cycles)),
    )


def _many(arrangements: int) -> str:
    if arrangements < WRITTEN:
        return f"{arrangements:,}"
    return f"about 1e{round(math.log10(arrangements))}"


def _of_levels(equal: EqualLevel) -> list[str]:
    """Say how the lives were brought to one level, and what its error makes of the interval."""
    unit = "MPa" if equal.measure == "tendon range" else "%"
    level = equal.level / 1e6 if unit == "MPa" else equal.level * 100
    ends = (between(equal.low_without, equal.high_without), between(equal.low, equal.high))
    lines = [
        f"brought to a {equal.measure} of {level:.3g} {unit}, slope by {equal.slope_from}",
        f"{ends[0]} without the error of the levels, {ends[1]} with it",
    ]
    if equal.decades_from_capacity:
        lines.append(f"{equal.decades_from_capacity:.2g} decades of life from the mean capacities")
    return lines


def between(low: float | None, high: float | None) -> str:
    """Return the ends of an effect in words."""
    if low is None and high is None:
        return "no bounds"
    if high is None:
        return f"at least {low:.3g}"
    return f"at most {high:.3g}" if low is None else f"{low:.3g} to {high:.3g}"


def _of_loads(group: UltimateGroup) -> str:
    if not len(group.loads):
        return f"{group.name}: no ultimate load"
    found = moments(group.loads)
    spread = "" if found.variation is None else f", variation {100 * found.variation:.1f} %"
    many = f"{found.n} ultimate load{'s' * (found.n > 1)}"
    return f"{group.name}: {many}, mean {found.mean / 1e3:.4g} kN{spread}"


def _of_sign(series: Series, sign: str, group: str, confidence: float) -> str:
    seen, looked = counted(series, sign, [group])
    share = clopper_pearson(seen, looked, confidence)
    if share is None:
        return f"{group}: nobody looked for {sign}"
    ends = f"{100 * share.low:.0f} % to {100 * share.high:.0f} %"
    return f"{group}: {sign} on {seen} of {looked} ({ends})"


def _names(side: Sequence[UltimateGroup]) -> str:
    return " and ".join(group.name for group in side)
