"""Every way to deal specimens out to two groups, as the sums of scores that one group gets.

Not each way by itself: specimens of one score are dealt by number, and equal sums are kept once
with how many ways lead to them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.censored import BoolArray, IntArray
    from rig.samples import FloatArray

    Stratum = tuple[FloatArray, int]
    """Scores (n,) of the specimens of one batch, and how many of them are of the first group."""

MOST_SUMS: Final = 4_000_000
"""Sums held at a time; 12 specimens against 12 have 2.7 million arrangements."""

MOST_WAYS: Final = 10**300
"""Ways that a number in floating point still counts, to 16 digits."""

UNIT: Final = 2.0**-44
"""Scores are counted in whole units of this, so that their sums have no rounding of their own."""

ALIKE: Final = 1e-9
"""Scores, and sums of them, nearer than this are equal: what is between them is rounding."""


@dataclass(frozen=True, slots=True)
class Sums:
    """Sums of scores (k,), how many ways lead to each (k,), and whether these are all ways."""

    sums: FloatArray
    ways: FloatArray
    exact: bool

    def share(self, of: BoolArray) -> float:
        """Return the share of the ways; of a sample, with the arrangement seen as one more draw."""
        seen = 0.0 if self.exact else 1.0
        return (float(self.ways[of].sum()) + seen) / (float(self.ways.sum()) + seen)


def exact_sums(strata: Sequence[Stratum]) -> Sums | None:
    """Return the sums of all arrangements within the strata, None where they are too many."""
    telling = [(values, k) for values, k in strata if values.size and np.ptp(values) > ALIKE]
    if math.prod(math.comb(len(values), k) for values, k in telling) > MOST_WAYS:
        return None
    # Where all scores are alike they are 0, and so is the sum of any of them.
    total, ways = np.zeros(1, dtype=np.int64), np.ones(1)
    for values, chosen in telling:
        of_stratum = _stratum(values, chosen)
        if of_stratum is None or len(total) * len(of_stratum[0]) > MOST_SUMS:
            return None
        total = np.add.outer(total, of_stratum[0]).ravel()
        total, ways = _merged(total, np.multiply.outer(ways, of_stratum[1]).ravel())
    return Sums(total.astype(np.float64) * UNIT, ways, exact=True)


def drawn_sums(strata: Sequence[Stratum], draws: int, seed: int) -> Sums:
    """Return the sums of arrangements drawn from `seed`."""
    rng = np.random.default_rng(seed)
    total = np.zeros(draws)
    for values, chosen in strata:
        together = max(1, 1_000_000 // len(values))
        for begin in range(0, draws, together):
            rows = min(together, draws - begin)
            keys = rng.random((rows, len(values)))
            first = np.argpartition(keys, min(chosen, len(values) - 1), axis=1)[:, :chosen]
            total[begin : begin + rows] += values[first].sum(axis=1)
    return Sums(total, np.ones(draws), exact=False)


def ways_to_smallest(strata: Sequence[Stratum]) -> int:
    """Return how many arrangements reach the smallest sum of all."""
    return math.prod(_least(values, chosen)[1] for values, chosen in strata)


def ways_to_farthest(strata: Sequence[Stratum]) -> int:
    """Return how many arrangements reach the sum of largest magnitude."""
    low = [_least(values, chosen) for values, chosen in strata]
    high = [_least(-values, chosen) for values, chosen in strata]
    ends = [
        (-sum(total for total, _ in end), math.prod(ways for _, ways in end)) for end in (low, high)
    ]
    most = max(size for size, _ in ends)
    if most < ALIKE:
        return math.prod(math.comb(len(values), chosen) for values, chosen in strata)
    return sum(ways for size, ways in ends if size > most - ALIKE)


def _merged(total: IntArray, ways: FloatArray) -> tuple[IntArray, FloatArray]:
    kept, where = np.unique(total, return_inverse=True)
    if len(kept) == len(total):
        return total, ways
    return kept, np.bincount(where, weights=ways).astype(np.float64)


def _tied(values: FloatArray) -> list[tuple[int, int]]:
    """Return each score, in units, and how many specimens have it, from the smallest."""
    found: list[tuple[int, int]] = []
    before = -math.inf
    for value in np.sort(values):
        if found and value - before < ALIKE:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        else:
            found.append((round(float(value) / UNIT), 1))
            before = float(value)
    return found


def _stratum(values: FloatArray, chosen: int) -> tuple[IntArray, FloatArray] | None:
    """Return the sums, in units, of `chosen` of the scores, and the ways to each."""
    held = {0: (np.zeros(1, dtype=np.int64), np.ones(1))}  # by how many have been dealt to it
    left = len(values)
    for score, alike in _tied(values):
        left -= alike
        grown: dict[int, list[tuple[IntArray, FloatArray]]] = {}
        size = 0
        for dealt, (total, ways) in held.items():
            for more in range(max(0, chosen - dealt - left), min(alike, chosen - dealt) + 1):
                size += len(total)
                if size > MOST_SUMS:
                    return None
                grown.setdefault(dealt + more, []).append(
                    (total + more * score, ways * math.comb(alike, more))
                )
        held = {dealt: _joined(parts) for dealt, parts in grown.items()}
    return held[chosen]


def _joined(parts: list[tuple[IntArray, FloatArray]]) -> tuple[IntArray, FloatArray]:
    if len(parts) == 1:
        return parts[0]
    totals, ways = zip(*parts, strict=True)
    return _merged(np.concatenate(totals), np.concatenate(ways))


def _least(values: FloatArray, chosen: int) -> tuple[float, int]:
    """Return the least sum of `chosen` scores and how many choices have it."""
    if not chosen:
        return 0.0, 1
    ordered = np.sort(values)
    edge = ordered[chosen - 1]
    below = int((ordered < edge - ALIKE).sum())
    alike = int((np.abs(ordered - edge) <= ALIKE).sum())
    return float(ordered[:chosen].sum()), math.comb(alike, chosen - below)
