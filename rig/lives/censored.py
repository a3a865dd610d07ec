"""Lives of which some are run-outs: the arrays every function of this room is given."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.samples import FloatArray

    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]

LEAST_SPREAD = 1e-12
"""Spread of log lives over their size, below which they are rounding and count as equal."""


def checked(cycles: ArrayLike, failed: ArrayLike) -> tuple[FloatArray, BoolArray]:
    """Return lives [cycles] (..., n) and whether each ended in failure (..., n) as arrays.

    ValueError where the shapes differ or a life is not above zero and finite.
    """
    lives = np.asarray(cycles, dtype=np.float64)
    ends = np.asarray(failed, dtype=np.bool_)
    if lives.shape != ends.shape or lives.ndim < 1:
        raise ValueError(
            f"lives and failures of shapes {lives.shape} and {ends.shape}: one of each a specimen"
        )
    if lives.size and not (np.isfinite(lives).all() and (lives > 0.0).all()):
        raise ValueError("a life must be above 0 cycles and finite")
    return lives, ends


def equal_or_none(log_lives: FloatArray, failed: BoolArray) -> BoolArray:
    """Tell of sets (..., n) where failures are missing, or all at one life that nothing outlives.

    A spread cannot be estimated from these: without failures it has no lower end, and where all
    failures lie at one life and no run-out beyond it the likelihood grows without end as the
    spread goes to zero.
    """
    first = np.where(failed, log_lives, np.inf).min(axis=-1, initial=np.inf)
    last = log_lives.max(axis=-1, initial=-np.inf)
    result: BoolArray = ~(last - first > LEAST_SPREAD * np.maximum(1.0, np.abs(last)))
    return result
