"""The sections of a series report that say what was tested, and what to beware of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from rig.lives.hypotheses import LEVEL
from rig.protocol.series_doubts import LONG_UNLOADED
from rig.report.document import Block, Caution, Items, Listed, Paragraph, Section
from rig.report.measure import COUNT, Measure, Part, Stamp, Table, Words
from rig.report.series_grid import Grid, shown, untold
from rig.report.series_method import METHOD
from rig.report.series_numbers import Numbers
from rig.report.series_runs import Sources

if TYPE_CHECKING:
    from rig.report.series_grids import Grids

FEW: Final = 3
"""Lives of a group from which on: three against three just reach a p of 1 in 20."""
LONG: Final = 30
"""Rows from which on a table of specimens is closed on screen; paper has it whole."""
_SOUGHT: Final = {"age_s", "batch", "cast", "bed", "frame"}
"""Columns that are looked through for what goes along with a group."""


def words_section(numbers: Numbers) -> Section:
    """Return what the series says, in words."""
    return Section("in-words", "What the series says", (Items(numbers.all_words("words")),))


def cautions_section(numbers: Numbers) -> Section:
    """Return what breaks assumptions, goes along with groups, or is too few to tell."""
    blocks: list[Block] = [Caution((*row,)) for row in _few(numbers)]
    blocks += [Caution(row) for row in _stood(numbers)]
    cautions = numbers.all_words("cautions")
    if cautions:
        blocks += [
            Paragraph(("What breaks an assumption, or goes along with a group:",)),
            Items(cautions),
        ]
    held = tuple(_held(numbers))
    if held:
        blocks += [
            Paragraph(("What intervals of so few specimens really hold:",)),
            Items(held),
        ]
    if not blocks:
        blocks = [Paragraph(("Nothing was found that breaks an assumption.",))]
    return Section("cautions", "Cautions", tuple(blocks))


def _few(numbers: Numbers) -> Iterator[tuple[Part, ...]]:
    """Say which groups have so few lives that hardly anything can be shown."""
    few = [
        (i, name)
        for i, name in enumerate(numbers.value("group_names"))
        if 0 < numbers.value("groups", name, "n") < FEW
    ]
    for i, name in few:
        yield (
            numbers.words("group_names", i, kind="name"),
            ": ",
            *numbers.count("life", "lives", "groups", name, "n"),
            " only. Against another group of as few no outcome reaches a one-sided p of ",
            Measure(LEVEL, "ratio", "constant.LEVEL"),
            ".",
        )


def _stood(numbers: Numbers) -> Iterator[tuple[Part, ...]]:
    """Say which specimens stood still for longer than a day."""
    for i, entry in enumerate(numbers.value("specimens")):
        if (entry["interruptions_s"] or 0.0) > LONG_UNLOADED:
            yield (
                numbers.words("specimens", i, "specimen", kind="name"),
                " stood still for ",
                numbers.measure("specimens", i, "interruptions_s", unit="s"),
                ", of it without load ",
                numbers.measure(
                    "specimens", i, "unloaded_s", unit="s", blank="for a time not told"
                ),
                ", over ",
                Measure(LONG_UNLOADED, "s", "constant.LONG_UNLOADED"),
                " in all.",
            )


def _held(numbers: Numbers) -> Iterator[tuple[Part, ...]]:
    """Return the notes on fits, curves and ratios, each with what it is of."""
    for i, name in enumerate(numbers.value("group_names")):
        group = numbers.words("group_names", i, kind="name")
        places = {
            "Weibull law": ("fits", name, "weibull", "note"),
            "lognormal law": ("fits", name, "lognormal", "note"),
            "curve": ("groups", name, "curve", "note"),
        }
        for what, path in places.items():
            if numbers.value(*path):
                yield group, f", {what}: ", numbers.words(*path)


def specimens_section(numbers: Numbers, grids: Grids) -> Section:
    """Return the matrix of specimens."""
    table = grids.specimens
    silent = untold(table)
    blocks: list[Block] = [
        Paragraph(
            (
                *numbers.count("group", "groups", "counts", "groups"),
                ", ",
                *numbers.count("entry", "entries", "counts", "entries"),
                ", ",
                *numbers.count("of them left out", "of them left out", "counts", "left_out"),
                ".",
            )
        ),
        shown(table, folded=long(table), without=[col.name for col in silent]),
    ]
    names = [col.head for col in silent if col.name in _SOUGHT]
    if names:
        blocks.append(
            Caution(
                (f"Nobody told {', '.join(names)}: whether groups differ in that is not known.",)
            )
        )
    if silent and any(col.name == "run" for col in silent):
        blocks.append(Paragraph(("No entry names a run: all is as the series file says.",)))
    return Section("specimens", "Specimens", tuple(blocks))


def left_out_section(numbers: Numbers) -> Section:
    """Return which entries no test counts, and why."""
    rows = numbers.all_words("left_out")
    block: Block = Items(rows) if rows else Paragraph(("No entry was left out.",))
    return Section("left-out", "Left out", (block,))


def runs_section(sources: Sources) -> Section:
    """Return the runs that the series is made from, with the hash of each."""
    if not sources.runs:
        return Section(
            "runs",
            "Runs",
            (Paragraph(("The series names no run: every number is as its file says.",)),),
        )
    whole = range(len(sources.runs))
    heads = ("run", "specimen", "kind", "started", "end", "cycles", "run id")
    caption = ("Runs that the series is made from; each tells what the series file does not",)
    hashes = tuple(
        (_named(sources, i), Words(sources.runs[i].sha256, f"runs.{i}.sha256", "file"))
        for i in whole
        if sources.runs[i].sha256
    )
    rows = tuple(_run_row(sources, i) for i in whole)
    blocks: list[Block] = [Listed(caption, Table(heads, rows))]
    if hashes:
        held = ("What their run.h5 is told from any other by",)
        blocks.append(Listed(held, Table(("run", "SHA-256 of run.h5"), hashes)))
    blocks += [
        Caution(
            (
                _named(sources, i),
                " could not be read: ",
                Words(run.trouble, f"runs.{i}.trouble"),
            )
        )
        for i, run in enumerate(sources.runs)
        if run.trouble
    ]
    return Section("runs", "Runs", tuple(blocks))


def _run_row(sources: Sources, i: int) -> tuple[Part | tuple[Part, ...], ...]:
    run = sources.runs[i]
    specimens: tuple[Part, ...] = tuple(
        part
        for n, name in enumerate(run.specimens)
        for part in ((", ",) if n else ()) + (Words(name, f"runs.{i}.specimens.{n}", "name"),)
    )
    if not run.sha256:
        return (_named(sources, i), specimens, *["not read"] * 5)
    return (
        _named(sources, i),
        specimens,
        run.kind,
        Stamp(run.started, f"runs.{i}.started_utc"),
        Words(run.outcome, f"runs.{i}.outcome", "name"),
        Measure(float(run.cycles or 0), COUNT, f"runs.{i}.cycles"),
        Words(run.run_id, f"runs.{i}.run_id", "name"),
    )


def _named(sources: Sources, i: int) -> Words:
    return Words(sources.runs[i].named, f"runs.{i}.named", "file")


def method_section() -> Section:
    """Return what each test assumes, and where it is from."""
    rows = tuple((Words(text, f"constant.METHOD.{name}"),) for name, text in METHOD.items())
    return Section("method", "How it was worked out", (Items(rows),))


def long(table: Grid) -> bool:
    """Tell whether a table is so long that it is closed on screen."""
    return len(table.rows) > LONG


def grid_block(
    table: Grid, instead: str, *, folded: bool = False, without: tuple[str, ...] = ()
) -> Block:
    """Return a table, or a sentence where it has no rows; silent columns are left out."""
    if not table:
        return Paragraph((instead,))
    silent = {col.name for col in untold(table)}
    # An interval of which one end alone is known stays whole.
    heads = {col.head for col in table.columns if col.name not in silent}
    left = [col.name for col in table.columns if col.name in silent and col.head not in heads]
    return shown(table, folded=folded, without=(*left, *without))
