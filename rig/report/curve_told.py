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


def ends_of(columns: Columns, line: Line) -> tuple[Part, ...]:
    """Return in words where a line begins and ends, and where it is lowest and highest."""
    found = columns.curves[line.name].statistics
    return (
        f"{line.label}: ",
        measured(found, "first", line.unit, line.key),
        " in the first and ",
        measured(found, "last", line.unit, line.key),
        " in the last cycle, smallest ",
        measured(found, "min", line.unit, line.key),
        " (cycle ",
        where(found, "min", line.key),
        "), largest ",
        measured(found, "max", line.unit, line.key),
        " (cycle ",
        where(found, "max", line.key),
        ")",
    )


def sentence_of(columns: Columns, lines: Sequence[Line]) -> tuple[Part, ...]:
    """Return one sentence on several lines."""
    parts: list[Part] = []
    for line in lines:
        parts += ["; " if parts else "", *ends_of(columns, line)]
    return (*parts, ".")


def by_decades(columns: Columns, lines: Sequence[Line]) -> Table:
    """Return the values of lines at counted cycles 1, 10, 100 ... and at the last."""
    numbers = list(columns.curves[lines[0].name].at) if lines else []
    rows: list[tuple[Cell, ...]] = []
    for number in numbers:
        values = (
            Measure(columns.curves[line.name].at[number], line.unit, f"{line.key}.at.{number}", 4)
            for line in lines
        )
        rows.append((Measure(number, COUNT, f"cycles.number.at.{number}"), *values))
    return Table(("counted cycle", *(line.label for line in lines)), tuple(rows))


def told(columns: Columns, lines: Sequence[Line], *more: Part) -> Told:
    """Return what a figure of lines shows; `more` follows the first sentence."""
    return Told((*sentence_of(columns, lines), *more), by_decades(columns, lines))
