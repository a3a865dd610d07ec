"""Rows of a recording as the lines of a specimen: load over deflection, cycle by cycle.

Few rows are held at a time, however many there are: those about the cycles asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.acquire.deflection import SUPPORTS
from rig.samples import Cycles, FloatArray
from simulators.recorded import BentLine, Line, Lines

PIECE: Final = 16384
"""Rows in one piece."""
HELD: Final = 3
"""Pieces held: a rig that is put back by a block goes back by a few hundred cycles at most."""
LOAD: Final = ("load_min", "load_max")
BENT: Final = ("deflection_min", "deflection_max")


VARIANCE: Final = 0.5 - 4 / math.pi**2
"""Variance of |sin| over a cycle."""
MOST_BENT: Final = 0.95
"""Largest bend: the slopes are then 1 - it and 1 + it of the mean one."""


@dataclass(frozen=True, slots=True, weakref_slot=True)
class Piece:
    """Rows that can be used: their cycle numbers (n,), and what makes their lines.

    `net` (4, n) are value without load, slope, knee and bend of net deflection; `others`
    (channels, 2, n) value without load and slope of each channel.
    """

    number: FloatArray
    net: FloatArray
    others: FloatArray


def columns_of(channels: tuple[str, ...]) -> tuple[str, ...]:
    """Return the columns of the cycle table that the lines are made of, in a fixed order."""
    pairs = (f"{name}_{end}" for name in channels for end in ("min", "max"))
    return ("number", "stiffness", *LOAD, *BENT, *pairs)


def piece_of(rows: Cycles, signs: Mapping[str, float], before: FloatArray | None) -> Piece:
    """Return what can be used of rows; `signs` tells of each channel whether it rises with load.

    Rows without load or a deflection that rises with it are left out. A channel without a value
    keeps the line it had, which is `before` (channels, 2) at first.
    """
    low, high = (rows[name].astype(np.float64) for name in LOAD)
    with np.errstate(divide="ignore", invalid="ignore"):
        net = _net(rows, low, high)
        others = np.empty((len(signs), 2, len(rows)))
        for line, (name, sign) in zip(others, signs.items(), strict=True):
            begin, end = (rows[f"{name}_{e}"].astype(np.float64) for e in ("min", "max"))
            if sign < 0:
                begin, end = end, begin
            line[1] = (end - begin) / (high - low)
            line[0] = begin - line[1] * low
    usable = np.isfinite(net).all(axis=0) & (net[1] > 0)
    others = others[:, :, usable]
    for index, line in enumerate(others):
        _fill(line, None if before is None else before[index])
    return Piece(rows["number"][usable].astype(np.float64), net[:, usable], others)


def _net(rows: Cycles, low: FloatArray, high: FloatArray) -> FloatArray:
    """Return value without load, slope, knee and bend of net deflection, shape (4, n).

    The line runs through both extremes, and the least-squares slope of a sine's load on it is
    the stiffness that was recorded. Those are three facts: so it has a knee, at the mean load,
    with the slopes c (1 - a) and c (1 + a). For a sine the slope found is then
    1 / (c (1 + 2 a^2 v)), v being the variance of |sin|. Where the stiffness is missing it is
    straight; where it is too small for a bend the largest deflection gives way.
    """
    least, most = (rows[name].astype(np.float64) for name in BENT)
    between = (most - least) / (high - low)
    stiffness = rows["stiffness"].astype(np.float64)
    stiffness = np.where(np.isfinite(stiffness), stiffness, 1 / between)
    excess = np.nan_to_num(stiffness * between, nan=1.0, posinf=1.0)
    bent = np.clip(np.sqrt(np.maximum(1 / excess - 1, 0.0) / (2 * VARIANCE)), 0.0, MOST_BENT)
    mean_slope = 1 / (stiffness * (1 + 2 * bent**2 * VARIANCE))
    slope = mean_slope * (1 - bent)
    return np.stack((least - slope * low, slope, (low + high) / 2, 2 * bent * mean_slope))


def _fill(line: FloatArray, before: FloatArray | None) -> None:
    """Let each missing value be the one before it, and the first ones the first that is there."""
    there = np.isfinite(line[0]) & np.isfinite(line[1])
    if there.all():
        return
    if not there.any():
        if before is not None:
            line[:] = before[:, None]
        return
    last = np.maximum.accumulate(np.where(there, np.arange(len(there)), -1))
    first = int(np.argmax(there))
    filled = line[:, np.where(last < 0, first, last)]
    if before is not None and np.isfinite(before).all():
        filled[:, last < 0] = before[:, None]
    line[:] = filled


class RecordedRows:
    """The lines at cycle numbers, of pieces of rows that are read as they are needed.

    `pieces` begins to read them anew. Between two rows lines change evenly with the number;
    before the first one they are those of the first, after the last those of the last.
    """

    def __init__(self, pieces: Callable[[], Iterator[Piece]], channels: tuple[str, ...]) -> None:
        self._pieces = pieces
        self._channels = channels
        self._source: Iterator[Piece] = iter(())
        self._held: list[Piece] = []
        self._first = True  # whether the first row of all is held
        self._whole: Piece | None = None

    def __call__(self, numbers: FloatArray) -> Lines:
        """Return the lines at cycle numbers, shape (n,)."""
        held = self._reaching(float(numbers.min()), float(numbers.max()))
        begin, end = np.searchsorted(held.number, (numbers.min(), numbers.max()))
        near = slice(max(int(begin) - 1, 0), int(end) + 1)
        known = held.number[near]

        def between(rows: FloatArray) -> Iterator[FloatArray]:
            return (np.interp(numbers, known, row[near]) for row in rows)

        made = (Line(*between(rows)) for rows in held.others)
        others = dict(zip(self._channels, made, strict=True))
        supports = [others[name] for name in SUPPORTS if name in others]
        return Lines(BentLine(*between(held.net)), _mean(supports, len(numbers)), others)

    def close(self) -> None:
        """Let go of the rows."""
        close = getattr(self._source, "close", None)
        if close is not None:
            close()

    def _reaching(self, low: float, high: float) -> Piece:
        """Return rows that reach from one number to another, as far as there are any."""
        if not self._held or (low < self._held[0].number[0] and not self._first):
            self.close()
            self._source, self._held, self._first = self._pieces(), [], True
        while not self._held or self._held[-1].number[-1] < high:
            more = next(self._source, None)
            if more is None:
                break
            self._held.append(more)
            self._whole = None
            while len(self._held) > HELD and self._held[1].number[0] <= low:
                del self._held[0]
                self._first = False
        if self._whole is None:
            self._whole = Piece(
                np.concatenate([p.number for p in self._held]),
                np.concatenate([p.net for p in self._held], axis=1),
                np.concatenate([p.others for p in self._held], axis=2),
            )
        return self._whole


def _mean(lines: list[Line], length: int) -> Line:
    if not lines:
        return Line(np.zeros(length), np.zeros(length))
    count = len(lines)
    at_rest = sum((line.at_rest for line in lines), np.zeros(length)) / count
    return Line(at_rest, sum((line.slope for line in lines), np.zeros(length)) / count)
