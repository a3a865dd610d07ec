"""A comparison in plain words: what was seen, what chance explains, what remains possible."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final, get_args

from rig.lives.evidence import between
from rig.lives.hypotheses import Verdict

if TYPE_CHECKING:
    from rig.lives.at_levels import LeftOfWater
    from rig.lives.comparison import Comparison, LifePair, UltimatePair
    from rig.lives.grouped import LifeGroup
    from rig.lives.hypotheses import Weighed
    from rig.lives.logrank import LogRank
    from rig.lives.ratios import Ratio
    from rig.samples import FloatArray

MOST: Final = 6
"""Groups, and pairs of them, that are told in words; all stand in the tables."""
USUAL: Final = 0.05
"""The p below which much of the trade speaks of a difference; common practice, no source."""
SAME: Final = 1e-9
"""An O - E nearer to 0 than this is rounding."""
COUNTED: Final = 1000
"""Arrangements up to which a p is told as so many of them."""
NOTHING: Final = "There are no lives and no ultimate loads to compare."
NOTHING_PROVEN: Final = (
    "Nothing here is proven: a p tells how often chance alone does as much, not how likely a "
    "cause is; and groups differ in all that differs between them."
)


def words_of(told: Comparison) -> tuple[str, ...]:
    """Return sentences, in the order in which they are read."""
    groups = [group.lives for group in told.groups if len(group.lives.cycles)]
    by = f" by {told.mode}" if told.mode else ""
    if not groups and not any(len(group.loads) for group in told.ultimates):
        return (NOTHING,)
    return (
        *(f"{group.name}: {_seen(group, by)}." for group in groups[:MOST]),
        *(_pair(pair, told.of_ratios) for pair in told.pairs[:MOST]),
        *_left_of_water(told.water[: 3 * MOST], told.of_ratios),
        *(_loads(pair, told.confidence) for pair in told.ultimate_pairs[:MOST]),
        *_more(told),
        *_verdicts(told.hypotheses),
        NOTHING_PROVEN,
    )


def _seen(group: LifeGroup, by: str) -> str:
    """Say how many of a group failed and when."""
    failed, rest = group.cycles[group.failed], group.cycles[~group.failed]
    n = len(group.cycles)
    if not len(failed):
        none = "its one specimen did not fail" if n == 1 else f"none of {n} failed"
        return f"{none}{by}, {'ended' if by else 'taken off'} at {_span(rest)} cycles"
    if not len(rest):
        every = "its one specimen failed" if n == 1 else f"all {n} failed"
        return f"{every}{by}, at {_span(failed)} cycles"
    return (
        f"{len(failed)} of {n} failed{by}, at {_span(failed)} cycles; the rest ended at "
        f"{_span(rest)}"
    )


def _pair(pair: LifePair, confidence: float) -> str:
    """Say of two groups which lived longer, by how much, and how often chance does as much."""
    test, a, b = pair.test, pair.a.name, pair.b.name
    sizes = f"{len(pair.a.cycles)} against {len(pair.b.cycles)}"
    first, other = (a, b) if test.observed_minus_expected < 0 else (b, a)
    words = f"{first} outlived {other}"
    if abs(test.observed_minus_expected) < SAME:
        words, first = "neither outlived the other", ""
    words += _longer(pair.ratios[0], (a, b), first, f"{confidence * 100:.3g} %")
    least = test.smallest_p_two_sided
    never = f"; {sizes} never show less than {_p(least)}" if least > USUAL else ""
    return f"{a} and {b}: {words}. {_chance(test, a)}{never}."


def _chance(test: LogRank, a: str) -> str:
    """Say how often chance alone does as much."""
    p, only = test.p_exact_two_sided, test.p_exact_one_sided
    one_sided = f", {_p(only)} where only {a} could live longer" if only <= p else ""
    if test.exact and test.arrangements <= COUNTED:
        within = " within batches" if test.stratified else ""
        of = f"{round(p * test.arrangements)} of {test.arrangements} arrangements{within}"
        return f"Chance alone does as much in {of} (p {_p(p)} either way{one_sided})"
    return f"Chance alone does as much with p {_p(p)} either way{one_sided}"


def _longer(ratio: Ratio | None, names: tuple[str, str], first: str, sure: str) -> str:
    """Return by how much one lived longer, with a comma before it; "" where nothing tells.

    Who is named only where it is another than `first`, who outlived by the test.
    """
    if ratio is None:
        return ""
    inverse = ratio.kind == "upper bound" or (ratio.ratio is not None and ratio.ratio < 1)
    ends = [ratio.ratio, ratio.low, ratio.high]
    if inverse:
        ends = [1 / end if end else None for end in (ratio.ratio, ratio.high, ratio.low)]
    middle, low, high = ends
    name = names[1] if inverse else names[0]
    who = "" if name == first else f"{name} "
    if low is None:
        return ""
    if middle is None or high is None:
        return f", {who}at least {_g(low)} times as long ({sure} bound)"
    none = "; 1 is among them, so no difference is excluded" if low <= 1 <= high else ""
    return f", {who}{_g(middle)} times as long ({sure}: {_g(low)} to {_g(high)} times{none})"


def _left_of_water(water: Sequence[LeftOfWater], confidence: float) -> list[str]:
    """Answer for each dry and wet group what is left of water at each equal level."""
    lines = []
    for (dry, wet), answers in groupby(water, lambda x: (x.dry, x.wet)):
        parts = [_at_equal(answer) for answer in answers]
        told = ", ".join(part for part in parts if part)
        if told:
            lines.append(
                f"Left of water, lives of {dry} over {wet}: {told} ({confidence * 100:.3g} %)."
            )
    return lines


def _at_equal(answer: LeftOfWater) -> str:
    equal = answer.equal
    if equal is None:
        return ""
    times = "" if equal.ratio is None else f"{_g(equal.ratio)} times, "
    return f"{times}{between(equal.low, equal.high)} at equal {equal.measure}"


def _loads(pair: UltimatePair, confidence: float) -> str:
    test, a, b = pair.test, pair.a, pair.b
    means = f"{a.loads.mean() / 1e3:.4g} and {b.loads.mean() / 1e3:.4g} kN in the mean"
    words = f"Ultimate loads of {a.name} and {b.name}, {means}:"
    if test.p is None or test.ratio_low is None or test.ratio_high is None:
        return f"{words} too few, or without spread, to say more."
    low, high = (100 * (end - 1) for end in (test.ratio_low, test.ratio_high))
    shown = "a difference is shown" if test.p < USUAL else "no difference is shown"
    return (
        f"{words} {shown} (p {_p(test.p)} either way); "
        f"{a.name} may carry {_off(low)} to {_off(high)} ({confidence * 100:.3g} %)."
    )


def _verdicts(hypotheses: Sequence[Weighed]) -> list[str]:
    """Return a line for each of the four words that was given."""
    return [
        f"{word.capitalize()}: {'; '.join(names)}."
        for word in get_args(Verdict)
        if (names := [f'"{h.name}"' for h in hypotheses if h.verdict == word])
    ]


def _more(told: Comparison) -> list[str]:
    rest = max(len(told.pairs), len(told.ultimate_pairs)) - MOST
    return [f"{rest} further pairs stand in the tables."] if rest > 0 else []


def _off(percent: float) -> str:
    return f"{abs(percent):.1f} % {'more' if percent >= 0 else 'less'}"


def _g(ratio: float) -> str:
    return f"{ratio:.2g}" if ratio < 100 else f"{float(f'{ratio:.2g}'):,.0f}"


def _p(p: float) -> str:
    return f"{p:.2g}"


def _span(cycles: FloatArray) -> str:
    low, high = _count(cycles.min()), _count(cycles.max())
    return low if low == high else f"{low} to {high}"


def _count(cycles: float) -> str:
    """Return a count, whole where it is large."""
    return f"{cycles:,.0f}" if cycles >= 1000 else f"{cycles:.4g}"
