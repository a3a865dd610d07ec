"""Two groups of ultimate loads: difference, ratio and ranks, with what stands against them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from rig.lives.fieller import Moments, fieller, moments
from rig.lives.outliers import RULE, Outlier, outlier
from rig.lives.ranks import RankTest, rank_test

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]


class Shown(NamedTuple):
    """An outlier of group "a" or "b"; it stays in every figure."""

    group: str
    outlier: Outlier


@dataclass(frozen=True, slots=True)
class UltimateTest:
    """Group `a` against group `b`; what cannot be told is None, and `warnings` say why.

    Difference and its interval in the unit of the loads, a less b; `ratio` is a over b; p of the
    t-test of Welch and of the rank test are two-sided, `p_rank_higher` is one-sided for `a` being
    higher; `variation` is the standard deviation over the mean.
    """

    difference: float | None
    difference_low: float | None
    difference_high: float | None
    t: float | None
    df: float | None
    p: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    p_rank: float | None
    smallest_p_rank: float | None
    variation_a: float | None
    variation_b: float | None
    outliers: tuple[Shown, ...]
    warnings: tuple[str, ...]
    confidence: float
    n_a: int
    n_b: int
    mean_a: float | None
    mean_b: float | None
    p_rank_higher: float | None
    p_rank_lower: float | None
    smallest_p_rank_higher: float | None
    smallest_p_rank_lower: float | None


class _Welch(NamedTuple):
    low: float | None = None
    high: float | None = None
    t: float | None = None
    df: float | None = None
    p: float | None = None


def compare_ultimate(
    a: ArrayLike,
    b: ArrayLike,
    confidence: float = 0.95,
    names: tuple[str, str] = ("group a", "group b"),
) -> UltimateTest:
    """Compare ultimate loads (n,) and (m,) [N]; any sizes, any values, even none.

    Welch's t-test and the interval of the difference (unequal variances), the exact rank test, the
    ratio by Fieller. Outliers are shown by `outliers.RULE` and never dropped. `names` are what the
    warnings call both.

    Source: Welch, Biometrika 34 (1947) 28, with Satterthwaite's degrees of freedom; from memory.
    """
    one, other = np.asarray(a, float).ravel(), np.asarray(b, float).ravel()
    left, right = (moments(x) if x.size else None for x in (one, other))
    welch = _welch(left, right, confidence) if left and right else _Welch()
    ratio = fieller(one, other, confidence)
    ranks = rank_test(one, other)
    shown = tuple(
        Shown(name, found)
        for name, values in (("a", one), ("b", other))
        if (found := outlier(values)) is not None
    )
    return UltimateTest(
        difference=left.mean - right.mean if left and right else None,
        difference_low=welch.low,
        difference_high=welch.high,
        t=welch.t,
        df=welch.df,
        p=welch.p,
        ratio=ratio.ratio,
        ratio_low=ratio.low,
        ratio_high=ratio.high,
        p_rank=ranks.p if ranks else None,
        smallest_p_rank=ranks.smallest_p if ranks else None,
        variation_a=left.variation if left else None,
        variation_b=right.variation if right else None,
        outliers=shown,
        warnings=(*_doubts(left, right, ranks, names), *([ratio.note] if ratio.note else [])),
        confidence=confidence,
        n_a=one.size,
        n_b=other.size,
        mean_a=left.mean if left else None,
        mean_b=right.mean if right else None,
        p_rank_higher=ranks.p_higher if ranks else None,
        p_rank_lower=ranks.p_lower if ranks else None,
        smallest_p_rank_higher=ranks.smallest_p_higher if ranks else None,
        smallest_p_rank_lower=ranks.smallest_p_lower if ranks else None,
    )


def _welch(one: Moments, other: Moments, confidence: float) -> _Welch:
    from scipy.special import stdtr, stdtrit

    if one.of_mean is None or other.of_mean is None:
        return _Welch()
    total = one.of_mean + other.of_mean
    if not total:
        return _Welch()
    # Shares of the sum, so that the square of a tiny variance does not vanish.
    shares = ((one.of_mean / total, one.n), (other.of_mean / total, other.n))
    df = 1 / sum(share**2 / (n - 1) for share, n in shares)
    difference, error = one.mean - other.mean, math.sqrt(total)
    t = difference / error
    half = float(stdtrit(df, (1 + confidence) / 2)) * error
    return _Welch(difference - half, difference + half, t, df, 2 * float(stdtr(df, -abs(t))))


def _doubts(
    left: Moments | None, right: Moments | None, ranks: RankTest | None, names: tuple[str, str]
) -> list[str]:
    """Say what a t-test or a rank test of these values cannot be relied upon for."""
    doubts = []
    for name, found in zip(names, (left, right), strict=True):
        if found is None:
            doubts.append(f"{name} holds no ultimate load")
        elif found.n == 1:
            doubts.append(f"{name} holds one ultimate load: no variation, no t-test")
        elif not found.variance:
            doubts.append(f"the ultimate loads of {name} are all equal: look at the data")
    if ranks and not ranks.exact:
        doubts.append("too many loads to count every order: p of the ranks by the normal curve")
    return doubts


def outlier_words(shown: Shown, specimen: str) -> str:
    """Say in a line that a specimen lies far off, and that it stays in."""
    found = shown.outlier
    return (
        f"{specimen} lies {found.distance:.2f} standard deviations off the mean of its group "
        f"(more than {found.critical:.2f}: {RULE}); it stays in"
    )
