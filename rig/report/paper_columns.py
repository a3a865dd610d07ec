"""Columns of a table on paper: as wide as what is in them, or so that the table is short."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.report.letters import POINTS, width_of
from rig.samples import FloatArray

SMALLEST: Final = 6.0
"""Size [pt] under which nobody reads a print."""
STEP: Final = 0.5
LONGEST: Final = 64
"""Letters of a word that is not cut where there is room: a SHA-256 is so long."""
_WHOLE: Final = (60.0, 42.0, 30.0, 18.0, 0.0)
"""Columns up to such a width [mm] are tried unwrapped, the others share what is left."""
_NEAR: Final = 1.15
"""So much longer a table may be for more columns that are whole."""
_MOST: Final = 1e6
"""Lines of a cell beyond which no more room is looked for."""
_RAGGED: Final = 1.08
"""How much longer a text gets by lines that end early."""
_HAIR: Final = 1.0001
"""A width is a hair more than its text, or rounding would wrap what just fits."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Widths of columns [mm] and the size of their text [pt]."""

    widths: tuple[float, ...]
    size: float


def columns_of(
    heads: Sequence[str], rows: Sequence[Sequence[str]], room: float, size: float
) -> Columns:
    """Return columns that fill a room [mm] at most, their text no larger than a size [pt].

    No word is cut, if there is a size from `SMALLEST` on at which there is room for that.
    """
    cells = np.array(
        [[width_of(head, 1, "bold") for head in heads]]
        + [[width_of(cell, 1) for cell in row] for row in rows]
    )
    words = np.array([_longest(head, [row[at] for row in rows]) for at, head in enumerate(heads)])
    cells, words = cells * _HAIR + 1e-6, words * _HAIR + 1e-6
    while size > SMALLEST and float(words.sum()) * size > room:
        size = max(size - STEP, SMALLEST)
    cells, words = cells * size, words * size
    natural = cells.max(axis=0)
    if natural.sum() <= room:
        return Columns(tuple(map(float, natural)), size)
    if words.sum() > room:
        # Columns of short words stay whole, in the others words are cut.
        letter = np.minimum(words, size / POINTS)
        return Columns(tuple(map(float, _balanced(words, letter, room))), size)
    tried = [(widths, _lines(cells, widths)) for widths in _tried(natural, words, room)]
    most = _NEAR * min(lines for _, lines in tried)
    best = next(widths for widths, lines in tried if lines <= most)
    return Columns(tuple(map(float, best)), size)


def _longest(head: str, cells: Sequence[str]) -> float:
    """Return the width of the longest word of a column at 1 pt."""
    words = {word[:LONGEST] for cell in cells for word in cell.split(" ")}
    named = (width_of(word[:LONGEST], 1, "bold") for word in head.split(" "))
    return max(*named, 0.0, *(width_of(word, 1) for word in words))


def _tried(natural: FloatArray, least: FloatArray, room: float) -> Iterator[FloatArray]:
    """Yield widths that fill the room, none under its least, from many whole columns to none."""
    for whole in _WHOLE:
        kept = np.where(natural <= whole, natural, least)
        if kept.sum() <= room:
            yield _balanced(natural, kept, room)


def _balanced(natural: FloatArray, least: FloatArray, room: float) -> FloatArray:
    """Return widths with which the longest cells of all columns have as many lines each."""
    low, high = 1.0, 2.0
    while np.maximum(least, natural / high).sum() > room and high < _MOST:
        high *= 2
    # Widths shrink as lines grow, so halving finds where they fill the room.
    for _ in range(40):
        lines = (low + high) / 2
        if np.maximum(least, natural / lines).sum() > room:
            low = lines
        else:
            high = lines
    return np.maximum(least, natural / high)


def _lines(cells: FloatArray, widths: FloatArray) -> float:
    """Return how many lines the rows of a table have together, about."""
    lines = cells / widths
    return float(np.ceil(np.where(lines > 1, lines * _RAGGED, lines)).max(axis=1).sum())
