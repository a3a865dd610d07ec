"""What stands on a paper as rows from the top down: lines of text, bars, figures, pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from rig.report.letters import POINTS, UNPARTED, printable, width_of, wrap
from rig.report.measure import Cell, Measure, Part, Stamp, Words, parts_of
from rig.report.page_words import visible
from rig.report.paper_tags import Element

LEFT: Final = 15.0
WIDE: Final = 180.0
"""Where rows begin and how wide they are [mm], on A4 (ISO 216, 210 by 297 mm)."""
BODY: Final = 9.0
SMALL: Final = 7.5
"""Sizes of the text and of what goes with figures [pt]."""
LINE: Final = 1.36
"""Height of a line over the size of its text."""
_BASE: Final = 1.03
"""From the top of a line to where its letters stand, over their size."""
RULE: Final = 0.15
"""Thickness of a rule [mm]."""
DIM: Final = 0.35
LIGHT: Final = 0.78
PALE: Final = 0.93
"""Greys, 0 black to 1 white: words aside, rules, ground of words in black."""


@dataclass(frozen=True, slots=True)
class Line:
    """A text at x, its letters standing at y below the top of the row [mm], of a size [pt].

    `element` is the part of the report that it belongs to, None where it is of the page alone.
    """

    x: float
    y: float
    text: str
    size: float
    weight: str = "normal"
    grey: float = 0.0
    element: Element | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """A filled rectangle; x, and y of its top below that of the row [mm]."""

    x: float
    y: float
    width: float
    height: float
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Placed:
    """A figure or a picture by its name; x, and y of its top below that of the row [mm]."""

    name: str
    x: float
    y: float
    width: float
    height: float
    element: Element | None = None


Mark = Line | Bar | Placed


@dataclass(frozen=True, slots=True)
class Row:
    """Marks that no page end parts; `height` [mm].

    `keep`: on one page with the row that follows. `head` stands above it where it is the first of
    a page. `gap`: white only, left out at the top of a page. `anchor` names a part of the report.
    """

    height: float
    marks: tuple[Mark, ...] = ()
    keep: bool = False
    head: Row | None = None
    gap: bool = False
    anchor: str = ""


def white(height: float) -> Row:
    """Return white between rows, kept with what follows it."""
    return Row(height, keep=True, gap=True)


def said(cell: Cell) -> str:
    """Return a cell or a sentence as one line, in letters that the font has."""
    return printable("".join(map(_said, parts_of(cell)))).replace(" %", f"{UNPARTED}%")


def _said(part: Part) -> str:
    if isinstance(part, str):
        return part
    if isinstance(part, Stamp) or (isinstance(part, Measure) and not math.isnan(part.value)):
        return part.text.replace(" ", UNPARTED)
    return visible(part.text) if isinstance(part, Words) else part.text


def line_height(size: float) -> float:
    """Return the height of a line [mm]."""
    return size * LINE / POINTS


def base(size: float) -> float:
    """Return how far below the top of a line its letters stand [mm]."""
    return size * _BASE / POINTS


def text_rows(
    text: str,
    *,
    x: float = LEFT,
    width: float = WIDE,
    size: float = BODY,
    weight: str = "normal",
    grey: float = 0.0,
    element: Element | None = None,
) -> list[Row]:
    """Return a text as rows of one line; neither its first nor its last stands alone on a page.

    It is a paragraph, if it is no other `element` of the report.
    """
    element = element or Element("P")
    height, y = line_height(size), base(size)
    lines = wrap(text, width, size, weight)
    last = len(lines) - 1
    keep = {at for at in (0, last - 1) if at < last}
    return [
        Row(height, (Line(x, y, line, size, weight, grey, element),), keep=at in keep)
        for at, line in enumerate(lines)
    ]


def kept(rows: Sequence[Row]) -> list[Row]:
    """Return rows that stand on one page with each other and with what follows."""
    return [replace(row, keep=True) for row in rows]


def beside(rows: Sequence[Row], *marks: Mark) -> list[Row]:
    """Return rows with marks before the first."""
    first, *rest = rows
    return [replace(first, marks=(*marks, *first.marks)), *rest]


def right(x: float, line: Line) -> Line:
    """Return a line that ends at x."""
    return replace(line, x=x - width_of(line.text, line.size, line.weight))


def of_page(row: Row) -> Row:
    """Return a row as one of its page alone, which the report has elsewhere."""
    marks = (mark if isinstance(mark, Bar) else replace(mark, element=None) for mark in row.marks)
    return replace(row, marks=tuple(marks))
