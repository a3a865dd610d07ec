"""The secondary branch: at which steady rate a specimen softens, and whether the rate is steady.

A specimen under cycles softens in three stages: fast and slower, at a steady rate for most of its
life, faster and faster before the end (Holmen 1982; shares of life from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LEAST_POINTS: Final = 16  # in the last factor 2 of cycles
STEADY: Final = 0.25  # by which the rate may differ between the halves of these
FASTER_BY: Final = 1.6  # times the rate in their first half, from which on it is the end
SURE: Final = 3.0  # standard errors from nothing at which a rate is one
LEAST_GROWTH: Final = 2e-3  # of flexibility in these cycles: less is drift of a sensor
# All: common practice, no source.


@dataclass(frozen=True, slots=True)
class Rate:
    """Growth of a flexibility a cycle, as a share of its baseline, with its standard error.

    `why` says what keeps it from being the rate of a secondary branch, "" where nothing does.
    """

    value: float
    error: float
    why: str = ""


TOO_FEW: Final = "too early: too few cycles since the baseline, or since water runs"
UNSETTLED: Final = "its rate of softening has not settled"
FASTER: Final = "it softens faster and faster"
STIFF: Final = "it does not soften: nothing points to a failure"


def secondary(number: FloatArray, growth: FloatArray) -> Rate:
    """Return the rate over points: counts, and flexibility gained since the baseline (a share)."""
    good = np.isfinite(growth)
    number, growth = number[good], growth[good]
    if len(number) < LEAST_POINTS:
        return Rate(math.nan, math.nan, TOO_FEW)
    value, error = line(number, growth)
    half = len(number) // 2
    first, e1 = line(number[:half], growth[:half])
    last, e2 = line(number[half:], growth[half:])
    differs = last - first
    span = float(number[-1] - number[0])
    rate = Rate(value, max(error, abs(differs) / 4))
    if value > 0 and last > FASTER_BY * max(first, value / FASTER_BY):
        return Rate(rate.value, rate.error, FASTER)
    if abs(differs) > STEADY * abs(value) + 2 * math.hypot(e1, e2):
        return Rate(rate.value, rate.error, UNSETTLED)
    if value < SURE * error or value * span < LEAST_GROWTH:
        return Rate(rate.value, rate.error, STIFF)
    return rate


def line(number: FloatArray, growth: FloatArray) -> tuple[float, float]:
    """Return the slope of a least-squares line and its standard error.

    What the points share with their neighbours (a spray period, a warm afternoon) widens it, by
    the correlation of neighbours.
    """
    around = number - number.mean()
    size = float(around @ around)
    slope = float(around @ (growth - growth.mean())) / size
    rest = growth - growth.mean() - slope * around
    square = float(rest @ rest)
    if square <= 0:
        return slope, 0.0
    shared = min(max(float(rest[1:] @ rest[:-1]) / square, 0.0), 0.95)
    error = math.sqrt(square / max(len(number) - 2, 1) / size)
    return slope, error * math.sqrt((1 + shared) / (1 - shared))
