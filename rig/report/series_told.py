"""What the figures of a series show, in a sentence and a short table each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from rig.report.document import Drawn
from rig.report.measure import Cell, Part, Table, Told
from rig.report.series_figures import (
    MOST_ROWS,
    intervals_figure,
    levels_figure,
    lives_figure,
    look,
    measures_told,
    survival_figure,
    ultimates_figure,
    under,
)
from rig.report.series_numbers import UNTOLD, Numbers, Step, ranged

if TYPE_CHECKING:
    from rig.lives.comparison import Comparison

DRAWN: Final = (
    "series-lives",
    "series-levels",
    "series-survival",
    "series-ultimate",
    "series-ultimate-ratios",
    "series-life-ratios",
)
"""Names of all figures that there may be."""
MOST: Final = 15
"""Rows of the table beside a figure."""
_MEASURES: Final = {
    "levels": ("load level", "load_level", "%"),
    "concrete": ("concrete level", "concrete_level", "%"),
    "tendon": ("tendon range", "tendon_range_Pa", "Pa"),
}
"""Head, name in the object and unit of each measure of level."""


def lives_drawn(told: Comparison, numbers: Numbers) -> Drawn:
    """Return the figure of lives, a row for each group."""
    names = [(i, n) for i, n in enumerate(numbers.value("group_names"))]
    rows = [
        (
            numbers.words("group_names", i, kind="name"),
            *(numbers.measure("groups", name, field) for field in ("n", "failures", "run_outs")),
            numbers.measure("groups", name, "median_cycles", blank="not reached"),
        )
        for i, name in names
        if numbers.value("groups", name, "n")
    ]
    sentence = (
        "Lives of each group on a logarithmic axis of load cycles; a sign for each mode of "
        "failure, hollow with an arrow what did not fail.",
        *_more(rows),
    )
    heads = ("group", "lives", "failed", "did not", "median [cycles]")
    return Drawn(
        "series-lives",
        "Lives of each group",
        under(lives_figure, told),
        _told(sentence, heads, rows),
    )


def levels_drawn(told: Comparison, numbers: Numbers) -> Drawn | None:
    """Return the figure of lives against each measure of level, None where none is told."""
    measures = [_MEASURES[name] for name, _, _ in measures_told(told)]
    if not measures:
        return None
    rows = [
        (
            numbers.words("lives", i, "specimen", kind="name"),
            numbers.words("lives", i, "group", kind="name"),
            numbers.measure("lives", i, "cycles"),
            "failed" if numbers.value("lives", i, "failed") else "did not fail",
            *(
                numbers.measure("lives", i, field, unit=unit, blank=UNTOLD)
                for _, field, unit in measures
            ),
        )
        for i in range(len(numbers.value("lives")))
    ]
    of = " and ".join(head for head, _, _ in measures)
    missing = [
        head
        for name, (head, _, _) in _MEASURES.items()
        if (head, *_MEASURES[name][1:]) not in measures
    ]
    silent = f" No life tells its {' or '.join(missing)}." if missing else ""
    sentence = (
        f"Lives against {of}; beside the name of a group stands how many it has there.{silent}",
        *_more(rows),
    )
    heads = ("specimen", "group", "life [cycles]", "end", *(head for head, _, _ in measures))
    return Drawn(
        "series-levels",
        "Lives against the levels they were tested at",
        under(levels_figure, told),
        _told(sentence, heads, rows),
    )


def survival_drawn(told: Comparison, numbers: Numbers) -> Drawn:
    """Return the figure of product-limit curves."""
    rows: list[tuple[Cell, ...]] = []
    for i, name in enumerate(numbers.value("group_names")):
        steps = len(numbers.value("groups", name, "curve", "times") or ())
        for step in {0, steps - 1} if steps else ():
            at = ("groups", name, "curve")
            left = (numbers.measure(*at, f, step, unit="%") for f in ("survival", "low", "high"))
            rows.append(
                (
                    numbers.words("group_names", i, kind="name"),
                    "first failure" if step == 0 else "last failure",
                    numbers.measure(*at, "times", step),
                    ranged(*left),
                )
            )
    sentence = (
        "The share of each group that has not failed, with a band of ",
        numbers.measure("confidence", unit="%"),
        " of each step by itself; a tick stands where a specimen ran out.",
        # A group that only ran out has a curve and no step.
        *(_more(rows) or _more(told.groups, MOST_ROWS)),
    )
    heads = ("group", "at", "cycles", "left from there on")
    return Drawn(
        "series-survival",
        "Share that has not failed",
        under(survival_figure, told),
        _told(sentence, heads, rows),
    )


def ultimates_drawn(told: Comparison, numbers: Numbers) -> Drawn:
    """Return the figure of ultimate loads."""
    rows = [
        (
            numbers.words("group_names", i, kind="name"),
            numbers.measure("ultimates", name, "n"),
            numbers.measure("ultimates", name, "mean_N", unit="N", digits=4),
            _loads(numbers, name, "loads_N"),
            _loads(numbers, name, "residual_N"),
        )
        for i, name in enumerate(numbers.value("group_names"))
    ]
    sentence = (
        "Ultimate loads of each group beside their mean; residual loads hollow.",
        *_more(rows),
    )
    heads = ("group", "loads", "mean", "ultimate loads", "residual loads")
    return Drawn(
        "series-ultimate",
        "Ultimate loads",
        under(ultimates_figure, told),
        _told(sentence, heads, rows),
    )


def _loads(numbers: Numbers, name: str, field: str) -> tuple[Part, ...]:
    many = len(numbers.value("ultimates", name, field))
    if not many:
        return ("none",)
    values = [numbers.measure("ultimates", name, field, i, unit="N", digits=4) for i in range(many)]
    if many > MOST:
        ends = sorted(values, key=lambda load: load.value)
        return (ends[0], " to ", ends[-1])
    return tuple(part for load in values for part in (", ", load))[1:]


def ratios_drawn(numbers: Numbers) -> Drawn | None:
    """Return the figure of life ratios with their intervals, None where there are none."""
    found: list[tuple[tuple[Part, ...], tuple[Step, ...]]] = []
    for i in range(len(numbers.value("life_ratios"))):
        at = ("life_ratios", i)
        if numbers.value(*at, "model") == "lognormal":
            found.append((_over(numbers, at, "a", "b", "as they are"), at))
    for i, entry in enumerate(numbers.value("left_of_water")):
        if entry["why_not"] is None:
            at = ("left_of_water", i)
            found.append((_over(numbers, at, "dry", "wet", f"at equal {entry['measure']}"), at))
    for i, entry in enumerate(numbers.value("at_equal_levels")):
        at = ("at_equal_levels", i)
        found.append((_over(numbers, at, "a", "b", f"at equal {entry['measure']}"), at))
    what = "life ratio, lognormal lives (log scale)"
    sentence = (
        "Life ratios with their intervals, lognormal lives, those at equal levels with the error "
        "of the levels; an arrow where an end is open. Where the interval holds one, no "
        "difference is excluded.",
    )
    return _intervals(numbers, "series-life-ratios", "Life ratios", what, found, sentence)


def strengths_drawn(numbers: Numbers) -> Drawn | None:
    """Return the figure of ratios of mean ultimate loads, None where there are none."""
    found = [
        (_over(numbers, ("ultimate_tests", i), "a", "b", "ultimate loads"), ("ultimate_tests", i))
        for i in range(len(numbers.value("ultimate_tests")))
    ]
    what = "ratio of mean ultimate loads (log scale)"
    sentence = (
        "Ratios of mean ultimate loads with their intervals. Where the interval holds one, no "
        "difference is excluded.",
    )
    title = "Ratios of mean ultimate loads"
    names = ("ratio", "ratio_low", "ratio_high")
    return _intervals(numbers, "series-ultimate-ratios", title, what, found, sentence, names, 4)


def _intervals(
    numbers: Numbers,
    name: str,
    title: str,
    label: str,
    found: Sequence[tuple[tuple[Part, ...], tuple[Step, ...]]],
    sentence: tuple[Part, ...],
    names: tuple[str, str, str] = ("ratio", "low", "high"),
    digits: int = 3,
) -> Drawn | None:
    from rig.report.measure import plain

    lines, rows = [], []
    for words, at in found:
        ends = [numbers.measure(*at, field, unit="ratio", digits=digits) for field in names]
        if all(math.isnan(end.value) for end in ends):
            continue
        values = [None if math.isnan(end.value) else end.value for end in ends]
        lines.append((plain(words), values[0], values[1], values[2]))
        rows.append((words, ranged(*ends)))
    if not lines:
        return None
    return Drawn(
        name,
        title,
        look(lambda: intervals_figure(lines, label)),
        _told((*sentence, *_more(rows)), ("of", "ratio"), rows),
    )


def _over(numbers: Numbers, at: tuple[Step, ...], a: str, b: str, how: str) -> tuple[Part, ...]:
    one, other = (numbers.words(*at, name, kind="name") for name in (a, b))
    return (one, " over ", other, f", {how}")


def _told(
    sentence: tuple[Part, ...], heads: tuple[str, ...], rows: Iterable[tuple[Cell, ...]]
) -> Told:
    return Told(sentence, Table(heads, tuple(rows)[:MOST]))


def _more(rows: Sequence[object], drawn: int = MOST) -> tuple[Part, ...]:
    """Say where a table or figure with room for so many holds not all; whole tables do."""
    return (" Not all have room here; all stand in the tables.",) if len(rows) > drawn else ()
