"""How often static tests of a few companions would show a difference of strength, by simulation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.null_sums import null_sums, reached
from rig.lives.power import SERIES

if TYPE_CHECKING:
    from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class UltimateDesign:
    """Two groups of ultimate loads: `ratio` of the means, first over second.

    `variation` is the standard deviation over the mean, of each group.
    """

    n_a: int
    n_b: int
    ratio: float
    variation: float


@dataclass(frozen=True, slots=True)
class UltimatePower:
    """Shares of simulated series with a two-sided p at most `significance`.

    By Welch's test (NaN where a group has one specimen) and by the exact rank test; `smallest_p` is
    the smallest two-sided p of ranks that these sizes can reach.
    """

    design: UltimateDesign
    significance: float
    power_welch: float
    power_rank: float
    smallest_p: float
    series: int


def ultimate_power(
    design: UltimateDesign, significance: float = 0.05, series: int = SERIES, seed: int = 0
) -> UltimatePower:
    """Return how often a difference of ultimate loads is shown; loads are drawn as normal.

    ValueError for an empty group.
    """
    n_a, n = design.n_a, design.n_a + design.n_b
    if not 0 < n_a < n:
        raise ValueError(f"groups of {n_a} and {design.n_b}: each needs a specimen")
    null = null_sums(np.arange(1.0, n + 1.0), n_a, seed)
    loads = 1.0 + design.variation * np.random.default_rng(seed).standard_normal((series, n))
    loads[:, :n_a] *= design.ratio
    ranks = np.argsort(np.argsort(loads, axis=1), axis=1) + 1.0
    away = np.abs(ranks[:, :n_a].sum(axis=1) - n_a * (n + 1) / 2)
    welch = welch_p(loads[:, :n_a], loads[:, n_a:])
    return UltimatePower(
        design=design,
        significance=significance,
        power_welch=float(reached(welch, significance).mean()) if min(n_a, n - n_a) > 1 else np.nan,
        power_rank=float(reached(null.p_away(away), significance).mean()),
        smallest_p=null.smallest_p_away,
        series=series,
    )


def welch_p(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the two-sided p of Welch's test of each row of (series, n) and (series, m).

    1.0 where a group has one value only or nothing varies.
    """
    from scipy.stats import t

    n, m = a.shape[1], b.shape[1]
    if min(n, m) < 2:
        return np.ones(len(a))
    first, second = a.var(axis=1, ddof=1) / n, b.var(axis=1, ddof=1) / m
    both = first + second
    varies = both > 0.0
    safe = np.where(varies, both, 1.0)
    freedom = safe**2 / np.maximum(first**2 / (n - 1) + second**2 / (m - 1), 1e-300)
    apart = np.abs(a.mean(axis=1) - b.mean(axis=1)) / np.sqrt(safe)
    result: FloatArray = np.where(varies, 2.0 * t.sf(apart, np.where(varies, freedom, 1.0)), 1.0)
    return result
