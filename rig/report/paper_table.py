"""Tables on paper: columns as wide as what is in them, cells wrapped, heads on each page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Final

from rig.report.letters import wrap
from rig.report.measure import Measure, Table
from rig.report.paper_columns import columns_of
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
from rig.report.paper_tags import Element

PAD: Final = 1.1
"""White on both sides of a cell [mm]."""
ABOVE: Final = 0.5
"""White above and below a cell [mm]."""
TALLEST: Final = 40
"""Lines of a row that is never parted; a longer one may go on on the next page."""
SHORT: Final = 8
"""Rows of a table that is not parted."""
PIECE: Final = 8
"""Lines of such a row that stay together."""
_EMPTY: Final = "none"


@dataclass(frozen=True, slots=True)
class _Grid:
    """Where columns begin and how wide they are [mm], and the size of their text [pt].

    `pad` is the white on both sides of a cell [mm], `numbers` tells which are set to the right.
    """

    edges: tuple[float, ...]
    widths: tuple[float, ...]
    size: float
    pad: float
    numbers: tuple[bool, ...]

    @property
    def full(self) -> float:
        """Width of the table [mm]."""
        return self.edges[-1] + self.widths[-1] + self.pad - LEFT


def table_rows(table: Table, size: float = SMALL) -> list[Row]:
    """Return a table as rows, in a smaller size [pt] where it is too wide."""
    count = max([len(table.heads), *map(len, table.rows)])
    if not count:
        return []
    heads = _filled([said(head) for head in table.heads], count)
    rows = [_filled([said(cell) for cell in row], count) for row in table.rows]
    grid = _grid(heads, rows, size, tuple(_numbers(table, at) for at in range(count)))
    whole = Element("Table")
    head = _head(heads, grid, whole)
    if not rows:
        cell = Element("TD", Element("TR", whole))
        none = Line(LEFT + PAD, ABOVE + base(size), _EMPTY, size, "normal", DIM, cell)
        return [head, Row(line_height(size) + 2 * ABOVE, (none,))]
    return [head, *_unparted([_row(row, grid, head, whole) for row in rows])]


def _grid(
    heads: Sequence[str], rows: Sequence[Sequence[str]], size: float, numbers: tuple[bool, ...]
) -> _Grid:
    # Between very many columns there is less white.
    pad = min(PAD, WIDE / 10 / len(heads))
    found = columns_of(heads, rows, WIDE - 2 * pad * len(heads), size)
    steps = accumulate((width + 2 * pad for width in found.widths[:-1]), initial=LEFT + pad)
    return _Grid(tuple(steps), found.widths, found.size, pad, numbers)


def _unparted(rows: Sequence[list[Row]]) -> list[Row]:
    """Return rows of a table: a short one whole, of others some of the first and of the last."""
    last = len(rows) - 1
    whole = last < SHORT
    return [
        replace(piece, keep=True) if at < last and (whole or at < 2 or at >= last - 2) else piece
        for at, pieces in enumerate(rows)
        for piece in pieces
    ]


def _filled(cells: list[str], count: int) -> list[str]:
    return cells + [""] * (count - len(cells))


def _numbers(table: Table, at: int) -> bool:
    """Tell whether a column holds numbers alone."""
    cells = [row[at] for row in table.rows if at < len(row)]
    return bool(cells) and all(isinstance(cell, Measure) for cell in cells)


def _head(heads: Sequence[str], grid: _Grid, whole: Element) -> Row:
    row = Element("TR", whole)
    cells = [Element("TH", row, scope="Column") for _ in heads]
    marks, height = _set(_wrapped(heads, grid, "bold"), grid, "bold", cells)
    ground = Bar(LEFT, 0.0, grid.full, height, PALE)
    rule = Bar(LEFT, height - RULE, grid.full, RULE, DIM)
    return Row(height, (ground, rule, *marks), keep=True)


def _row(cells: Sequence[str], grid: _Grid, head: Row, whole: Element) -> list[Row]:
    """Return a row, in pieces where it is taller than any row may be."""
    wrapped = _wrapped(cells, grid, "normal")
    row = Element("TR", whole)
    # The first cell of a row is its head.
    elements = [Element("TH", row, scope="Row"), *(Element("TD", row) for _ in cells[1:])]
    tall = max(map(len, wrapped))
    step = tall if tall <= TALLEST else PIECE
    pieces = []
    for begin in range(0, tall, step):
        part = [lines[begin : begin + step] for lines in wrapped]
        marks, height = _set(part, grid, "normal", elements)
        pieces.append(Row(height, marks, head=head))
    last = pieces.pop()
    rule = Bar(LEFT, last.height - RULE, grid.full, RULE, LIGHT)
    return [*pieces, replace(last, marks=(*last.marks, rule))]


def _wrapped(cells: Sequence[str], grid: _Grid, weight: str) -> list[list[str]]:
    return [
        wrap(cell, width, grid.size, weight) for cell, width in zip(cells, grid.widths, strict=True)
    ]


def _set(
    wrapped: Sequence[Sequence[str]], grid: _Grid, weight: str, cells: Sequence[Element]
) -> tuple[tuple[Mark, ...], float]:
    """Return the marks of a row of wrapped cells, and its height [mm]."""
    marks: list[Mark] = []
    size, high = grid.size, line_height(grid.size)
    for at, lines in enumerate(wrapped):
        x, width = grid.edges[at], grid.widths[at]
        for number, text in enumerate(lines):
            y = ABOVE + number * high + base(size)
            line = Line(x, y, text, size, weight, element=cells[at])
            marks.append(right(x + width, line) if grid.numbers[at] else line)
    return tuple(marks), max(map(len, wrapped)) * high + 2 * ABOVE
