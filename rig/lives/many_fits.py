"""Weibull and lognormal fits of many sets of lives at once, for bootstraps and power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.censored import checked, equal_or_none
from rig.lives.location_scale import Maximum, Model, maximum

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.samples import FloatArray

TOGETHER: Final = 40_000
"""Lives in one batch of sets: its arrays stay near the processor."""


@dataclass(frozen=True, slots=True)
class WeibullMany:
    """Shape, scale [cycles] and log-likelihood (of cycles), each (sets,); NaN without a fit."""

    shape: FloatArray
    scale: FloatArray
    log_likelihood: FloatArray


@dataclass(frozen=True, slots=True)
class LognormalMany:
    """Mean and standard deviation of ln cycles and log-likelihood (of cycles), each (sets,).

    NaN without a fit.
    """

    mu: FloatArray
    sigma: FloatArray
    log_likelihood: FloatArray


def weibull_many(cycles: ArrayLike, failed: ArrayLike) -> WeibullMany:
    """Fit a Weibull law to each set of lives [cycles] (sets, n), `failed` (sets, n).

    ValueError for shapes or lives that cannot be. Where `fits.no_fit` would say why not: NaN.
    """
    found = _many("weibull", cycles, failed)
    with np.errstate(over="ignore"):
        return WeibullMany(1.0 / found.sigma, np.exp(found.beta[0]), found.log_likelihood)


def lognormal_many(cycles: ArrayLike, failed: ArrayLike) -> LognormalMany:
    """Fit a lognormal law to each set of lives [cycles] (sets, n), `failed` (sets, n).

    ValueError for shapes or lives that cannot be. Where `fits.no_fit` would say why not: NaN.
    """
    found = _many("lognormal", cycles, failed)
    return LognormalMany(found.beta[0], found.sigma, found.log_likelihood)


def _many(model: Model, cycles: ArrayLike, failed: ArrayLike) -> Maximum:
    lives, ends = checked(cycles, failed)
    if lives.ndim != 2:
        raise ValueError(f"lives of shape {lives.shape}: (sets, n) is needed")
    y = np.log(lives)
    sets, n = y.shape
    beta, sigma, likelihood = (np.full(sets, np.nan) for _ in range(3))
    usable = np.flatnonzero(~equal_or_none(y, ends))
    together = max(1, TOGETHER // max(n, 1))
    for begin in range(0, len(usable), together):
        some = usable[begin : begin + together]
        logs, fails = np.ascontiguousarray(y[some].T), np.ascontiguousarray(ends[some].T)
        middle = logs.mean(axis=0)
        found = maximum(model, logs - middle, fails, [np.ones((n, 1))])
        beta[some], sigma[some] = found.beta[0] + middle, found.sigma
        likelihood[some] = found.log_likelihood - (logs * fails).sum(axis=0)
    return Maximum(beta[None], sigma, likelihood)
