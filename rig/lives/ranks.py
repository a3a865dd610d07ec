"""The rank test of two groups, exact with ties: every way to deal the ranks is counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

MOST_STEPS: Final = 100_000_000
"""Additions that counting may take; about 60 against 60 values."""


@dataclass(frozen=True, slots=True)
class RankTest:
    """How the ranks of `a` lie among all; p-values of a sum as far off or farther.

    `p_higher` is one-sided for `a` being higher; the smallest are what these sizes and ties can
    reach. `exact` is False where there were too many to count and the normal distribution stands
    in.
    """

    p: float
    p_higher: float
    p_lower: float
    smallest_p: float
    smallest_p_higher: float
    smallest_p_lower: float
    exact: bool


def rank_test(a: ArrayLike, b: ArrayLike) -> RankTest | None:
    """Return the rank-sum test of values (n,) and (m,) in one unit; None where one is empty.

    Equal values share the mean of their ranks. Two-sided counts rank sums at least as far from
    their mean, on either side; without ties that is twice the smaller tail.

    Source: Wilcoxon, Biometrics Bull. 1 (1945) 80; Mann and Whitney 1947; from memory.
    """
    one, other = np.asarray(a, float).ravel(), np.asarray(b, float).ravel()
    n, m = one.size, other.size
    if not (n and m):
        return None
    ranks = _doubled_ranks(np.concatenate([one, other]))
    few = min(n, m)
    most = int(np.sort(ranks)[-few:].sum())
    if (n + m) * few * most > MOST_STEPS:
        return _by_the_normal(one, other)
    ways = _ways(ranks, few, most)
    # The fewer are dealt; the sum of `a` follows from it, for the ranks add up to a constant.
    sums = np.arange(most + 1)
    if few != n:
        ways, sums = ways[::-1], int(ranks.sum()) - sums[::-1]
    taken = ways > 0.0
    return _counted(ways[taken] / ways.sum(), sums[taken], int(ranks[:n].sum()), n * (n + m + 1))


def _doubled_ranks(values: FloatArray) -> NDArray[np.int64]:
    """Return twice the mid-ranks, which are whole numbers."""
    _, group, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    doubled: NDArray[np.int64] = (2 * last - count + 1)[group]
    return doubled


def _ways(ranks: NDArray[np.int64], few: int, most: int) -> FloatArray:
    """Return in how many ways `few` of the ranks have each sum."""
    ways = np.zeros((few + 1, most + 1))
    ways[0, 0] = 1.0
    for rank in np.sort(ranks):
        ways[1:, rank:] += ways[:-1, : most + 1 - rank]
    dealt: FloatArray = ways[few]
    return dealt


def _counted(share: FloatArray, sums: NDArray[np.int64], found: int, doubled_mean: int) -> RankTest:
    away = np.abs(sums - doubled_mean)

    def of(which: NDArray[np.bool_]) -> float:
        return min(float(share[which].sum()), 1.0)

    return RankTest(
        p=of(away >= abs(found - doubled_mean)),
        p_higher=of(sums >= found),
        p_lower=of(sums <= found),
        smallest_p=of(away == away.max()),
        smallest_p_higher=float(share[-1]),
        smallest_p_lower=float(share[0]),
        exact=True,
    )


def _by_the_normal(one: FloatArray, other: FloatArray) -> RankTest:
    from scipy.stats import mannwhitneyu

    together = np.concatenate([one, other])
    if together.min() == together.max():
        return RankTest(1.0, 1.0, 1.0, 1.0, 1.0, 1.0, exact=True)
    higher, lower = (
        float(mannwhitneyu(one, other, alternative=way, method="asymptotic").pvalue)
        for way in ("greater", "less")
    )
    return RankTest(min(2 * min(higher, lower), 1.0), higher, lower, 0.0, 0.0, 0.0, exact=False)
