"""Tables on paper: columns as wide as what is in them, cells wrapped, heads on each page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Final

from rig.report.letters import width_of, wrap
from rig.report.measure import Measure, Table
from rig.report.paper_rows import (
    DIM,
    LEFT,
    LIGHT,
    PALE,
    RULE,
    SMALL,
    WIDE,
    Bar,
    Line,
    Mark,
    Row,
    base,
    line_height,
    right,
    said,
)

SMALLEST: Final = 6.0
"""Size [pt] under which nobody reads a print."""
STEP: Final = 0.5
PAD: Final = 1.1
"""White on both sides of a cell [mm]."""
ABOVE: Final = 0.5
"""White above and below a cell [mm]."""
TALLEST: Final = 48
"""Lines of a row; a longer one goes on in a row below it, which may be on the next page."""
_EMPTY: Final = "none"


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where columns begin and how wide they are [mm], and the size of their text [pt].

    `numbers` tells which are set to the right.
    """

    edges: tuple[float, ...]
    widths: tuple[float, ...]
    size: float
    numbers: tuple[bool, ...]


def table_rows(table: Table, size: float = SMALL) -> list[Row]:
    """Return a table as rows, in a smaller size [pt] where it is too wide."""
    count = max([len(table.heads), *map(len, table.rows)])
    if not count:
        return []
    heads = _filled([said(head) for head in table.heads], count)
    rows = [_filled([said(cell) for cell in row], count) for row in table.rows]
    numbers = tuple(_numbers(table, at) for at in range(count))
    columns = _columns(heads, rows, size, numbers)
    head = _head(heads, columns)
    if not rows:
        none = Line(LEFT + PAD, ABOVE + base(size), _EMPTY, size, grey=DIM)
        return [head, Row(line_height(size) + 2 * ABOVE, (none,))]
    return [head, *(piece for row in rows for piece in _row(row, columns, head))]


def _filled(cells: list[str], count: int) -> list[str]:
    return cells + [""] * (count - len(cells))


def _numbers(table: Table, at: int) -> bool:
    """Tell whether a column holds numbers alone."""
    cells = [row[at] for row in table.rows if at < len(row)]
    return bool(cells) and all(isinstance(cell, Measure) for cell in cells)


def _columns(
    heads: Sequence[str], rows: Sequence[Sequence[str]], size: float, numbers: tuple[bool, ...]
) -> _Columns:
    """Return columns in which no word is cut, if there is a size of text for that."""
    room = WIDE - 2 * PAD * len(heads)
    per_point = [_wanted(head, [row[at] for row in rows]) for at, head in enumerate(heads)]
    while True:
        natural = [size * whole for whole, _ in per_point]
        least = [size * word for _, word in per_point]
        if sum(least) <= room or size <= SMALLEST:
            break
        size = max(size - STEP, SMALLEST)
    if sum(least) > room:
        natural, least = least, [0.0] * len(least)
    widths = _shared(natural, least, room)
    steps = accumulate((width + 2 * PAD for width in widths[:-1]), initial=LEFT + PAD)
    return _Columns(tuple(steps), widths, size, numbers)


def _wanted(head: str, cells: Sequence[str]) -> tuple[float, float]:
    """Return how wide a column is on one line, and its longest word, at a size of 1 pt."""
    whole = max([width_of(head, 1, "bold"), *(width_of(cell, 1) for cell in cells)])
    words = {word for cell in cells for word in cell.split(" ")}
    longest = max((width_of(word, 1) for word in words), default=0.0)
    # A hair more than it is, or rounding would wrap what just fits.
    named = max(width_of(word, 1, "bold") for word in head.split(" "))
    return whole * 1.0001 + 1e-6, max(longest, named) * 1.0001 + 1e-6


def _shared(natural: Sequence[float], least: Sequence[float], room: float) -> tuple[float, ...]:
    """Return widths that fill a room at most: none under its least, small ones as they are."""
    widths: dict[int, float] = {}
    fair = 0.0
    # First those that need more than a fair share of what is left, then those that need less.
    for wanted, more in ((least, True), (natural, False)):
        while rest := [at for at in range(len(natural)) if at not in widths]:
            fair = (room - sum(widths.values())) / len(rest)
            taken = {at: wanted[at] for at in rest if (wanted[at] > fair) == more}
            if not taken:
                break
            widths |= taken
    return tuple(widths.get(at, fair) for at in range(len(natural)))


def _head(heads: Sequence[str], columns: _Columns) -> Row:
    marks, height = _set(_wrapped(heads, columns, "bold"), columns, "bold")
    ground = Bar(LEFT, 0.0, _full(columns), height, PALE)
    rule = Bar(LEFT, height - RULE, _full(columns), RULE, DIM)
    return Row(height, (ground, rule, *marks), keep=True)


def _row(cells: Sequence[str], columns: _Columns, head: Row) -> list[Row]:
    """Return a row, in pieces where it is taller than any row may be."""
    wrapped = _wrapped(cells, columns, "normal")
    pieces = []
    for begin in range(0, max(map(len, wrapped)), TALLEST):
        part = [lines[begin : begin + TALLEST] for lines in wrapped]
        marks, height = _set(part, columns, "normal")
        pieces.append(Row(height, marks, head=head))
    last = pieces.pop()
    rule = Bar(LEFT, last.height - RULE, _full(columns), RULE, LIGHT)
    return [*pieces, replace(last, marks=(*last.marks, rule))]


def _full(columns: _Columns) -> float:
    return columns.edges[-1] + columns.widths[-1] + PAD - LEFT


def _wrapped(cells: Sequence[str], columns: _Columns, weight: str) -> list[list[str]]:
    return [
        wrap(cell, width, columns.size, weight)
        for cell, width in zip(cells, columns.widths, strict=True)
    ]


def _set(
    wrapped: Sequence[Sequence[str]], columns: _Columns, weight: str
) -> tuple[tuple[Mark, ...], float]:
    """Return the marks of a row of wrapped cells, and its height [mm]."""
    marks: list[Mark] = []
    size, line = columns.size, line_height(columns.size)
    for at, lines in enumerate(wrapped):
        x, width = columns.edges[at], columns.widths[at]
        for number, text in enumerate(lines):
            y = ABOVE + number * line + base(size)
            if columns.numbers[at]:
                marks.append(right(x + width, y, text, size, weight))
            elif text:
                marks.append(Line(x, y, text, size, weight))
    return tuple(marks), max(map(len, wrapped)) * line + 2 * ABOVE
