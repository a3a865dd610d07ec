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
CALM: Final = 0.015  # error of a rate below which a newer one is the better one
# All: common practice, no source.


@dataclass(frozen=True, slots=True)
class Rate:
    """Growth of a flexibility a cycle, as a share of its baseline, with its standard error.

    `why` says what keeps it from being the rate of a secondary branch, "" where nothing does.
    """

    value: float
    error: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class Branch:
    """A secondary branch from count `since` on: rates of flexibility and of deflection per load.

    `noise` is the larger of their standard errors, as a share.
    """

    since: float
    soft: float
    sag: float
    noise: float


TOO_FEW: Final = "too early: too few cycles since the baseline, or since water runs"
UNSETTLED: Final = "its rate of softening has not settled"
FALLS: Final = "its rate of softening still falls"
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
        return Rate(rate.value, rate.error, UNSETTLED if differs > 0 else FALLS)
    if value < SURE * error or value * span < LEAST_GROWTH:
        return Rate(rate.value, rate.error, STIFF)
    return rate


def steadiest(
    before: Branch | None, since: float, soft: Rate, sag: Rate
) -> tuple[Branch | None, str]:
    """Return the branch that a forecast goes by, and why it goes by none.

    The newest is taken that is as steady as the one `before`, or has another rate for sure. Once
    the third stage begins the rate of the second still tells the life: it is kept.
    """
    kept = before if before is not None and before.since == since else None
    why = soft.why or sag.why
    if why:
        gone = kept is None or why in (TOO_FEW, STIFF, FALLS)
        return (None, why) if gone else (kept, "")
    noise = max(rate.error / rate.value for rate in (soft, sag))
    new = Branch(since, soft.value, sag.value, noise)
    if kept is None or max(noise, CALM) <= max(kept.noise, CALM) or _another(kept, new):
        return new, ""
    return kept, ""


def _another(one: Branch, other: Branch) -> bool:
    """Tell whether two branches are not the same for sure."""
    apart = min(abs(math.log(a / b)) for a, b in ((one.soft, other.soft), (one.sag, other.sag)))
    return apart > SURE * math.hypot(one.noise, other.noise) + STEADY


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
