"""All ways to deal specimens to two groups, and what a sum of scores does over them.

One matrix of arrangements serves many rows of scores at once, so that exact tests of thousands of
simulated series are sums and look-ups.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.samples import FloatArray

MOST: Final = 200_000
"""Arrangements that are all gone through; of more a seeded sample of so many stands in."""
SAMPLE: Final = 20_000

SAME: Final = 1e-9
"""Sums nearer than this are one: scores are sums of fractions, and rounded."""


@dataclass(frozen=True, slots=True)
class Arrangements:
    """Which of n specimens are dealt to the first group: `dealt` (arrangements, n), 0.0 or 1.0.

    `exact` where these are all there are; else the arrangement at hand is added to each count.
    """

    dealt: FloatArray
    exact: bool

    def null(self, scores: FloatArray) -> Null:
        """Return the null distribution of sums of scores (n,)."""
        sums = np.sort(self.dealt @ scores)
        return Null(sums, np.sort(np.abs(sums - scores.sum() * self.share)), self.exact)

    @property
    def share(self) -> float:
        """The share of all specimens that the first group has."""
        return float(self.dealt[0].mean())


@dataclass(frozen=True, slots=True)
class Null:
    """The sorted sums (arrangements,) of scores, and their sorted distances from their mean."""

    sums: FloatArray
    away: FloatArray
    exact: bool

    @property
    def mean(self) -> float:
        """The mean sum over all arrangements."""
        return float(self.sums.mean())

    def p_low(self, found: FloatArray) -> FloatArray:
        """Return the share of sums that are as low as those found (k,) or lower."""
        return self._share(np.searchsorted(self.sums, found + SAME, side="right"))

    def p_away(self, away: FloatArray) -> FloatArray:
        """Return the share of sums as far from their mean as those found (k,), or farther."""
        return self._share(len(self.away) - np.searchsorted(self.away, away - SAME, side="left"))

    @property
    def smallest_p_low(self) -> float:
        """The smallest one-sided p that any arrangement gives."""
        return float(self.p_low(self.sums[:1])[0])

    @property
    def smallest_p_away(self) -> float:
        """The smallest two-sided p that any arrangement gives."""
        return float(self.p_away(self.away[-1:])[0])

    def _share(self, counts: NDArray[np.intp]) -> FloatArray:
        more = 0 if self.exact else 1
        result: FloatArray = (counts + more) / (len(self.sums) + more)
        return result


def arrangements(n_a: int, n_b: int, seed: int = 0) -> Arrangements:
    """Return the ways to deal `n_a` of `n_a + n_b` specimens to the first group.

    Up to `MOST` of them all, beyond it a sample drawn from a seed. ValueError for an empty group.
    """
    if min(n_a, n_b) < 1:
        raise ValueError(f"groups of {n_a} and {n_b}: each needs a specimen")
    n = n_a + n_b
    exact = math.comb(n, n_a) <= MOST
    if exact:
        chosen = np.array(list(combinations(range(n), n_a)))
    else:
        order = np.random.default_rng(seed).random((SAMPLE, n))
        chosen = np.argpartition(order, n_a, axis=1)[:, :n_a]
    dealt = np.zeros((len(chosen), n))
    np.put_along_axis(dealt, chosen, 1.0, axis=1)
    return Arrangements(dealt, exact)
