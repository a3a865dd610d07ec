"""The points that a forecast is made of: how soft the specimen is, at fixed counted cycles.

Medians of blocks of cycles are gathered into points of one pitch. Where there are too many, pairs
become one and the pitch doubles: a point is no more than a hundredth of the count, and a state
stays small however long a test is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles, Flag

FloatArray = NDArray[np.float64]

BLOCK: Final = 100
"""Cycles of a median, less where the baseline has fewer."""
BASE_BLOCKS: Final = 5  # medians in a baseline at least
MOST_POINTS: Final = 256  # then pairs become one

NUMBER, SOFT, SAG = range(3)
"""Rows of the points: middle of the cycles; 1/stiffness and deflection_max per load_max [m/N]."""


def block_of(first: int, last: int) -> int:
    """Return the cycles of a median for a baseline from one count to another."""
    return max(1, min(BLOCK, (last - first + 1) // BASE_BLOCKS))


def _none() -> FloatArray:
    return np.empty((3, 0))


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """What is kept of the rows so far. Compare two by their `to_plain`.

    `done`, shape (3, n), are whole points of `pitch` blocks; `begun`, shape (3, m), the medians of
    blocks that the next one is made of; `rows`, shape (3, k), what the next block is made of.
    `wet_from` is the first count at which water ran, 0 where none did.
    """

    block: int = BLOCK
    pitch: int = 1
    done: FloatArray = field(default_factory=_none)
    begun: FloatArray = field(default_factory=_none)
    rows: FloatArray = field(default_factory=_none)
    wet_from: int = 0

    @property
    def room(self) -> int:
        """Rows that may come until pairs of points become one."""
        done, begun, rows = (int(a.shape[1]) for a in (self.done, self.begun, self.rows))
        return ((MOST_POINTS - done) * self.pitch - begun) * self.block - rows

    def to_plain(self) -> dict[str, Any]:
        """Return plain values for a restart point (NaN stays a float)."""
        arrays = {name: getattr(self, name).tolist() for name in _ARRAYS}
        return {**arrays, **{name: getattr(self, name) for name in _COUNTS}}

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> Points:
        """Return what `to_plain` kept. Raises KeyError, TypeError, ValueError."""
        done, begun, rows = (np.array(plain[n], np.float64).reshape(3, -1) for n in _ARRAYS)
        block, pitch, wet_from = (int(plain[n]) for n in _COUNTS)
        return Points(block, pitch, done, begun, rows, wet_from)


_ARRAYS: Final = ("done", "begun", "rows")
_COUNTS: Final = ("block", "pitch", "wet_from")


def gathered(points: Points, rows: Cycles) -> Points:
    """Return the points with the next counted rows; no more of them than `room`."""
    wet = np.flatnonzero(rows["wet"]) if not points.wet_from else np.empty(0, np.int64)
    new = np.concatenate((points.rows, _values(rows)), axis=1)
    whole = new.shape[1] // points.block
    blocks = new[:, : whole * points.block].reshape(3, whole, points.block)
    begun = np.concatenate((points.begun, _medians(blocks)), axis=1)
    ready = begun.shape[1] // points.pitch
    means = begun[:, : ready * points.pitch].reshape(3, ready, points.pitch).mean(axis=2)
    points = replace(
        points,
        rows=new[:, whole * points.block :].copy(),
        begun=begun[:, ready * points.pitch :].copy(),
        done=np.concatenate((points.done, means), axis=1),
        wet_from=int(rows["number"][wet[0]]) if len(wet) else points.wet_from,
    )
    if points.done.shape[1] < MOST_POINTS:
        return points
    pairs = points.done.reshape(3, -1, 2).mean(axis=2)
    return replace(points, done=pairs, pitch=2 * points.pitch)


def _values(rows: Cycles) -> FloatArray:
    """Return number, 1/stiffness and deflection per load of rows, NaN where a row is not judged."""
    bad = (rows["flags"].astype(np.int64) & Flag.LONG_GAP) != 0
    stiffness, load = rows["stiffness"].astype(np.float64), rows["load_max"].astype(np.float64)
    sag = rows["deflection_max"].astype(np.float64)
    nothing = np.full(len(rows), np.nan)
    soft = np.divide(1.0, stiffness, out=nothing.copy(), where=(stiffness > 0) & ~bad)
    held = np.divide(sag, load, out=nothing, where=(load > 0) & ~bad)
    return np.stack((rows["number"].astype(np.float64), soft, held))


def _medians(blocks: FloatArray) -> FloatArray:
    """Return the median of the finite values of blocks, shape (3, n, rows), NaN where none is."""
    if np.isfinite(blocks).all():
        medians: FloatArray = np.median(blocks, axis=2)
        return medians
    found = [[_median(block) for block in row] for row in blocks]
    return np.array(found, np.float64).reshape(3, -1)


def _median(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else float("nan")


def based(points: Points, first: int, last: int) -> tuple[float, float] | None:
    """Return flexibility and deflection per load [m/N] over the baseline.

    None before its end, and where its cycles were not seen.
    """
    number = points.done[NUMBER]
    if not len(number) or number[-1] <= last:
        return None
    inside = (number >= first) & (number <= last)
    means = [values[inside & np.isfinite(values)] for values in points.done[[SOFT, SAG]]]
    if not all(len(found) and np.mean(found) > 0 for found in means):
        return None
    soft, sag = (float(np.mean(found)) for found in means)
    return soft, sag


def begun_at(points: Points, last: int) -> float:
    """Return the count from which on the specimen wears as it does now: water, once it runs."""
    return float(points.wet_from - 1) if points.wet_from > last else 0.0
