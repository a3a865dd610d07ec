"""Which rows of a long column are drawn: the extremes of every bin, and medians up to a row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from rig.samples import FloatArray

Values = NDArray[np.floating[Any]]
Places = NDArray[np.int64]

BINS: Final = 300
"""Bins of one axis: a panel half a page wide has one on every quarter of a millimetre."""
_GATHERED: Final = 64
"""Windows whose medians are taken together: they fit into memory whatever the window."""


@dataclass(frozen=True, slots=True)
class Points:
    """What is drawn of a column: counted cycle numbers, rising, and the values there, (n,)."""

    number: Places
    value: FloatArray


def log_edges(rows: int) -> Places:
    """Return where bins begin that are equally wide over log cycles, and where the last ends."""
    spread = np.geomspace(1, rows + 1, BINS + 1) if rows else np.ones(1)
    return np.unique(np.round(spread).astype(np.int64)) - 1


def even_edges(rows: int) -> Places:
    """Return where bins of equally many rows begin, and where the last ends."""
    return np.unique(np.round(np.linspace(0, rows, BINS + 1)).astype(np.int64))


def extremes(values: Values, edges: Places) -> Places:
    """Return the rows of the smallest and the largest value of every bin, rising.

    A bin without any value gives its first row, so that a line drawn through the rows is broken
    there.
    """
    found: list[int] = []
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        part = values[begin:end]
        low, high = int(part.argmin()), int(part.argmax())
        if np.isnan(part[low]):
            known = np.flatnonzero(~np.isnan(part))
            if known.size:
                low, high = known[part[known].argmin()], known[part[known].argmax()]
            else:
                low = high = 0
        found += [begin + low, begin + high]
    return np.unique(np.array(found, np.int64))


def points(values: Values, edges: Places) -> Points:
    """Return the points that are drawn of the values of cycles 1, 2, 3 ..."""
    rows = extremes(values, edges)
    return Points(rows + 1, values[rows].astype(np.float64))


def trailing_median(values: Values, rows: Places, window: int) -> FloatArray:
    """Return the median of the last `window` values up to and including each of some rows.

    Values that are not there are left out; NaN where there is none, and where fewer rows than a
    window have been, as nothing is judged there.
    """
    found = np.full(len(rows), np.nan)
    full = np.flatnonzero(rows >= window - 1)
    back = np.arange(1 - window, 1)
    for begin in range(0, len(full), _GATHERED):
        at = full[begin : begin + _GATHERED]
        found[at] = _median_of_each(values[rows[at, None] + back].astype(np.float64))
    return found


def _median_of_each(windows: FloatArray) -> FloatArray:
    medians: FloatArray = np.median(windows, axis=1)
    for row in np.flatnonzero(np.isnan(medians)):
        known = windows[row][~np.isnan(windows[row])]
        medians[row] = np.median(known) if known.size else np.nan
    return medians


def last_rows(edges: Places) -> Places:
    """Return the last row of every bin."""
    return edges[1:] - 1
