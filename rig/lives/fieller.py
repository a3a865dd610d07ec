"""The ratio of two means with its interval, by the theorem of Fieller."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class Moments(NamedTuple):
    """Count, mean and variance of a sample; the variance is None of fewer than two values."""

    n: int
    mean: float
    variance: float | None

    @property
    def of_mean(self) -> float | None:
        """Variance of the mean."""
        return None if self.variance is None else self.variance / self.n

    @property
    def variation(self) -> float | None:
        """Coefficient of variation, None where there is none."""
        if self.variance is None or not self.mean:
            return None
        return math.sqrt(self.variance) / abs(self.mean)


def moments(values: ArrayLike) -> Moments:
    """Return count, mean and variance (n - 1) of values (n,) of any unit, n at least 1."""
    array = np.asarray(values, float).ravel()
    if array.min() == array.max():  # their mean may be off by a rounding, and so no variance
        return Moments(array.size, float(array[0]), 0.0 if array.size > 1 else None)
    return Moments(array.size, float(array.mean()), float(array.var(ddof=1)))


@dataclass(frozen=True, slots=True)
class Fieller:
    """A ratio of means; where `low` and `high` are None, `note` says why."""

    ratio: float | None
    low: float | None
    high: float | None
    df: float | None
    confidence: float
    note: str = ""


def fieller(
    a: ArrayLike, b: ArrayLike, confidence: float = 0.95, *, pooled: bool = False
) -> Fieller:
    """Return the ratio of the mean of `a` to the mean of `b`, with its interval.

    The interval holds every ratio r that a t-test of mean(a) - r mean(b) = 0 does not refuse. It
    is refused where that set has no ends, for the mean of `b` may then be zero.

    Parameters
    ----------
    a, b
        Values (n,) and (m,) in one unit, such as ultimate loads [N].
    confidence
        Two-sided, between 0 and 1.
    pooled
        Take one variance for both. Otherwise each has its own, with the degrees of freedom of
        Satterthwaite at the estimated ratio.

    Sources
    -------
    Fieller, J. R. Stat. Soc. B 16 (1954) 175; Hasler, Vonk and Hothorn, Stat. Med. 27 (2008) 490
    for unequal variances; both from memory.
    """
    if not (np.size(a) and np.size(b)):
        return Fieller(None, None, None, None, confidence, "a group without values has no mean")
    one, other = moments(a), moments(b)
    if other.mean <= 0.0:
        note = "the mean that would be divided by is not above zero"
        return Fieller(None, None, None, None, confidence, note)
    ratio = one.mean / other.mean
    spread = _spread(one, other, ratio, pooled=pooled)
    if spread is None:
        note = "a single value tells nothing of its variation: no interval"
        return Fieller(ratio, None, None, None, confidence, note)
    if spread.df is None:
        note = "no variation in either group: no interval"
        return Fieller(ratio, None, None, None, confidence, note)
    return _interval(ratio, spread, confidence)


class _Spread(NamedTuple):
    """Variances of both means over the square of the second mean; df None without variation."""

    a: float
    b: float
    df: float | None


def _spread(one: Moments, other: Moments, ratio: float, *, pooled: bool) -> _Spread | None:
    square = other.mean**2
    if pooled:
        df = one.n + other.n - 2
        if not df:
            return None
        sums = [(m.n - 1) * (m.variance or 0.0) for m in (one, other)]
        common = sum(sums) / df / square
        return _Spread(common / one.n, common / other.n, df if common else None)
    if one.of_mean is None or other.of_mean is None:
        return None
    a, b = one.of_mean / square, other.of_mean / square
    scaled = ratio**2 * b
    # Shares of the sum, so that the square of a tiny variance does not vanish.
    total = a + scaled
    if not total:
        return _Spread(a, b, None)
    left, right = (a / total) ** 2 / (one.n - 1), (scaled / total) ** 2 / (other.n - 1)
    return _Spread(a, b, 1 / (left + right))


def _interval(ratio: float, spread: _Spread, confidence: float) -> Fieller:
    from scipy.special import stdtrit

    t = float(stdtrit(spread.df, (1 + confidence) / 2))
    lead = 1 - t**2 * spread.b
    if lead <= 0.0:
        note = (
            "the ratio has no bounded interval: the mean that would be divided by is not "
            f"different from zero at {100 * confidence:.0f} %"
        )
        return Fieller(ratio, None, None, spread.df, confidence, note)
    half = t * math.sqrt(max(spread.a * lead + ratio**2 * spread.b, 0.0))
    low, high = (ratio - half) / lead, (ratio + half) / lead
    return Fieller(ratio, low, high, spread.df, confidence)
