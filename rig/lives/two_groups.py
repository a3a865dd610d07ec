"""The likelihood ratio of two groups with one scatter: free, and with their life ratio held.

Log lives and failures are (n, k): specimens of both groups first, then sets; `is_a` (n,) tells
the specimens of a, `delta` is ln of the life of a over that of b.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.lives.censored import equal_or_none
from rig.lives.location_scale import Maximum, Model, maximum

if TYPE_CHECKING:
    from rig.lives.censored import BoolArray
    from rig.samples import FloatArray


def spread_unknown(y: FloatArray, failed: BoolArray, is_a: BoolArray) -> BoolArray:
    """Tell which sets (k,) have no failures, or none that scatters: they have no maximum."""
    result: BoolArray = equal_or_none(y[is_a].T, failed[is_a].T)
    result &= equal_or_none(y[~is_a].T, failed[~is_a].T)
    return result


def free(model: Model, y: FloatArray, failed: BoolArray, is_a: BoolArray) -> Maximum:
    """Return the maxima with a location for a (first) and one for b.

    The location of a group that only ran out has none but infinity: it is left out, its beta NaN.
    """
    fails = np.stack((failed[is_a].any(axis=0), failed[~is_a].any(axis=0)))
    columns = [is_a[:, None] * fails[0], ~is_a[:, None] * fails[1]]
    counted = columns[0] | columns[1]
    found = maximum(
        model,
        y,
        failed,
        [column.astype(np.float64) for column in columns],
        counted=None if counted.all() else counted,
    )
    beta = np.where(fails, found.beta, np.nan)
    return Maximum(beta, found.sigma, found.log_likelihood)


def held(
    model: Model, y: FloatArray, failed: BoolArray, is_a: BoolArray, delta: float | FloatArray
) -> Maximum:
    """Return the maxima with one location, that of b, and a `delta` (one, or (k,)) above it."""
    return maximum(model, y - is_a[:, None] * delta, failed, [np.ones((len(y), 1))])


def fall(
    model: Model, y: FloatArray, failed: BoolArray, is_a: BoolArray, delta: float | FloatArray
) -> FloatArray:
    """Return twice the fall of the log-likelihood (k,) where `delta` is held, never below 0.

    0 where no maximum exists: such lives speak against no ratio.
    """
    result = np.zeros(y.shape[1])
    known = np.flatnonzero(~spread_unknown(y, failed, is_a))
    if known.size:
        some, ends = y[:, known], failed[:, known]
        at = delta if isinstance(delta, float) else delta[known]
        best = free(model, some, ends, is_a).log_likelihood
        here = held(model, some, ends, is_a, at).log_likelihood
        result[known] = np.nan_to_num(np.maximum(2.0 * (best - here), 0.0))
    return result
