"""What sums of scores do by chance alone, sorted: p-values of many sums are then look-ups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.score_sums import (
    ALIKE,
    drawn_sums,
    exact_sums,
    ways_to_farthest,
    ways_to_smallest,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.samples import FloatArray

MOST: Final = 200_000
"""Arrangements that are all gone through; 10 specimens against 10 have 184,756."""
SAMPLE: Final = 20_000
"""Arrangements drawn where there are more."""


@dataclass(frozen=True, slots=True)
class NullSums:
    """Sums (k,) of one group's scores, from the smallest, and the shares of ways up to each.

    `away` are magnitudes of sums less their mean, from the smallest, `beyond` the shares of ways at
    each or farther. Both shares end with 0 or 1 for what lies outside. A sample counts the sum
    asked about as one more draw. `smallest_p_low` and `smallest_p_away` are the smallest one-sided
    and two-sided p that any arrangement gives, counted of a sample too.
    """

    sums: FloatArray
    up_to: FloatArray
    away: FloatArray
    beyond: FloatArray
    exact: bool
    smallest_p_low: float
    smallest_p_away: float

    def p_low(self, found: FloatArray) -> FloatArray:
        """Return the share of sums as low as those found (m,), or lower."""
        at: FloatArray = self.up_to[np.searchsorted(self.sums, found + ALIKE, side="right")]
        return at

    def p_away(self, away: FloatArray) -> FloatArray:
        """Return the share of sums as far from their mean as those found (m,), or farther."""
        at: FloatArray = self.beyond[np.searchsorted(self.away, away - ALIKE, side="left")]
        return at


def reached(p: FloatArray | float, significance: float) -> NDArray[np.bool_]:
    """Tell which p are a significance or less, but for rounding: three and three reach 1/20."""
    found: NDArray[np.bool_] = np.asarray(p) <= significance * (1.0 + 1e-9)
    return found


def null_sums(scores: FloatArray, n_a: int, seed: int = 0) -> NullSums:
    """Return the sums that `n_a` of the specimens with these scores (n,) come to, all alike likely.

    Beyond `MOST` arrangements a sample from `seed` stands in.
    """
    strata = [(scores, n_a)]
    arrangements = math.comb(len(scores), n_a)
    found = None if arrangements > MOST else exact_sums(strata)
    if found is None:
        found = drawn_sums(strata, SAMPLE, seed)
    seen = 0.0 if found.exact else 1.0
    whole = float(found.ways.sum()) + seen
    away = np.abs(found.sums - scores.mean() * n_a)
    order, far = np.argsort(found.sums), np.argsort(away)
    up_to = np.concatenate([[0.0], np.cumsum(found.ways[order])])
    nearer = np.concatenate([[0.0], np.cumsum(found.ways[far])])
    return NullSums(
        sums=found.sums[order],
        up_to=(up_to + seen) / whole,
        away=away[far],
        beyond=(nearer[-1] - nearer + seen) / whole,
        exact=found.exact,
        smallest_p_low=ways_to_smallest(strata) / arrangements,
        smallest_p_away=ways_to_farthest([(scores - scores.mean(), n_a)]) / arrangements,
    )
