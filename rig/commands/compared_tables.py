"""Tables of a comparison: lives, groups, tests, ratios, ultimate loads, what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.commands.tables import NONE, Printed, Row, number
from rig.lives.comparison import FORMS, MODELS, OUTLIVE

if TYPE_CHECKING:
    from rig.lives.comparison import Comparison, GroupTold, LifePair, UltimatePair
    from rig.lives.grouped import UltimateGroup
    from rig.lives.hypotheses import Weighed
    from rig.lives.observations import Seen
    from rig.lives.ratios import Ratio
    from rig.samples import FloatArray

COLUMNS: Final = (
    ("load\n%", 100.0, "levels"),
    ("concrete\n%", 100.0, "concrete"),
    ("tendon\nMPa", 1e-6, "tendon"),
    ("wet\nh", 1 / 3600, "wet"),
    ("stood\nh", 1 / 3600, "interruptions"),
)
"""What is told beside each life: head, factor, name in `LifeGroup`."""
SHORT: Final = {
    "tendon fracture": "tendon",
    "concrete crushing": "crushing",
    "bond or anchorage slip": "slip",
    "shear": "shear",
    "bearing": "bearing",
    "outside span": "outside",
    "undetermined": "unknown",
}
"""Modes of failure in one word: a table is narrow."""
LEAST_P: Final = 1e-4
"""A smaller p is written as a power of ten."""
NO_P: Final = 1e-99
"""A p below it may be zero for being too small to be a number."""
MOST_LIVES: Final = 30
"""Lives that are printed one by one."""
MOST_PAIRS: Final = 15
"""Pairs of groups that are printed."""
MOST_LOADS: Final = 8
"""Loads of a group that are printed one by one."""


def each_life(groups: Sequence[GroupTold], mode: str | None) -> Printed:
    """Return a row for each life, with those of its levels and times that somebody told."""
    shown = [
        column
        for column in COLUMNS
        if any(np.isfinite(getattr(group.lives, column[2])).any() for group in groups)
    ]
    rows: list[Row] = [
        (
            group.lives.specimens[i],
            group.lives.name,
            count(group.lives.cycles[i]),
            _end(group, i, mode),
            *(number(factor * getattr(group.lives, name)[i], 3) for _, factor, name in shown),
        )
        for group in groups
        for i in range(len(group.lives.cycles))
    ]
    return "Lives", ["group", "cycles\n", "end", *(c[0] for c in shown)], rows[:MOST_LIVES]


def _end(group: GroupTold, i: int, mode: str | None) -> str:
    """Return how a life ended; in brackets what does not count as a failure here."""
    lives = group.lives
    if lives.ran_out[i]:
        return "run-out"
    how = SHORT.get(lives.modes[i] or "", "failure")
    return how if lives.failed[i] or mode is None else f"({how})"


def groups_table(groups: Sequence[GroupTold]) -> Printed:
    """Return a row for each group with what its lives tell by themselves."""
    heads = ["failed\n", "median\ncycles", "Weibull\nshape", "lognormal\nsigma"]
    rows: list[Row] = [
        (
            group.lives.name,
            f"{int(group.lives.failed.sum())} of {len(group.lives.cycles)}",
            count(group.median),
            *_fitted(group),
            count(group.tolerance.life if group.tolerance else None),
        )
        for group in groups
    ]
    return "Groups", [*heads, f"{OUTLIVE * 100:.0f} %\noutlive"], rows


def _fitted(group: GroupTold) -> tuple[str, str]:
    weibull, lognormal = group.weibull, group.lognormal
    return (
        _held(weibull.shape, weibull.shape_low, weibull.shape_high, 2) if weibull else NONE,
        _held(lognormal.sigma, lognormal.sigma_low, lognormal.sigma_high, 2) if lognormal else NONE,
    )


def modes_table(groups: Sequence[GroupTold]) -> Printed:
    """Return what it makes of each median how those that ended otherwise are taken."""
    heads = ["withdrawn\n", "median\ncycles", "if they failed\njust then", "if they outlived\nall"]
    rows: list[Row] = [
        (
            group.lives.name,
            str(found.withdrawn),
            count(found.median),
            count(found.median_if_next),
            count(found.median_if_last),
        )
        for group in groups
        if (found := group.sensitivity) is not None
    ]
    return "Other modes", heads, rows


def sn_table(told: Comparison) -> Printed:
    """Return the S-N lines of all groups together, S as a share of the capacity."""
    rows: list[Row] = [
        (form, *(number(x, 4) for x in (line.a, line.b, line.sigma, line.log_likelihood)))
        for form, line in zip(FORMS, told.sn, strict=True)
        if line is not None
    ]
    return "S-N", ["a\n", "b\n", "sigma\n", "log-likelihood\n"], rows


def tests_table(pairs: Sequence[LifePair]) -> Printed:
    """Return the exact log-rank test of each pair."""
    rows: list[Row] = [
        (
            f"{pair.a.name}, {pair.b.name}",
            number(pair.test.observed_minus_expected, 3),
            _p(pair.test.p_exact_one_sided),
            _p(pair.test.smallest_p_one_sided),
            _p(pair.test.p_exact_two_sided),
            _p(pair.test.smallest_p_two_sided),
        )
        for pair in pairs
    ]
    return "Lives, a and b", ["O-E\n", "one-sided\np", "\nleast", "two-sided\np", "\nleast"], rows


def ratios_table(pairs: Sequence[LifePair]) -> Printed:
    """Return the life ratio of each pair by each model."""
    rows: list[Row] = [
        (f"{pair.a.name} over {pair.b.name}", *(_ratio(ratio) for ratio in pair.ratios))
        for pair in pairs
    ]
    return "Life ratio", [f"{model}\n" for model in MODELS], rows


def _ratio(ratio: Ratio | None) -> str:
    if ratio is None:
        return NONE
    if ratio.kind == "lower bound":
        return f"at least {number(ratio.low, 3)}"
    if ratio.kind == "upper bound":
        return f"at most {number(ratio.high, 3)}"
    return _held(ratio.ratio, ratio.low, ratio.high)


def loads_table(groups: Sequence[UltimateGroup]) -> Printed:
    """Return a row for each group with its ultimate loads; residual ones beside them."""
    rows: list[Row] = [
        (
            group.name,
            str(len(group.loads)),
            number(float(group.loads.mean()) / 1e3) if len(group.loads) else NONE,
            _variation(group.loads),
            _listed(group.loads),
            *([_listed(group.residual)] if any(len(g.residual) for g in groups) else []),
        )
        for group in groups
    ]
    heads = ["n\n", "mean\nkN", "variation\n%", "loads\nkN"]
    if any(len(group.residual) for group in groups):
        heads.append("residual\nkN")
    return "Ultimate loads", heads, rows


def _variation(loads: FloatArray) -> str:
    return number(100 * float(loads.std(ddof=1) / loads.mean()), 2) if len(loads) > 1 else NONE


def _listed(loads: FloatArray) -> str:
    shown = [number(load / 1e3) for load in np.sort(loads)]
    if len(shown) > MOST_LOADS:
        return f"{shown[0]} to {shown[-1]}"
    return ", ".join(shown) or NONE


def ultimate_tests_table(pairs: Sequence[UltimatePair]) -> Printed:
    """Return the tests of ultimate loads of each pair."""
    rows: list[Row] = [
        (
            f"{pair.a.name}, {pair.b.name}",
            number(None if (d := pair.test.difference) is None else d / 1e3, 3),
            _held(pair.test.ratio, pair.test.ratio_low, pair.test.ratio_high),
            _p(pair.test.p),
            _p(pair.test.p_rank),
            _p(pair.test.smallest_p_rank),
        )
        for pair in pairs
    ]
    heads = ["a - b\nkN", "a over b\n", "Welch\np", "ranks\np", "\nleast"]
    return "Ultimate, a and b", heads, rows


def seen_table(seen: Sequence[Seen]) -> Printed:
    """Return on how many specimens each sign was seen."""
    rows: list[Row] = [
        (
            found.looked_for,
            found.group,
            f"{found.seen} of {found.looked}",
            f"({found.low * 100:.0f} to {found.high * 100:.0f})",
        )
        for found in seen
    ]
    return "Seen", ["group", "on\n", "share\n%"], rows


def weighed_table(hypotheses: Sequence[Weighed]) -> Printed:
    """Return the word on each hypothesis, by its number in the file."""
    rows: list[Row] = [
        (f"{i}  {h.name}", h.verdict, _p(h.p), _p(h.smallest_p))
        for i, h in enumerate(hypotheses, 1)
    ]
    return "Hypotheses", ["word", "one-sided\np", "\nleast"], rows


def count(cycles: float | None) -> str:
    """Return a count of cycles, whole where it is large, "-" for none."""
    return number(cycles) if cycles is None or cycles < 1000 else f"{cycles:,.0f}"


def _p(p: float | None) -> str:
    """Return a p to two digits that count, "-" for none."""
    if p is None or p >= LEAST_P:
        return number(p, 2)
    return f"{p:.0e}" if p > NO_P else f"<{NO_P:.0e}"


def _held(value: float | None, low: float | None, high: float | None, digits: int = 3) -> str:
    """Return a value with its interval, to so many digits that count."""
    if low is None and high is None:
        return number(value, digits)
    return f"{number(value, digits)} ({number(low, digits)} to {number(high, digits)})"
