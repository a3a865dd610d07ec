"""Least squares of two straight lines that meet: y = c + a x + b max(x - kink, 0).

The kink is where the sum of squares is least among all tried ones (a profile over the kink); each
of them costs a few products of running sums, so that a few thousand points take milliseconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from rig.samples import FloatArray

CONFIDENCE: Final = 0.95
"""Of the interval of the kink."""

EDGE: Final = 0.05
"""Share of the range that each of the two lines needs at least (no source)."""

LEAST: Final = 5
"""Points that each of the two lines needs at least (no source)."""

TRIED: Final = 240
"""Kinks tried across all points, and again, twice, around the best one."""

ROUNDING: Final = 1e-14
"""Least sum of squares over that of y: below it there is only rounding."""

MOST_FOLLOWING: Final = 0.9
"""Residuals are never taken to follow one another more than this.

Where lines are fitted to a smooth bend all of them do, and no point would count.
"""


@dataclass(frozen=True, slots=True)
class Bilinear:
    """Kink and its interval, slopes below and above it, and how much it explains.

    `f` is the F statistic of the two further parameters against one straight line. `low` and
    `high` are NaN where the interval is not closed among the points.
    """

    kink: float
    low: float
    high: float
    below: float
    above: float
    f: float


def bilinear(x: FloatArray, y: FloatArray) -> Bilinear | None:
    """Return the fit of points in the order of their measuring, None where they are too few.

    The interval holds every kink whose sum of squares is no larger than the F statistic allows
    (Seber and Wild, Nonlinear Regression, 5.4; from memory). Residuals that follow one another
    count for as many points as are independent, n (1 - r) / (1 + r) with r their correlation.
    """
    if len(x) < 2 * LEAST + 4 or np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        return None
    x_unit, y_unit = float(np.ptp(x)), float(np.ptp(y))
    x_middle = float(x.mean())
    points = _Points((x - x_middle) / x_unit, (y - y.mean()) / y_unit)
    at = _best_kink(points)
    least = float(_squares(points, np.array([at]))[0])
    c, a, b = _line(points, at)
    freedom = _independent(points, at, (c, a, b)) - 4
    if freedom < 1:
        return None
    allowed = least * (1 + t_quantile((1 + CONFIDENCE) / 2, freedom) ** 2 / freedom)
    low, high = (_outermost(points, at, end, allowed) for end in points.window)
    slope = y_unit / x_unit
    return Bilinear(
        kink=x_middle + at * x_unit,
        low=x_middle + low * x_unit,
        high=x_middle + high * x_unit,
        below=a * slope,
        above=(a + b) * slope,
        f=(points.straight - least) / 2 / (least / freedom),
    )


def t_quantile(share: float, freedom: float) -> float:
    """Return the quantile of Student's t by its expansion about the normal one.

    Abramowitz and Stegun 26.7.5 (from memory); at 97.5 % good to 0.1 % from six degrees of
    freedom on.
    """
    z = NormalDist().inv_cdf(share)
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return z + first / freedom + second / freedom**2 + third / freedom**3


class _Points:
    """Points about their mean, in units of their range, with the sums of all above each."""

    def __init__(self, x: FloatArray, y: FloatArray) -> None:
        self.x, self.y = x, y
        order = np.argsort(x, kind="stable")
        self.sorted, v = x[order], y[order]
        u = self.sorted
        columns = np.array([np.ones(len(u)), u, u * u, v, u * v])
        self.above = np.zeros((5, len(u) + 1))
        self.above[:, :-1] = np.cumsum(columns[:, ::-1], axis=1)[:, ::-1]
        self.xx, self.xy, self.yy = float(u @ u), float(u @ v), float(v @ v)
        self.straight = self.yy - self.xy**2 / self.xx
        # Not a share of the points: a stiff branch in deflection control has few of them.
        low, high = max(u[LEAST], u[0] + EDGE), min(u[-LEAST - 1], u[-1] - EDGE)
        self.window = (float(low), max(float(low), float(high)))


def _products(points: _Points, kinks: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the sums of h h (about its mean), h x and h y, with h = max(x - kink, 0)."""
    n, x, xx, y, xy = points.above[:, np.searchsorted(points.sorted, kinks)]
    hh = xx - 2 * kinks * x + n * kinks**2 - (x - n * kinks) ** 2 / len(points.x)
    return hh, xx - kinks * x, xy - kinks * y


def _squares(points: _Points, kinks: FloatArray) -> FloatArray:
    """Return the sum of squares that each kink leaves."""
    hh, hx, hy = _products(points, kinks)
    free = np.maximum(hh - hx**2 / points.xx, ROUNDING)
    won = (hy - hx * points.xy / points.xx) ** 2 / free
    return np.maximum(points.straight - won, ROUNDING * points.yy)


def _line(points: _Points, kink: float) -> tuple[float, float, float]:
    """Return c, a and b of one kink."""
    hh, hx, hy = (float(p[0]) for p in _products(points, np.array([kink])))
    b = (hy - hx * points.xy / points.xx) / max(hh - hx**2 / points.xx, ROUNDING)
    a = (points.xy - b * hx) / points.xx
    return -b * float(np.maximum(points.x - kink, 0.0).mean()), a, b


def _best_kink(points: _Points) -> float:
    low, high = points.window
    for _ in range(3):
        kinks = np.linspace(low, high, TRIED)
        best = int(np.argmin(_squares(points, kinks)))
        low, high = kinks[max(best - 1, 0)], kinks[min(best + 1, TRIED - 1)]
    return float(kinks[best])


def _independent(points: _Points, kink: float, line: tuple[float, float, float]) -> float:
    """Return how many points are independent, by how the residuals follow one another."""
    c, a, b = line
    rest = points.y - c - a * points.x - b * np.maximum(points.x - kink, 0.0)
    square = float(rest @ rest)
    follows = float(rest[1:] @ rest[:-1]) / square if square > 0.0 else 0.0
    follows = min(max(follows, 0.0), MOST_FOLLOWING)
    return len(rest) * (1 - follows) / (1 + follows)


def _outermost(points: _Points, kink: float, end: float, allowed: float) -> float:
    """Return the kink farthest towards `end` that is allowed, NaN where `end` itself is."""
    tried = np.linspace(end, kink, TRIED)
    for _ in range(2):
        taken = _squares(points, tried) <= allowed
        taken[-1] = True  # the best one, whatever rounding says of it
        first = int(np.argmax(taken))
        if first == 0:
            return math.nan
        tried = np.linspace(tried[first - 1], tried[first], TRIED)
    return float(tried[-1])
