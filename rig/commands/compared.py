"""A comparison for people: tables, then plain words, as wide as their terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.compared_levels import at_levels_table, measures_words, water_table
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
from rig.commands.service_told import service_lines, service_table
from rig.commands.tables import Page
from rig.lives.comparison import OUTLIVE
from rig.lives.hypotheses import RULE
from rig.lives.words import words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.comparison import Comparison
    from rig.lives.service import ServiceLife

MOST_DOUBTS: Final = 20
"""Warnings that are printed."""
MOST_ABOUT: Final = 3
"""Pairs of groups that are named beside one doubt of theirs."""


def compared_text(told: Comparison, years: ServiceLife | None, stream: TextIO | None) -> str:
    """Return words and tables for a stream: in colour and folded where that is a terminal.

    `years` are of a place in service, where one was asked for.
    """
    page = Page(stream)
    page.lines(told.title)
    _lives(page, told)
    _levels(page, told)
    _ultimates(page, told)
    _hypotheses(page, told)
    if years is not None:
        page.table(*service_table(years))
        page.lines(*(f"  {line}" for line in service_lines(years)))
    if told.left_out or told.warnings:
        page.lines("", "Beware", *(f"  {words}" for words in _doubts(told)))
    # Last: what a terminal shows when all is printed.
    page.lines("", "In words", *(f"  {words}" for words in words_of(told)))
    return page.text()


def _lives(page: Page, told: Comparison) -> None:
    groups = [group for group in told.groups if len(group.lives.cycles)]
    if not groups:
        return
    page.table(*each_life(groups, told.mode))
    many = sum(len(group.lives.cycles) for group in groups)
    page.lines(*_more(many - MOST_LIVES, "lives"))
    page.table(*groups_table(groups))
    page.lines(
        f"  in brackets: {told.confidence * 100:.3g} % by profile likelihood; sigma of natural "
        f"logarithms; a life that {OUTLIVE * 100:.0f} % outlive, of lognormal lives",
        *(f"  {g.lives.name}: no fit, {g.no_fit}" for g in groups if g.no_fit),
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
    page.table(*ratios_table(told.pairs[:MOST_PAIRS]))
    page.lines(f"  {told.of_ratios * 100:.3g} % of each interval, or of each bound by itself")
    page.lines(
        *(f"  {p.a.name}, {p.b.name}: no ratio, {p.no_ratio}" for p in told.pairs if p.no_ratio),
        *_more(len(told.pairs) - MOST_PAIRS, "pairs"),
    )


def _levels(page: Page, told: Comparison) -> None:
    """Say what is left of water, and of other differences, where lives are brought to one level."""
    if told.water:
        page.table(*water_table(told.water))
        page.lines(*(f"  {x.dry}, {x.wet}: {x.why}" for x in told.water if x.why))
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
        for i, weighed in enumerate(told.hypotheses, 1):
            page.lines(f"  {i}  {weighed.why}", *(f"     {line}" for line in weighed.evidence))
        page.lines(f"  {RULE}")


def _doubts(told: Comparison) -> list[str]:
    """Return a line for each thing that is doubtful, with all that it is said of."""
    about: dict[str, list[str]] = {}
    for doubt in told.warnings:
        about.setdefault(doubt.words, []).extend([doubt.about] if doubt.about else [])
    lines = [*told.left_out, *(_said_of(words, of) for words, of in about.items())]
    more = [line.lstrip() for line in _more(len(lines) - MOST_DOUBTS, "warnings")]
    return [*lines[:MOST_DOUBTS], *more]


def _said_of(words: str, about: Sequence[str]) -> str:
    if not about:
        return words
    rest = f" and {len(about) - MOST_ABOUT} more" if len(about) > MOST_ABOUT else ""
    return f"{'; '.join(about[:MOST_ABOUT])}{rest}: {words}"


def _more(many: int, what: str) -> list[str]:
    return [f"  {many} more {what} with --json"] if many > 0 else []
