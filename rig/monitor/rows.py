"""Lines of the screen: put together piece by piece, measured in cells of the terminal."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from rig.monitor.glyphs import Glyphs

GOOD: Final = "green"
ODD: Final = "bold yellow"
BAD: Final = "bold red"
FAINT: Final = "dim"
LABEL: Final = 11
"""Cells that the labels on the left take."""


class Row:
    """One line under construction; `width` is the room it has [cells]."""

    def __init__(self, signs: Glyphs, width: int, label: str = "") -> None:
        self.signs = signs
        self.width = width
        self.text = Text()
        if label:
            self.put(label, "bold cyan").to(LABEL)

    @property
    def used(self) -> int:
        """Cells used so far."""
        return self.text.cell_len

    def put(self, text: str, style: str = "") -> Row:
        """Add a piece."""
        self.text.append(self.signs.safe(text), style or None)
        return self

    def to(self, column: int) -> Row:
        """Fill up to a column; at least one space follows what is there."""
        self.text.append(" " * max(column - self.used, 1 if self.used else column))
        return self

    def right(self, text: str, column: int, style: str = "") -> Row:
        """Add a piece that ends at a column."""
        shown = self.signs.safe(text)
        self.text.append(" " * max(column - self.used - cell_len(shown), 0))
        self.text.append(shown, style or None)
        return self

    def fits(self, text: str) -> bool:
        """Tell whether a piece has room."""
        return self.used + cell_len(self.signs.safe(text)) <= self.width

    def maybe(self, text: str, style: str = "") -> Row:
        """Add a piece if the whole of it has room."""
        return self.put(text, style) if self.fits(text) else self


def fitted(text: Text, width: int, signs: Glyphs) -> Text:
    """Return a line that is exactly `width` cells wide; what is cut is cut between words."""
    line = text.copy()
    if line.cell_len > width:
        line = _cut(line, width, signs)
    line.append(" " * max(width - line.cell_len, 0))
    return line


def _cut(line: Text, width: int, signs: Glyphs) -> Text:
    plain = set_cell_size(line.plain, max(width - 1, 0))
    kept = len(plain.rstrip())
    space = plain.rstrip().rfind(" ")
    # Half a number would be a wrong number; a long word may be cut.
    if any(c.isdigit() for c in line.plain[space + 1 : kept + 1]) and space >= 0:
        kept = len(plain[:space].rstrip())
    short = line[:kept]
    short.append(signs.more)
    while short.cell_len > width:
        short.right_crop(1)
    return short


def wrapped(text: str, width: int) -> list[str]:
    """Return a text in lines of at most `width` cells, broken between words where it can be."""
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if cell_len(longer) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        while cell_len(line) > width > 1:
            head = set_cell_size(line, width).rstrip()
            lines.append(head)
            line = line[max(len(head), 1) :]
    return [*lines, line] if line else lines


def bar(share: float, width: int, signs: Glyphs) -> str:
    """Return a bar that is filled by a share of it."""
    known = min(max(share, 0.0), 1.0) if math.isfinite(share) else 0.0
    full = round(known * width)
    if 0 < known < 1 and width > 1:
        full = min(max(full, 1), width - 1)
    return signs.full * full + signs.empty * (width - full)


def reach(low: float, high: float, least: float, most: float, width: int, signs: Glyphs) -> str:
    """Return a track from `low` to `high` with the stretch between two values filled."""
    inner = max(width - 2, 1)
    size = high - low
    ends = (signs.low_end, signs.high_end)
    if not (size > 0 and math.isfinite(size) and math.isfinite(least) and math.isfinite(most)):
        return ends[0] + signs.track * inner + ends[1]
    begin, end = (min(max((v - low) / size, 0.0), 1.0) for v in (least, most))
    first = min(int(begin * inner), inner - 1)
    last = max(min(math.ceil(end * inner), inner), first + 1)
    middle = signs.full * (last - first)
    return ends[0] + signs.track * first + middle + signs.track * (inner - last) + ends[1]


def beside(
    left: Iterable[Text], right: Iterable[Text], width: int, between: str, rest: int, signs: Glyphs
) -> list[Text]:
    """Return two columns: the left one `width` cells wide, the right one `rest`."""
    a, b = list(left), list(right)
    size = max(len(a), len(b))
    a += [Text()] * (size - len(a))
    b += [Text()] * (size - len(b))
    joined = []
    for one, other in zip(a, b, strict=True):
        line = fitted(one, width, signs)
        line.append(between, "dim")
        line.append_text(fitted(other, rest, signs))
        joined.append(line)
    return joined
