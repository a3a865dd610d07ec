"""Maximum likelihood of log lives about lines, run-outs among them, for many sets at once.

log life = x beta + sigma e, with e normal (lognormal lives) or of the smallest extreme value
(Weibull lives). In gamma = beta / sigma and h = 1 / sigma the log-likelihood is concave (Olsen,
Econometrica 46 (1978) 1211, for the normal; Burridge, J. R. Stat. Soc. B 43 (1981) 41, for both;
from memory), so that Newton's steps, halved where they lead down, find its one maximum.

Specimens are the first axis, sets the last: sums over a few specimens are then sums of long rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.censored import BoolArray, IntArray
    from rig.samples import FloatArray

Model = Literal["lognormal", "weibull"]

STEPS: Final = 60
"""Newton steps at most; from the start below 6 to 15 are needed."""

HALVINGS: Final = 30
NEAR: Final = 1e-12
"""Newton decrement after whose step the maximum is taken as reached: an error of its square."""

FLAT: Final = 1e-300
HALF_LOG_2_PI: Final = 0.5 * math.log(2.0 * math.pi)
MOST: Final = 300.0
"""Largest log of a hazard that is computed; beyond it a likelihood is zero for any use."""


@dataclass(frozen=True, slots=True)
class Maximum:
    """The maxima of sets (k): `beta` (p, k), `sigma` (k,), `log_likelihood` (k,) of log lives."""

    beta: FloatArray
    sigma: FloatArray
    log_likelihood: FloatArray


def maximum(
    model: Model,
    y: FloatArray,
    failed: BoolArray,
    x: Sequence[FloatArray],
    sigma: FloatArray | None = None,
    counted: BoolArray | None = None,
) -> Maximum:
    """Return the maxima of sets of log lives `y` (n, k), `failed` (n, k).

    `x` holds p columns, each (n, 1) or (n, k). With `sigma` (k,) only beta is sought. Run-outs that
    are not `counted` (n, k) are left out. The maximum must exist (see `censored.equal_or_none`); a
    column that is zero in all specimens of a set gets beta 0 there. NaN where the steps reach none.
    """
    search = _Search(model, y, failed, x, sigma, counted)
    active = np.arange(y.shape[1])
    for _ in range(STEPS):
        reached = search.step(active)
        active = active[~reached]
        if not active.size:
            break
    search.log_likelihood[active] = np.nan
    with np.errstate(invalid="ignore"):
        return Maximum(
            beta=search.gamma / search.h, sigma=1.0 / search.h, log_likelihood=search.log_likelihood
        )


class _Search:
    """The state of Newton's steps over all sets."""

    def __init__(
        self,
        model: Model,
        y: FloatArray,
        failed: BoolArray,
        x: Sequence[FloatArray],
        sigma: FloatArray | None,
        counted: BoolArray | None,
    ) -> None:
        self.parts = _normal if model == "lognormal" else _extreme
        self.y, self.failed, self.counted = y, failed, counted
        self.x = [np.broadcast_to(column, y.shape) for column in x]
        self.fixed = sigma is not None
        self.h = 1.0 / (_spread(y) if sigma is None else np.asarray(sigma, dtype=np.float64))
        self.gamma = _least_squares(self.x, y) * self.h
        self.failures = failed.sum(axis=0)
        # Of each log life, by z: first and second derivatives of its log-likelihood.
        self.log_likelihood, self.slope, self.bend = self._look(slice(None), self.gamma, self.h)

    def _z(self, sets: slice | IntArray, gamma: FloatArray, h: FloatArray) -> FloatArray:
        z = self.y[:, sets] * h
        for column, g in zip(self.x, gamma, strict=True):
            z = z - column[:, sets] * g
        return z

    def _look(
        self, sets: slice | IntArray, gamma: FloatArray, h: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        logs, slope, bend = self.parts(self._z(sets, gamma, h), self.failed[:, sets])
        if self.counted is not None:
            counted = self.counted[:, sets]
            logs, slope, bend = logs * counted, slope * counted, bend * counted
        return self.failures[sets] * np.log(h) + logs.sum(axis=0), slope, bend

    def step(self, sets: IntArray) -> BoolArray:
        """Take one step in the sets named; return which of them have arrived."""
        slope, bend = self.slope[:, sets], self.bend[:, sets]
        columns = [-column[:, sets] for column in self.x]
        if not self.fixed:
            columns.append(self.y[:, sets])
        gradient = [(slope * column).sum(axis=0) for column in columns]
        curvature = [
            [-(bend * one * other).sum(axis=0) for other in columns[: i + 1]]
            for i, one in enumerate(columns)
        ]
        if not self.fixed:
            failures, h = self.failures[sets], self.h[sets]
            gradient[-1] = gradient[-1] + failures / h
            curvature[-1][-1] = curvature[-1][-1] + failures / h**2
        way = _solved(curvature, gradient)
        decrement = sum((w * g for w, g in zip(way, gradient, strict=True)), np.zeros(len(sets)))
        self._go(sets, way)
        return decrement < NEAR

    def _go(self, sets: IntArray, way: list[FloatArray]) -> None:
        """Go along `way`, half as far again and again where the likelihood would be lower."""
        gamma, h, before = self.gamma[:, sets], self.h[sets], self.log_likelihood[sets]
        p = len(self.x)
        turn = np.array(way[:p]).reshape(p, len(sets))
        stretch = np.zeros(len(sets)) if self.fixed else way[-1]
        share = np.ones(len(sets))
        down = stretch < 0.0
        share[down] = np.minimum(1.0, -0.9 * h[down] / stretch[down])
        slack = 1e-12 * (1.0 + np.abs(before))
        for _ in range(HALVINGS):
            value, slope, bend = self._look(sets, gamma + share * turn, h + share * stretch)
            worse = ~(value >= before - slack)
            if not worse.any():
                break
            share[worse] /= 2.0
        # Where not even the shortest step leads up, rounding alone is left to gain.
        share[worse] = 0.0
        self.gamma[:, sets] = gamma + share * turn
        self.h[sets] = h + share * stretch
        self.log_likelihood[sets] = np.where(worse, before, value)
        self.slope[:, sets], self.bend[:, sets] = slope, bend


def _normal(z: FloatArray, failed: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log-likelihoods of standardised normal log lives and their two derivatives."""
    from scipy.special import log_ndtr

    left = log_ndtr(-z)
    density = -0.5 * z * z - HALF_LOG_2_PI
    hazard = np.exp(np.minimum(density - left, MOST))
    first = np.where(failed, -z, -hazard)
    second = np.where(failed, -1.0, -hazard * (hazard - z))
    return np.where(failed, density, left), first, np.minimum(second, 0.0)


def _extreme(z: FloatArray, failed: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log-likelihoods of standardised extreme-value log lives and their derivatives."""
    grown = np.exp(np.minimum(z, MOST))
    return np.where(failed, z, 0.0) - grown, failed - grown, -grown


def _spread(y: FloatArray) -> FloatArray:
    """Return the start of sigma: the standard deviation over all specimens, never zero."""
    result: FloatArray = np.maximum(y.std(axis=0), 1e-9)
    return result


def _least_squares(x: Sequence[FloatArray], y: FloatArray) -> FloatArray:
    """Return beta (p, k) of least squares, run-outs taken as failures."""
    products = [[(a * b).sum(axis=0) for b in x[: i + 1]] for i, a in enumerate(x)]
    found = _solved(products, [(a * y).sum(axis=0) for a in x])
    return np.array(found).reshape(len(x), y.shape[1])


def _solved(matrix: list[list[FloatArray]], right: list[FloatArray]) -> list[FloatArray]:
    """Solve symmetric positive systems, lower half given, element by element (Cholesky).

    A row that is zero, or depends on those before it, gets the answer zero.
    """
    size = len(right)
    lower: list[list[FloatArray]] = []
    for i in range(size):
        row: list[FloatArray] = []
        for j in range(i + 1):
            rest = matrix[i][j]
            for k in range(j):
                rest = rest - row[k] * lower[j][k] if j < i else rest - row[k] ** 2
            row.append(rest * lower[j][j] if j < i else _inverse_root(rest, matrix[i][i]))
        lower.append(row)
    forward: list[FloatArray] = []
    for i in range(size):
        rest = right[i]
        for k in range(i):
            rest = rest - lower[i][k] * forward[k]
        forward.append(rest * lower[i][i])
    answer: list[FloatArray] = [forward[0]] * size if size else []
    for i in reversed(range(size)):
        rest = forward[i]
        for k in range(i + 1, size):
            rest = rest - lower[k][i] * answer[k]
        answer[i] = rest * lower[i][i]
    return answer


def _inverse_root(pivot: FloatArray, whole: FloatArray) -> FloatArray:
    """Return 1 / sqrt(pivot), zero where the pivot is nothing but rounding of `whole`."""
    good = pivot > np.maximum(1e-14 * whole, FLAT)
    result: FloatArray = np.where(good, 1.0 / np.sqrt(np.where(good, pivot, 1.0)), 0.0)
    return result
