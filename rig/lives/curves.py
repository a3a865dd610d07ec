"""The share of a group that still lives, by the product limit, with run-outs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.censored import checked

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import IntArray
    from rig.samples import FloatArray

FEW: Final = 20
"""Specimens up to which the shares that intervals hold are said."""

HALF: Final = 0.5 * (1.0 + 1e-9)
"""Half of the specimens, and the rounding of a product of fractions."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Steps of a product-limit curve: at each of k lives with failures [cycles], what is left.

    `survival`, `low` and `high` (k,) hold from the life on, `at_risk` (k,) lived up to it,
    `failures` (k,) failed at it. Before the first life the share is 1, by an exact interval no
    less than `low_before`. `note` says what the intervals really hold.
    """

    times: FloatArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    at_risk: IntArray
    failures: IntArray
    low_before: float = 0.0
    note: str = ""


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
    low, high = _limits(survival, failures, at_risk, confidence)
    n = len(lives)
    return Curve(
        times=times,
        survival=survival,
        low=low,
        high=high,
        at_risk=at_risk,
        failures=failures,
        low_before=_before(n, confidence) if n else 0.0,
        note=_note(n, confidence),
    )


def median_life(curve: Curve) -> float | None:
    """Return the first life [cycles] that no more than half outlive; None where more than half do.

    With an even number of specimens and no run-outs that is the lower of the two middle lives.
    """
    below = np.flatnonzero(curve.survival <= HALF)
    return float(curve.times[below[0]]) if below.size else None


def _before(n: int, confidence: float) -> float:
    """Return the least share that n of n without a failure speak for (Clopper and Pearson)."""
    return float((0.5 - confidence / 2.0) ** (1.0 / n))


def _limits(
    survival: FloatArray, failures: IntArray, at_risk: IntArray, confidence: float
) -> tuple[FloatArray, FloatArray]:
    low, high = np.zeros(len(survival)), np.ones(len(survival))
    some = (survival > 0.0) & (survival < 1.0)
    if some.any():
        from scipy.special import ndtri

        d, n, s = failures[some], at_risk[some], survival[some]
        error = np.sqrt(np.cumsum(d / (n * (n - d))))
        wide = float(ndtri(0.5 + confidence / 2.0)) * error / np.abs(np.log(s))
        low[some], high[some] = s ** np.exp(wide), s ** np.exp(-wide)
    if len(survival) > 1 and not some[-1]:
        high[-1] = high[-2]
    return low, high


def _note(n: int, confidence: float) -> str:
    if not 0 < n <= FEW:
        return ""
    least, mean = holds(n, confidence)
    said = f"of {n} without run-outs the {confidence:.0%} intervals hold {least:.0%} at least"
    return f"{said}, {mean:.0%} on average".replace("%", " %")


@lru_cache(maxsize=64)
def holds(n: int, confidence: float) -> tuple[float, float]:
    """Return the least and the mean share of intervals of n specimens that hold the true share.

    Over true shares of 2 to 98 % still alive, without run-outs: how many of n are is binomial.
    """
    from scipy.special import bdtr

    steps = np.arange(1, n + 1)
    low, high = _limits(1.0 - steps / n, np.ones(n, dtype=np.int64), n + 1 - steps, confidence)
    low, high = np.append(_before(n, confidence), low), np.append(1.0, high)
    true = np.linspace(0.02, 0.98, 97)[:, None]
    chance = np.diff(bdtr(np.arange(n + 1.0), n, 1.0 - true), axis=1, prepend=0.0)
    held = (chance * ((low <= true) & (true <= high))).sum(axis=1)
    return float(held.min()), float(held.mean())
