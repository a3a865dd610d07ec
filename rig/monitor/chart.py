"""The curve of stiffness over the cycles, with the baseline and where warning and stop lie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len
from rich.text import Text

from rig.monitor import words
from rig.monitor.curve import Curve
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import LABEL

_BRAILLE: Final = 0x2800
_DOTS: Final = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_IN_ASCII: Final = "'-_"
"""Marks for the upper, middle and lower third of a cell."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A level [N/m] that is drawn across, and its name."""

    level: float
    name: str
    style: str


def chart(
    curve: Curve, marks: tuple[Mark, ...], width: int, height: int, signs: Glyphs, *, foot: bool
) -> list[Text]:
    """Return the curve in `height` lines, with the count below it where `foot`; none if empty."""
    known = _finite(curve)
    plot_height = height - 2 * foot
    if known.shape[1] < 2 or plot_height < 2:
        return []
    marks = tuple(m for m in marks if math.isfinite(m.level) and m.level > 0)
    top, bottom = _ends(known[1], marks)
    labels = _labels(marks, top, bottom, plot_height)
    margin = max(len(name) for name, _ in labels.values()) + 1
    columns = width - margin - 1
    if columns < 8:
        return []
    values = _sampled(known, columns * (1 if signs.ascii_only else 2))
    shares = (values - bottom) / (top - bottom)
    cells = _ascii(shares, plot_height) if signs.ascii_only else _braille(shares, plot_height)
    lines = []
    for row in range(plot_height):
        name, style = labels.get(row, ("", ""))
        line = Text(" " * (margin - 1 - cell_len(signs.safe(name))))
        line.append(signs.safe(name), style or None)
        line.append(f" {signs.axis}", "dim")
        _crossed(line, cells[row], signs.level if style else " ", style)
        lines.append(line)
    if foot:
        return lines + _foot(known[0], margin, columns, signs)
    return _counted(lines, cells, known[0], margin, signs)


def _finite(curve: Curve) -> NDArray[np.float64]:
    size = min(len(curve.cycles), len(curve.stiffness))
    points = np.array((curve.cycles[:size], curve.stiffness[:size]), float).reshape(2, -1)
    # Beyond this no stiffness lies, and differences of floats overflow.
    return points[:, (np.abs(points) < 1e18).all(axis=0)]


def _ends(values: NDArray[np.float64], marks: tuple[Mark, ...]) -> tuple[float, float]:
    levels = [m.level for m in marks if m.level < 1e18]
    top = max([float(np.quantile(values, 0.98)), float(values[-1]), *levels])
    bottom = min([float(np.quantile(values, 0.02)), float(values[-1]), *levels])
    # A quiet curve looks quiet: noise is not blown up over the whole height.
    room = max(0.05 * (top - bottom), (0.2 * abs(top) - top + bottom) / 2, 1.0)
    return top + room, bottom - room


def _labels(
    marks: tuple[Mark, ...], top: float, bottom: float, height: int
) -> dict[int, tuple[str, str]]:
    """Return the name at each line that a mark lies in, the first of two that meet."""
    found: dict[int, tuple[str, str]] = {}
    for mark in marks:
        row = int((top - mark.level) / (top - bottom) * height)
        value = words.quantity(mark.level, "N/m", with_unit=False)
        found.setdefault(min(max(row, 0), height - 1), (f"{mark.name} {value:>5}", mark.style))
    for row, level in ((0, top), (height - 1, bottom)):
        if not marks:
            found[row] = (f"{words.quantity(level, 'N/m', with_unit=False):>{LABEL - 1}}", "")
    return found


def _sampled(known: NDArray[np.float64], columns: int) -> NDArray[np.float64]:
    """Return the values over equal steps of the count; gaps are bridged by lines."""
    first, last = known[0].min(), known[0].max()
    order = np.argsort(known[0], kind="stable")
    where = np.linspace(first, last, columns)
    values: NDArray[np.float64] = np.interp(where, known[0][order], known[1][order])
    return values


def _braille(shares: NDArray[np.float64], height: int) -> list[str]:
    dots = 4 * height
    place = np.clip((1.0 - shares) * dots, 0, dots - 1).astype(int)
    cells = np.zeros((height, len(place) // 2), int)
    before = place[0]
    for column, here in enumerate(place):
        # Neighbours are joined, so that a drop is a line and no gap.
        low, high = sorted((here, before + np.sign(here - before)))
        for dot in range(low, high + 1):
            cells[dot // 4, column // 2] |= _DOTS[dot % 4][column % 2]
        before = here
    return ["".join(chr(_BRAILLE + c) if c else " " for c in row) for row in cells]


def _ascii(shares: NDArray[np.float64], height: int) -> list[str]:
    steps = 3 * height
    place = np.clip((1.0 - shares) * steps, 0, steps - 1).astype(int)
    rows = [[" "] * len(place) for _ in range(height)]
    before = place[0]
    for column, here in enumerate(place):
        rows[here // 3][column] = _IN_ASCII[here % 3]
        for row in range(min(here, before) // 3 + 1, max(here, before) // 3):
            rows[row][column] = "|"
        before = here
    return ["".join(row) for row in rows]


def _crossed(line: Text, cells: str, level: str, style: str) -> None:
    """Add a line of the curve over the level that crosses it."""
    for cell in cells:
        if cell == " ":
            line.append(level, style if level != " " else None)
        else:
            line.append(cell)


def _counted(
    lines: list[Text], cells: list[str], cycles: NDArray[np.float64], margin: int, signs: Glyphs
) -> list[Text]:
    """Write from which to which cycle the curve goes on the lowest line that has room for it."""
    first, last = signs.safe(words.number(cycles.min())), signs.safe(words.number(cycles.max()))
    left, right = f"cycle {first} ", f" {last}"
    for row in reversed(range(len(lines))):
        free, size = cells[row], len(cells[row])
        if size < len(left) + len(right) + 4:
            break
        if not free[: len(left)].strip() and not free[size - len(right) :].strip():
            begin, end = margin + 1 + len(left), margin + 1 + size - len(right)
            line = lines[row]
            lines[row] = Text.assemble(line[: margin + 1], left, line[begin:end], right)
            break
    return lines


def _foot(cycles: NDArray[np.float64], margin: int, columns: int, signs: Glyphs) -> list[Text]:
    first, last = (signs.safe(words.number(end)) for end in (cycles.min(), cycles.max()))
    axis = Text(" " * margin)
    axis.append(signs.corner + signs.rule * columns, "dim")
    named = f"{last} cycles"
    room = columns + 1 - len(first) - len(named)
    numbers = Text(" " * margin)
    if room > 1:
        numbers.append(first + " " * room + named)
    else:
        numbers.append(named[: columns + 1].rjust(columns + 1))
    return [axis, numbers]
