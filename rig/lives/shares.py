"""Shares k of n: their interval, their difference, and the exact test of two of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.samples import FloatArray


class Interval(NamedTuple):
    """An estimate between its ends."""

    value: float
    low: float
    high: float


class ShareTest(NamedTuple):
    """One-sided exact p of a share being as much higher in `a`, and lower, with the smallest ones.

    The smallest are what these sizes and this total can reach.
    """

    p_higher: float
    p_lower: float
    smallest_p_higher: float
    smallest_p_lower: float


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> Interval | None:
    """Return the share k of n with its exact interval; None where n is zero.

    The interval covers at least with the confidence that is asked for, mostly with more.

    Source: Clopper and Pearson, Biometrika 26 (1934) 404; from memory.
    """
    from scipy.special import betaincinv

    if not n:
        return None
    tail = (1 - confidence) / 2
    low = float(betaincinv(k, n - k + 1, tail)) if k else 0.0
    high = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return Interval(k / n, low, high)


def share_difference(
    k_a: int, n_a: int, k_b: int, n_b: int, confidence: float = 0.95
) -> Interval | None:
    """Return the share of `a` less that of `b` with its interval; None where one n is zero.

    From the score interval of each share (Wilson), added as squares.

    Source: Newcombe, Stat. Med. 17 (1998) 873, method 10; from memory.
    """
    if not (n_a and n_b):
        return None
    a, b = _wilson(k_a, n_a, confidence), _wilson(k_b, n_b, confidence)
    difference = a.value - b.value
    return Interval(
        difference,
        max(difference - math.hypot(a.value - a.low, b.high - b.value), -1.0),
        min(difference + math.hypot(a.high - a.value, b.value - b.low), 1.0),
    )


def share_test(k_a: int, n_a: int, k_b: int, n_b: int) -> ShareTest | None:
    """Return the exact test of two shares with their total held; None where one n is zero.

    Source: Fisher, The Design of Experiments (1935), the lady tasting tea; from memory.
    """
    if not (n_a and n_b):
        return None
    total = k_a + k_b
    k = np.arange(max(total - n_b, 0), min(total, n_a) + 1)
    ways = _log_ways(n_a, k) + _log_ways(n_b, total - k)
    share = np.exp(ways - ways.max())
    share /= share.sum()
    return ShareTest(
        p_higher=min(float(share[k >= k_a].sum()), 1.0),
        p_lower=min(float(share[k <= k_a].sum()), 1.0),
        smallest_p_higher=float(share[-1]),
        smallest_p_lower=float(share[0]),
    )


def _log_ways(n: int, k: NDArray[np.int64]) -> FloatArray:
    """Return ln of in how many ways k of n can be taken."""
    from scipy.special import gammaln

    ways: FloatArray = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return ways


def _wilson(k: int, n: int, confidence: float) -> Interval:
    from scipy.special import ndtri

    square = float(ndtri((1 + confidence) / 2)) ** 2
    share = k / n
    middle = (2 * k + square) / (2 * (n + square))
    half = math.sqrt(square * (square + 4 * k * (1 - share))) / (2 * (n + square))
    return Interval(share, max(middle - half, 0.0), min(middle + half, 1.0))
