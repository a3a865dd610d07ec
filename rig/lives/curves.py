"""The share of a group that still lives, by the product limit, with run-outs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.censored import checked

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import IntArray
    from rig.samples import FloatArray

HALF: Final = 0.5 * (1.0 + 1e-9)
"""Half of the specimens, and the rounding of a product of fractions."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Steps of a product-limit curve: at each of k lives with failures [cycles], what is left.

    `survival`, `low` and `high` (k,) hold from the life on, `at_risk` (k,) lived up to it,
    `failures` (k,) failed at it. Before the first life the share is 1.
    """

    times: FloatArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    at_risk: IntArray
    failures: IntArray


def product_limit(cycles: ArrayLike, failed: ArrayLike, confidence: float = 0.95) -> Curve:
    """Return the product-limit curve of lives [cycles] (n,), `failed` (n,).

    Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457; the interval, of each step by itself, is
    that of ln(-ln S) with Greenwood's variance (Kalbfleisch and Prentice, 1.4; from memory).
    Where none is left it has no width of its own: `low` is 0 and `high` that of the step before.
    A run-out at the life of a failure outlives it. No failures: no steps. ValueError for lives
    that cannot be, or a confidence not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence:g}: it must lie between 0 and 1")
    lives, ends = checked(cycles, failed)
    times, failures = np.unique(lives[ends], return_counts=True)
    at_risk = len(lives) - np.searchsorted(np.sort(lives), times, side="left")
    survival = np.cumprod(1.0 - failures / at_risk).astype(np.float64)
    low, high = np.zeros(len(times)), np.ones(len(times))
    some = (survival > 0.0) & (survival < 1.0)
    if some.any():
        from scipy.special import ndtri

        d, n, s = failures[some], at_risk[some], survival[some]
        error = np.sqrt(np.cumsum(d / (n * (n - d))))
        wide = float(ndtri(0.5 + confidence / 2.0)) * error / np.abs(np.log(s))
        low[some], high[some] = s ** np.exp(wide), s ** np.exp(-wide)
    if len(times) > 1 and not some[-1]:
        high[-1] = high[-2]
    return Curve(times, survival, low, high, at_risk, failures)


def median_life(curve: Curve) -> float | None:
    """Return the first life [cycles] that no more than half outlive; None where more than half do.

    With an even number of specimens and no run-outs that is the lower of the two middle lives.
    """
    below = np.flatnonzero(curve.survival <= HALF)
    return float(curve.times[below[0]]) if below.size else None


def survival_at(curve: Curve, cycles: float) -> float:
    """Return the share that outlives a count [cycles].

    Beyond the last failure the share stays what it was there: only run-outs follow.
    """
    passed = int(np.searchsorted(curve.times, cycles, side="right"))
    return float(curve.survival[passed - 1]) if passed else 1.0
