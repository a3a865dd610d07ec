"""What a series says of each hypothesis: evidence, effect, p, and one of four words.

Each hypothesis names groups in which a quantity is expected to be lower and groups in which it is
expected to be higher; what is weighed is that direction and its opposite. Nothing is proven.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from rig.lives.confounding import going_along
from rig.lives.deciding import goes_along, would_decide
from rig.lives.evidence import (
    Evidence,
    at_equal,
    between,
    of_lives,
    of_observations,
    of_ultimates,
    ultimate_groups,
)
from rig.lives.grouped import groups_of
from rig.lives.null_sums import reached
from rig.lives.pooled import pooled
from rig.protocol.series import EQUAL_CONCRETE, EQUAL_LOAD

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.confounding import GoesAlong
    from rig.lives.grouped import LifeGroup
    from rig.lives.slopes import Measure
    from rig.protocol.series import Hypothesis, Series

Verdict = Literal["favoured", "disfavoured", "open", "too few"]

LEVEL: Final = 0.05
"""One-sided p that speaks for a direction. Common practice, no source."""

TINY: Final = 1e-12
"""A p below which it is no number for people."""

RULE: Final = (
    "favoured: chance alone does as much in the expected direction with p of 0.05 or less; "
    "disfavoured: the same in the opposite direction; open: neither, though these sizes could "
    "have reached it; too few: no outcome of these sizes reaches 0.05 in the expected direction. "
    "At equal levels the interval with the error of the levels must leave out 1 as well. p is "
    "one-sided, each hypothesis is weighed by itself, and of twenty that are wrong one is favoured "
    "by chance. Nothing is proven."
)
"""What the four words mean."""

_MEASURES: Final[dict[str, Measure]] = {
    EQUAL_LOAD: "load level",
    EQUAL_CONCRETE: "concrete level",
}


@dataclass(frozen=True, slots=True)
class Weighed:
    """A hypothesis beside what was found.

    `effect` is the quantity in the groups expected higher over that in the groups expected lower
    (life, ultimate load), or the share seen there less the share seen here (observation), with
    `low` and `high` at `confidence`; an open end is None. `p` is one-sided in the expected
    direction, `p_opposite` against it, `smallest_p` the least that these sizes can reach. What
    cannot be told is None. `evidence`, `warnings`, `along` (what goes along with the groups) and
    `decide` (what would decide it) are lines for people; `sizes` are the specimens of the groups
    `higher` and of those `lower`.
    """

    name: str
    verdict: Verdict
    why: str
    effect: float | None
    low: float | None
    high: float | None
    p: float | None
    smallest_p: float | None
    evidence: tuple[str, ...]
    quantity: str = ""
    p_opposite: float | None = None
    confidence: float = 0.90
    warnings: tuple[str, ...] = ()
    higher: tuple[str, ...] = ()
    lower: tuple[str, ...] = ()
    seen: str = ""
    sizes: tuple[int, int] = (0, 0)
    along: tuple[str, ...] = ()
    decide: tuple[str, ...] = ()


def weigh(
    series: Series, mode: str | None = None, confidence: float = 0.90, line: str | None = None
) -> tuple[Weighed, ...]:
    """Weigh each hypothesis of a series, in the order of the file.

    Lives by the exact log-rank test and the lognormal life ratio, ultimate loads by the exact rank
    test and the ratio of Fieller, observations by the exact test of two shares. `mode` counts other
    modes of failure as withdrawn; `confidence` is of the intervals; `line` names the published line
    of levels (see `slopes.code_slope`), else the slope of the series itself is taken where it tells
    one. The rule is `RULE`.
    """
    lives = {group.name: group for group in groups_of(series, mode)}
    along = going_along(series)
    return tuple(
        _judged(
            hypothesis,
            _evidence(series, lives, hypothesis, confidence, mode, line),
            confidence,
            along,
        )
        for hypothesis in series.hypotheses
    )


def _evidence(
    series: Series,
    lives: dict[str, LifeGroup],
    hypothesis: Hypothesis,
    confidence: float,
    mode: str | None,
    line: str | None,
) -> Evidence:
    if hypothesis.quantity == "ultimate":
        higher, lower = (
            ultimate_groups(series, names) for names in (hypothesis.higher, hypothesis.lower)
        )
        return of_ultimates(higher, lower, confidence)
    if hypothesis.quantity == "observation":
        return of_observations(series, hypothesis, confidence)
    high, low = ([lives[name] for name in names] for names in (hypothesis.higher, hypothesis.lower))
    if hypothesis.quantity in _MEASURES:
        measure = _MEASURES[hypothesis.quantity]
        return at_equal(series, high, low, measure, confidence, mode, line)
    return of_lives(pooled(high), pooled(low), confidence)


def _judged(
    hypothesis: Hypothesis, found: Evidence, confidence: float, along: Sequence[GoesAlong]
) -> Weighed:
    verdict, reason = _verdict(found)
    besides = goes_along(hypothesis, along)
    return Weighed(
        name=hypothesis.name,
        verdict=verdict,
        why="; ".join(x for x in (_effect(hypothesis, found, confidence), reason) if x),
        effect=found.effect,
        low=found.low,
        high=found.high,
        p=found.p,
        smallest_p=found.smallest_p,
        evidence=found.lines,
        quantity=hypothesis.quantity,
        p_opposite=found.p_opposite,
        confidence=confidence,
        warnings=found.warnings,
        higher=hypothesis.higher,
        lower=hypothesis.lower,
        seen=hypothesis.seen,
        sizes=found.sizes,
        along=besides,
        decide=would_decide(hypothesis, verdict, found.sizes, found.smallest_p, besides, LEVEL),
    )


def _verdict(found: Evidence) -> tuple[Verdict, str]:
    """Return one of the four words by `RULE`, and why."""
    p, opposite, least = found.p, found.p_opposite, found.smallest_p
    if p is None or opposite is None or least is None:
        return "too few", found.missing
    said = f"p {p:.2g}, smallest possible {f'{least:.2g}' if least > TINY else 'next to nothing'}"
    no_interval = found.low is None and found.high is None
    but = (
        "yet these lives tell no interval"
        if no_interval
        else "yet the error of the levels allows no difference"
    )
    if reached(p, LEVEL):
        if not found.by_interval or _beyond(found.low, found.no_effect):
            return "favoured", said
        return "open", f"{said}, {but}"
    if reached(opposite, LEVEL):
        against = f"p {opposite:.2g} in the opposite direction"
        if not found.by_interval or _beyond(found.no_effect, found.high):
            return "disfavoured", against
        return "open", f"{against}, {but}"
    return ("open" if reached(least, LEVEL) else "too few"), said


def _beyond(one: float | None, other: float | None) -> bool:
    """Tell whether one end is known and above the other, where that is known too."""
    return one is not None and other is not None and one > other


def _effect(hypothesis: Hypothesis, found: Evidence, confidence: float) -> str:
    """Say the effect with its interval, in the words of its quantity."""
    if found.low is None and found.high is None and found.effect is None:
        return ""
    higher, lower = (" and ".join(names) for names in (hypothesis.higher, hypothesis.lower))
    sure = f"{confidence * 100:.3g} %"
    if hypothesis.quantity == "observation":
        points = [100 * (end or 0.0) for end in (found.effect, found.low, found.high)]
        more = f"{points[0]:+.0f} points ({sure}: {points[1]:+.0f} to {points[2]:+.0f})"
        return f"share with {hypothesis.seen}, {higher} less {lower}: {more}"
    what = "ultimate loads" if hypothesis.quantity == "ultimate" else "lives"
    ends = between(found.low, found.high)
    if found.effect is None:
        return f"{what} of {higher} are {ends} times those of {lower} ({sure})"
    return f"{what} of {higher} are {found.effect:.3g} times those of {lower} ({sure}: {ends})"
