"""Tables of a series report: one set of columns for the page and for a CSV file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from rig.report.document import Listed
from rig.report.measure import COUNT, Cell, Measure, Part, Table, parts_of, plain
from rig.report.series_numbers import NONE, Numbers, Step, key, ranged

TEXT: Final = "text"
YES_NO: Final = "yes or no"
DAY: Final = "days"
HOUR: Final = "hours"


@dataclass(frozen=True, slots=True)
class Col:
    """A column: its name in a file, its head for people, unit, meaning, and where it stands.

    `unit` is that of `Measure`, `TEXT` or `YES_NO`; `field` is the path below its row, "" for its
    name. Three neighbours of one head are a value with its interval and share a cell on the page.
    """

    name: str
    head: str
    unit: str
    meaning: str
    field: tuple[Step, ...] = ()
    digits: int = 3
    blank: str = NONE
    yes: str = "yes"
    no: str = "no"


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: `name` is that of its file, `keys` where each column stands for all rows."""

    name: str
    caption: tuple[Part, ...]
    columns: tuple[Col, ...]
    rows: tuple[tuple[Part, ...], ...]
    keys: tuple[str, ...]

    def __bool__(self) -> bool:
        """Whether it has rows."""
        return bool(self.rows)


def grid(
    numbers: Numbers,
    name: str,
    caption: Sequence[Part],
    columns: Sequence[Col],
    rows: Iterable[tuple[Step, ...]],
) -> Grid:
    """Return the table of rows that stand at the given paths."""
    paths = tuple(rows)
    return Grid(
        name=name,
        caption=tuple(caption),
        columns=tuple(columns),
        rows=tuple(tuple(_cell(numbers, col, path) for col in columns) for path in paths),
        keys=tuple(_pattern(paths, col) for col in columns),
    )


def _cell(numbers: Numbers, col: Col, row: tuple[Step, ...]) -> Part:
    path = (*row, *col.field)
    if col.unit == TEXT:
        return numbers.words(*path, kind="name", blank=col.blank)
    if col.unit == YES_NO:
        value = numbers.value(*path)
        return col.blank if value is None else col.yes if value else col.no
    return numbers.measure(*path, unit=col.unit, digits=col.digits, blank=col.blank)


def _pattern(paths: Sequence[tuple[Step, ...]], col: Col) -> str:
    """Return the key of a column, with a star where the rows differ."""
    steps = [
        own[0] if len(set(own)) == 1 and not isinstance(own[0], int) else "*"
        for own in zip(*paths, strict=True)
    ]
    return key(*steps, *col.field)


def shown(table: Grid, *, folded: bool = False, without: Iterable[str] = ()) -> Listed:
    """Return a table for people; columns of one head share a cell, `without` are left out."""
    left = set(without)
    places = [i for i, col in enumerate(table.columns) if col.name not in left]
    heads = tuple(dict.fromkeys(table.columns[i].head for i in places))
    groups = [[i for i in places if table.columns[i].head == head] for head in heads]
    rows = tuple(tuple(_joined([row[i] for i in own]) for own in groups) for row in table.rows)
    return Listed(table.caption, Table(heads, rows), folded)


def _joined(parts: list[Part]) -> Cell:
    """Return the parts of one cell."""
    match parts:
        case [part]:
            return part
        case [Measure() as value, Measure() as low, Measure() as high]:
            return ranged(value, low, high)
        case [Measure() as low, Measure() as high]:
            return ranged(Measure(float("nan"), low.unit, low.key), low, high)
        case _:
            return tuple(part for each in parts for part in (*parts_of(each), " "))[:-1]


def untold(table: Grid) -> tuple[Col, ...]:
    """Return the columns of which no row tells anything."""
    return tuple(
        col
        for i, col in enumerate(table.columns)
        if table.rows and all(plain((row[i],)) == col.blank for row in table.rows)
    )


def named(name: str, head: str, meaning: str, *field: Step, blank: str = NONE) -> Col:
    """Return a column of words."""
    return Col(name, head, TEXT, meaning, field or (name,), blank=blank)


def counted(name: str, head: str, meaning: str, *field: Step) -> Col:
    """Return a column of counts."""
    return Col(name, head, COUNT, meaning, field or (name,))


def p_value(name: str, head: str, meaning: str) -> Col:
    """Return a column of p."""
    return Col(name, head, "ratio", meaning, (name,), digits=2)


def interval(
    head: str,
    meaning: str,
    names: tuple[str, str, str],
    unit: str = "ratio",
    prefix: str = "",
    at: tuple[Step, ...] = (),
    digits: int = 3,
) -> tuple[Col, Col, Col]:
    """Return the three columns of a value and the ends of its interval, by their names there."""
    return tuple(  # type: ignore[return-value]
        Col(f"{prefix}{name}", head, unit, f"{what}{meaning}", (*at, name), digits)
        for what, name in zip(("", "lower end of: ", "upper end of: "), names, strict=True)
    )
