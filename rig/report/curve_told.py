"""What a curve shows, in words and numbers: from where to where, and at 1, 10, 100 ... cycles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rig.report.curve_statistics import measured, where
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told

if TYPE_CHECKING:
    from rig.report.curve_columns import Columns

DERIVED_ENDS: Final = ("_range",)
BLANK: Final = "not measured"


@dataclass(frozen=True, slots=True)
class Line:
    """A column that is drawn: its name, what people call it, and its unit."""

    name: str
    label: str
    unit: str

    @property
    def key(self) -> str:
        """How the keys of its numbers begin."""
        return f"{'derived' if self.name.endswith(DERIVED_ENDS) else 'cycles'}.{self.name}"


def from_to(columns: Columns, line: Line) -> tuple[Part, ...]:
    """Return in words where a line begins and where it ends."""
    found = columns.curves[line.name].statistics
    return (
        f"{line.label[0].upper()}{line.label[1:]} from ",
        measured(found, "first", line.unit, line.key),
        " in the first to ",
        measured(found, "last", line.unit, line.key),
        " in the last cycle",
    )


def between(columns: Columns, line: Line) -> tuple[Part, ...]:
    """Return in words between which values a line lies."""
    found = columns.curves[line.name].statistics
    return (
        f"{line.label[0].upper()}{line.label[1:]} between ",
        measured(found, "min", line.unit, line.key),
        " and ",
        measured(found, "max", line.unit, line.key),
    )


def by_decades(columns: Columns, lines: Sequence[Line]) -> Table:
    """Return the values of lines at counted cycles 1, 10, 100 ..., at the last, and the extremes.

    The first row is that of the first cycle, as 1 is the least of those counts.
    """
    numbers = list(columns.curves[lines[0].name].at) if lines else []
    rows: list[tuple[Cell, ...]] = []
    for number in numbers:
        values = (
            Measure(columns.curves[line.name].at[number], line.unit, f"{line.key}.at.{number}", 4)
            for line in lines
        )
        rows.append((Measure(number, COUNT, f"cycles.number.at.{number}"), *values))
    for what, words in (("min", "smallest"), ("max", "largest")):
        rows.append((words, *(_extreme(columns, line, what) for line in lines)))
    heads = ("counted cycle", *(f"{line.label[0].upper()}{line.label[1:]}" for line in lines))
    return Table(heads, tuple(rows))


def _extreme(columns: Columns, line: Line, what: str) -> Cell:
    found = columns.curves[line.name].statistics
    value = measured(found, what, line.unit, line.key)
    return (value, " in cycle ", where(found, what, line.key)) if found.count else value


def told(columns: Columns, lines: Sequence[Line], *words: Part) -> Told:
    """Return what a figure of lines shows: how its first line goes, and `words` after it."""
    return Told((*from_to(columns, lines[0]), ".", *words), by_decades(columns, lines))
