"""A comparison for people: plain words, then tables, as wide as their terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.compared_levels import at_levels_table, measures_words, water_table
from rig.commands.compared_notes import notes_of_groups, notes_of_ratios
from rig.commands.compared_tables import (
    MOST_LIVES,
    MOST_PAIRS,
    each_life,
    groups_table,
    loads_table,
    modes_table,
    ratios_table,
    seen_table,
    sn_table,
    tests_table,
    ultimate_tests_table,
    weighed_table,
)
from rig.commands.service_told import service_lines, service_table, service_words
from rig.commands.tables import Page
from rig.lives.comparison import OUTLIVE
from rig.lives.doubted import merged
from rig.lives.hypotheses import RULE
from rig.lives.words import words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.comparison import Comparison, GroupTold
    from rig.lives.service import ServiceLife

MOST_DOUBTS: Final = 20
"""Warnings that are printed."""


def compared_text(told: Comparison, years: ServiceLife | None, stream: TextIO | None) -> str:
    """Return words and tables for a stream: in colour and folded where that is a terminal.

    `years` are of a place in service, where one was asked for.
    """
    page = Page(stream)
    doubts = _doubts(told)
    words = [*words_of(told), *service_words(years), *_doubted(len(doubts))]
    page.lines(told.title, "", "In words", *(f"  {each}" for each in words))
    _lives(page, told)
    _levels(page, told)
    _ultimates(page, told)
    _hypotheses(page, told)
    if years is not None:
        page.table(*service_table(years))
        page.lines(*(f"  {line}" for line in service_lines(years)))
    if doubts:
        page.lines("", "Beware", *(f"  {each}" for each in doubts[:MOST_DOUBTS]))
        page.lines(*_more(len(doubts) - MOST_DOUBTS, "warnings"))
    return page.text()


def _doubted(many: int) -> list[str]:
    if not many:
        return []
    return [f"{many} warning{' stands' if many == 1 else 's stand'} under Beware, at the end."]


def _lives(page: Page, told: Comparison) -> None:
    groups = [group for group in told.groups if len(group.lives.cycles)]
    if not groups:
        return
    page.table(*each_life(groups, told.mode))
    many = sum(len(group.lives.cycles) for group in groups)
    page.lines(*_more(many - MOST_LIVES, "lives"))
    page.table(*groups_table(groups))
    page.lines(
        "  median: where the product-limit curve falls to half; sigma of natural logarithms; in "
        f"brackets: {told.confidence * 100:.3g} % by profile likelihood; {OUTLIVE * 100:.0f} % "
        "outlive: a life by lognormal lives" + _sure(groups),
        *(f"  {g.lives.name}: no fit, {g.no_fit}" for g in groups if g.no_fit),
        *notes_of_groups(groups),
    )
    if told.mode:
        page.table(*modes_table(groups))
        page.lines("  in brackets above: ended by another mode, counted as withdrawn then")
    if any(line is not None for line in told.sn):
        page.table(*sn_table(told))
        page.lines("  all groups together, run-outs counted as such; ln N = a + b S, or b ln S")
    if not told.pairs:
        return
    page.table(*tests_table(told.pairs[:MOST_PAIRS]))
    page.lines(
        "  O-E: failures of a less those expected, below 0 where a lives longer; one-sided: for a "
        "living longer; least: the smallest p that these sizes can reach; log-rank scores "
        "permuted with the run-outs",
    )
    if any(ratio is not None for pair in told.pairs[:MOST_PAIRS] for ratio in pair.ratios):
        page.table(*ratios_table(told.pairs[:MOST_PAIRS]))
        page.lines(
            f"  {told.of_ratios * 100:.3g} % of each interval, or of each bound by itself; they "
            "take lives for lognormal or Weibull, which no p above does",
            *notes_of_ratios(told.pairs[:MOST_PAIRS]),
        )
    page.lines(
        *(f"  {p.a.name}, {p.b.name}: no ratio, {p.no_ratio}" for p in told.pairs if p.no_ratio),
        *_more(len(told.pairs) - MOST_PAIRS, "pairs"),
    )


def _sure(groups: Sequence[GroupTold]) -> str:
    """Return how surely the life is outlived, where one is told."""
    known = [g.tolerance for g in groups if g.tolerance and g.tolerance.life is not None]
    return f", said with {known[0].confidence * 100:.3g} % confidence" if known else ""


def _levels(page: Page, told: Comparison) -> None:
    """Say what is left of water, and of other differences, where lives are brought to one level."""
    if told.water:
        if any(x.equal for x in told.water):
            page.table(*water_table(told.water))
        page.lines(
            *(f"  {x.dry}, {x.wet}, at equal {x.measure}: {x.why}" for x in told.water if x.why)
        )
    if told.at_levels:
        page.table(*at_levels_table(told.at_levels[:MOST_PAIRS]))
        page.lines(*_more(len(told.at_levels) - MOST_PAIRS, "pairs and levels"))
    found = [x.equal for x in told.water if x.equal] + [x.equal for x in told.at_levels]
    page.lines(*measures_words(found, told.of_ratios))


def _ultimates(page: Page, told: Comparison) -> None:
    groups = [group for group in told.ultimates if len(group.loads) or len(group.residual)]
    if groups:
        page.table(*loads_table(groups))
    if told.ultimate_pairs:
        page.table(*ultimate_tests_table(told.ultimate_pairs[:MOST_PAIRS]))
        page.lines(
            f"  {told.confidence * 100:.3g} % after Fieller, unequal variances; all p two-sided",
            *_more(len(told.ultimate_pairs) - MOST_PAIRS, "pairs"),
        )


def _hypotheses(page: Page, told: Comparison) -> None:
    if told.seen:
        page.table(*seen_table(told.seen))
        page.lines(f"  in brackets: {told.confidence * 100:.3g} % after Clopper and Pearson")
    if told.hypotheses:
        page.table(*weighed_table(told.hypotheses))
        page.lines(
            f"  intervals below: {told.hypotheses[0].confidence * 100:.3g} %, as p is one-sided; "
            "those of the tables above may be others"
        )
        for i, weighed in enumerate(told.hypotheses, 1):
            page.lines(f"  {i}  {weighed.why}", *(f"     {line}" for line in weighed.evidence))
        page.lines(f"  {RULE}")


def _doubts(told: Comparison) -> list[str]:
    """Return a line for each thing that is doubtful, with all that it is said of."""
    return [*told.left_out, *merged(told.warnings)]


def _more(many: int, what: str) -> list[str]:
    return [f"  {many} more {what} with --json"] if many > 0 else []
