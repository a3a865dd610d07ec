"""The sections of a series report that hold the comparison: lives, loads, hypotheses, service."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rig.report.document import Block, Caution, Facts, Items, Paragraph, Section
from rig.report.measure import Part
from rig.report.series_grid import shown, untold
from rig.report.series_lead import names_of
from rig.report.series_sections import grid_block, long
from rig.report.series_told import (
    levels_drawn,
    lives_drawn,
    ratios_drawn,
    strengths_drawn,
    survival_drawn,
    ultimates_drawn,
)

if TYPE_CHECKING:
    from rig.lives.comparison import Comparison
    from rig.report.series_grids import Grids
    from rig.report.series_numbers import Numbers

NO_LIVES: Final = "There is no life that counts."
MOST_ABOUT: Final = 4
"""Ratios that are named beside one note of theirs."""


def lives_section(told: Comparison, numbers: Numbers, grids: Grids) -> Section:
    """Return lives against all three levels, and what each group tells by itself."""
    blocks: list[Block] = []
    if numbers.value("counts", "lives"):
        blocks.append(lives_drawn(told, numbers))
        levels = levels_drawn(told, numbers)
        if levels is None:
            blocks.append(Paragraph(("No life tells the level it was tested at.",)))
        else:
            blocks.append(levels)
    blocks.append(grid_block(grids.lives, "There is no life.", folded=long(grids.lives)))
    if numbers.value("counts", "lives"):
        silent = {col.name for col in untold(grids.groups)}
        about = ("outlived_share", "outlived_confidence") if "outlived_cycles" in silent else ()
        blocks.append(grid_block(grids.groups, NO_LIVES, without=about))
    if numbers.value("mode") is not None:
        blocks.append(
            Caution(
                (
                    "Compared for ",
                    numbers.words("mode", kind="name"),
                    " alone: what ended otherwise counts as withdrawn then. That assumes that it "
                    "was no nearer to this mode than the others.",
                )
            )
        )
        blocks.append(grid_block(grids.modes, NO_LIVES))
    return Section("lives", "Lives and levels", tuple(blocks))


def survival_section(told: Comparison, numbers: Numbers, grids: Grids) -> Section:
    """Return the product-limit curves and the laws fitted."""
    if not numbers.value("counts", "lives"):
        return Section("survival", "Curves and laws of lives", (Paragraph((NO_LIVES,)),))
    return Section(
        "survival",
        "Curves and laws of lives",
        (
            survival_drawn(told, numbers),
            grid_block(grids.curves, "No specimen failed: no curve has a step.", folded=True),
            grid_block(grids.fits, NO_LIVES),
            grid_block(grids.sn, "No S-N line can be told: it takes failures at two load levels."),
        ),
    )


def comparison_section(numbers: Numbers, grids: Grids) -> Section:
    """Return lives of groups beside each other."""
    ratios = ratios_drawn(numbers)
    alone = "No two groups have lives to compare."
    blocks: list[Block] = [
        grid_block(grids.life_tests, alone),
        *([ratios] if ratios else []),
    ]
    if grids.life_tests:
        blocks.append(
            grid_block(grids.life_ratios, "These lives tell no ratio.", without=("note",))
        )
        blocks += _notes(numbers)
        blocks.append(
            grid_block(
                grids.water,
                "No dry and wet group tell what is left of water at one level.",
                without=("slope_from",),
            )
        )
        blocks += [
            Paragraph(
                (
                    numbers.words("left_of_water", i, "dry", kind="name"),
                    " and ",
                    numbers.words("left_of_water", i, "wet", kind="name"),
                    f", at equal {entry['measure']}: ",
                    numbers.words("left_of_water", i, "why_not"),
                )
            )
            for i, entry in enumerate(numbers.value("left_of_water"))
            if entry["why_not"] is not None
        ]
        if grids.levels:
            blocks.append(grid_block(grids.levels, "", without=("slope_from",)))
        blocks += _slopes(numbers)
    return Section("comparison", "Lives of groups beside each other", tuple(blocks))


def _notes(numbers: Numbers) -> list[Block]:
    """Return each note on life ratios once, with what it is of."""
    rows: dict[str, list[tuple[Part, ...]]] = {}
    notes: dict[str, Part] = {}
    for i, entry in enumerate(numbers.value("life_ratios")):
        at = ("life_ratios", i)
        if entry["note"]:
            one, other, law = (numbers.words(*at, x, kind="name") for x in ("a", "b", "model"))
            rows.setdefault(entry["note"], []).append((one, " over ", other, ", ", law))
            notes.setdefault(entry["note"], numbers.words(*at, "note"))
    return [Items(tuple(_of(notes[note], about) for note, about in rows.items()))] if rows else []


def _of(note: Part, about: list[tuple[Part, ...]]) -> tuple[Part, ...]:
    """Return a note with the first of what it is of."""
    named = [part for each in about[:MOST_ABOUT] for part in ("; ", *each)][1:]
    return (note, " (of ", *named, " and others)" if len(about) > MOST_ABOUT else ")")


def _slopes(numbers: Numbers) -> list[Block]:
    """Return where the slopes come from by which lives were brought to one level, each once."""
    rows: dict[str, list[Part]] = {}
    for table in ("left_of_water", "at_equal_levels"):
        for i, entry in enumerate(numbers.value(table)):
            if entry.get("slope_from"):
                measure = numbers.words(table, i, "measure", kind="name")
                words = numbers.words(table, i, "slope_from")
                rows.setdefault(entry["slope_from"], ["Slope of ", measure, ": ", words])
    return [Items(tuple(map(tuple, rows.values())))] if rows else []


def ultimate_section(told: Comparison, numbers: Numbers, grids: Grids) -> Section:
    """Return ultimate and residual loads and their tests."""
    counts = numbers.value("counts")
    if not (counts["ultimate_loads"] or counts["residual_loads"]):
        return Section("ultimate", "Ultimate loads", (Paragraph(("No ultimate load counts.",)),))
    ratios = strengths_drawn(numbers)
    return Section(
        "ultimate",
        "Ultimate and residual loads",
        (
            ultimates_drawn(told, numbers),
            grid_block(grids.loads, "There is no ultimate load.", folded=long(grids.loads)),
            grid_block(grids.ultimates, "There is no ultimate load."),
            *([ratios] if ratios else []),
            grid_block(grids.ultimate_tests, "No two groups have ultimate loads to compare."),
        ),
    )


def hypotheses_section(numbers: Numbers, grids: Grids) -> Section:
    """Return each hypothesis with its evidence and what would decide it."""
    blocks: list[Block] = []
    if grids.seen:
        blocks.append(shown(grids.seen))
    if not grids.hypotheses:
        blocks.append(Paragraph(("The series names no hypothesis.",)))
        return Section("hypotheses", "Hypotheses", tuple(blocks))
    blocks.append(shown(grids.hypotheses))
    blocks.append(Paragraph(("The rule: ", numbers.words("rule"))))
    blocks += [_hypothesis(numbers, i) for i in range(len(numbers.value("hypotheses")))]
    return Section("hypotheses", "Hypotheses", tuple(blocks))


def _hypothesis(numbers: Numbers, i: int) -> Facts:
    at = ("hypotheses", i)
    entry: dict[str, Any] = numbers.value(*at)
    more: tuple[Part, ...] = (numbers.words(*at, "quantity", kind="name"), " higher in ")
    if entry["seen"]:
        more = (numbers.words(*at, "seen", kind="name"), " seen more often in ")
    elif entry["quantity"] == "ultimate":
        more = ("ultimate load higher in ",)
    expected = (
        *more,
        *names_of(numbers, i, "higher"),
        " than in ",
        *names_of(numbers, i, "lower"),
    )
    rows: list[tuple[str, tuple[Part, ...]]] = [
        ("Hypothesis", (numbers.words(*at, "name"),)),
        ("Expected", expected),
        (
            "Specimens",
            (
                numbers.measure(*at, "sizes", 0),
                " expected higher, ",
                numbers.measure(*at, "sizes", 1),
                " expected lower",
            ),
        ),
        ("Word", (numbers.words(*at, "verdict", kind="name"),)),
        ("Because", (numbers.words(*at, "why", blank="nothing was found"),)),
    ]
    for head, field in (
        ("Evidence", "evidence"),
        ("Beware", "warnings"),
        ("Goes along with it", "along"),
        ("Would decide it", "decide"),
    ):
        if words := numbers.all_words(*at, field):
            rows.append((head, tuple(part for row in words for part in ("; ", *row))[1:]))
    against = numbers.measure(*at, "p_opposite", unit="ratio", digits=2)
    rows.insert(5, ("Against it", ("p ", against, " in the opposite direction")))
    return Facts(tuple(rows))


def service_section(numbers: Numbers, grids: Grids) -> Section:
    """Return the years of each place in service, where a service file was given."""
    if not grids.service:
        words = "No service file was given: nothing is said of years in service."
        return Section("service", "Service life", (Paragraph((words,)),))
    at = ("service",)
    facts: list[tuple[str, tuple[Part, ...]]] = [
        ("Service", (numbers.words(*at, "title"),)),
        ("Cycles a year", (numbers.measure(*at, "per_year"),)),
        ("Highest upper level", (numbers.measure(*at, "highest", unit="%"),)),
        (
            "Damage at levels that nobody tested",
            (numbers.measure(*at, "outside", unit="%", blank="not asked of a published line"),),
        ),
        ("Lives from", (numbers.words(*at, "lives_from"),)),
        ("Slope from", (numbers.words(*at, "slope_from", blank="the line itself"),)),
        ("Intervals", (numbers.measure(*at, "confidence", unit="%"),)),
    ]
    return Section(
        "service",
        "Service life",
        (
            shown(grids.service),
            Facts(tuple(facts)),
            *(Caution(words) for words in numbers.all_words("service", "warnings")),
            *_service_cautions(),
        ),
    )


def _service_cautions() -> tuple[Block, ...]:
    return (
        Items(
            (
                ("Damage adds up (Palmgren and Miner), whatever the order of cycles.",),
                ("One of twenty has failed by then by the scatter of the lives.",),
                (
                    "A design is for those who are licensed to it, by the codes of the place; "
                    "this is no proof of safety.",
                ),
            )
        ),
    )
