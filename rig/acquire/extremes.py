"""Refined maximum and minimum of each cycle, of all signals together.

The largest of many noisy samples lies 0.2 to 0.6 % of the range too high, the largest of few
exact ones too low by up to 1 - cos(pi/N) of the amplitude. So a parabola is fitted to the
samples about each extreme, over a window of a seventh of a cycle, and its vertex is taken. The
fourth-order term of a sine would draw the vertex in by 0.0036 theta^4 of the amplitude, theta
being half the window in radians, 0.007 % of the range; this is put back from the curvature found.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

HALF_WINDOW: Final = 14  # a cycle's samples over this are half a window
LOG_COARSE: Final = 5  # 2 to it: the points among which extremes are first looked for
DOUBT: Final = 0.06  # of the range: a raw extreme further from the vertex may be a spike

IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@lru_cache(maxsize=64)
def _fit(half: int) -> FloatArray:
    """Return the matrix, shape (3, 2 half + 1), from samples to parabola coefficients."""
    t = np.arange(-half, half + 1, dtype=np.float64)
    return np.linalg.pinv(np.stack((np.ones_like(t), t, t * t), axis=1))


@lru_cache(maxsize=64)
def _quartic(half: int) -> float:
    """Return the value at the middle of the parabola fitted to t^4, t in samples."""
    return float(_fit(half)[0] @ np.arange(-half, half + 1, dtype=np.float64) ** 4)


def refined(
    signals: SampleArray, starts: IndexArray, lengths: IndexArray, floors: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return refined maxima and minima [SI], both (signals, cycles), and which cycles are in doubt.

    `signals` (signals, frames), contiguous, holds whole cycles that begin at `starts` and have
    `lengths` samples. In doubt are cycles with missing samples and those with a raw extreme
    further from the refined one than noise reaches, and further than `floors` (signals,) [SI].
    Where no parabola fits, the extreme is the raw one.
    """
    whole = signals[:, : int(starts[-1] + lengths[-1])]
    high = np.maximum.reduceat(whole, starts, axis=1).astype(np.float64)
    low = np.minimum.reduceat(whole, starts, axis=1).astype(np.float64)
    raw_high, raw_low = high.copy(), low.copy()
    halves = np.maximum(lengths // HALF_WINDOW, 1)
    halves[lengths < 3] = 0
    # Lengths differ by a few samples, so there are one or two windows, not one a cycle.
    for half in range(max(int(halves.min()), 1), int(halves.max()) + 1):
        rows = np.flatnonzero(halves == half)
        if len(rows):
            _refine(signals, starts[rows], lengths[rows], half, rows, high, low)
    off = np.maximum(np.abs(raw_high - high), np.abs(raw_low - low))
    beyond = off > np.maximum(DOUBT * (raw_high - raw_low), floors[:, None])
    doubt: BoolArray = np.any(beyond | np.isnan(off), axis=0)
    return high, low, doubt


def _refine(
    signals: SampleArray,
    starts: IndexArray,
    lengths: IndexArray,
    half: int,
    rows: IndexArray,
    high: FloatArray,
    low: FloatArray,
) -> None:
    """Put vertices in the place of raw extremes, for the cycles `rows` that share a window."""
    steps = lengths[:, None] * np.arange(1 << LOG_COARSE) >> LOG_COARSE
    coarse = np.take(signals, starts[:, None] + steps, axis=1)
    # The sum of three neighbours round the cycle finds the top despite noise.
    smooth = coarse.copy()
    smooth[..., 1:] += coarse[..., :-1]
    smooth[..., :-1] += coarse[..., 1:]
    smooth[..., 0] += coarse[..., -1]
    smooth[..., -1] += coarse[..., 0]
    offsets = np.arange(len(signals))[:, None] * signals.shape[1] + starts
    last = lengths - (2 * half + 1)
    at = np.stack((smooth.argmax(axis=2), smooth.argmin(axis=2)))
    first = offsets + np.clip((at * lengths >> LOG_COARSE) - half, 0, last)
    vertex, curvature, inside = _vertices(signals.reshape(-1), first, half)
    vertex += curvature * (_quartic(half) / 12 * (2 * np.pi / lengths) ** 2)
    for values, found, valid in (
        (high, vertex[0], inside[0] & (curvature[0] < 0)),
        (low, vertex[1], inside[1] & (curvature[1] > 0)),
    ):
        values[:, rows] = np.where(valid, found, values[:, rows])


def _vertices(
    flat: SampleArray, first: IndexArray, half: int
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return vertices and curvatures c (of c t^2) of parabolas, and which lie in their windows.

    Windows have 2 half + 1 samples from the indices `first` on.
    """
    windows = sliding_window_view(flat, 2 * half + 1)[first.reshape(-1)]
    origin = windows[:, half].copy()
    windows -= origin[:, None]
    samples = windows.astype(np.float64)
    # einsum keeps each row's sum to itself: a matrix product may round differently by its size.
    a, b, c = (np.einsum("ij,j->i", samples, row) for row in _fit(half))
    at = np.divide(-b, 2 * c, out=np.full(len(c), np.inf), where=c != 0)
    inside = np.abs(at) <= half
    at[~inside] = 0.0
    vertex = origin + a + b * at / 2
    shape = first.shape
    return vertex.reshape(shape), c.reshape(shape), inside.reshape(shape)
