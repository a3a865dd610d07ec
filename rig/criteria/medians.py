"""Sliding medians, worked out only where they can matter."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def first_at_or_below(
    values: FloatArray, begin: int, window: int, threshold: float
) -> tuple[int, float] | None:
    """Find the first index from `begin` on whose trailing median is at or below `threshold`.

    The median covers `window` values up to and including the index; where fewer exist nothing
    is judged. Returns index and median. Counting values at or below the threshold decides all
    windows but those of even length that it splits in half, so medians are rarely worked out.
    """
    start = max(0, begin - window + 1)
    low = values[start:] <= threshold
    least = (window + 1) // 2
    if np.count_nonzero(low) < least or len(low) < window:
        return None
    total = np.concatenate(([0], np.cumsum(low)))
    counts = total[window:] - total[:-window]
    for at in np.flatnonzero(counts >= least):
        end = start + int(at) + window
        if end <= begin:
            continue
        median = float(np.median(values[end - window : end]))
        if counts[at] > window // 2 or median <= threshold:
            return end - 1, median
    return None


def trailing_medians(values: FloatArray, window: int) -> FloatArray:
    """Return the medians of each `window` values in a row, shape (n - window + 1,)."""
    result: FloatArray = np.median(sliding_window_view(values, window), axis=1)
    return result
