"""What a channel shows, what is true, and how well that is known.

Sources
-------
[1] JCGM 100 (Guide to the expression of uncertainty): contributions add as squares, a value
    between two bounds has their distance over sqrt(12) as standard uncertainty; from memory.
[2] ISO 7500-1, classes of testing machines: the figures are from memory and were not compared with
    the printed standard. Have somebody check them before a certificate rests on them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray

Points = Sequence[tuple[float, float]]
"""Pairs of what was shown and what was true [SI], both rising from pair to pair."""

COVERAGE: Final = 2.0
"""Factor from a standard to an expanded uncertainty: 95 % of a normal distribution."""


def true_values(points: Points, shown: NDArray[Any] | float) -> FloatArray:
    """Return what is true [SI] of what is shown [SI], any shape; straight lines between points.

    Beyond the first and last point their line goes on. Without points all is as it is shown. NaN
    stays NaN.
    """
    return _drawn([p[0] for p in points], [p[1] for p in points], shown)


def shown_values(points: Points, true: NDArray[Any] | float) -> FloatArray:
    """Return what is shown [SI] of what is true [SI]: the inverse of `true_values`."""
    return _drawn([p[1] for p in points], [p[0] for p in points], true)


def _drawn(known: list[float], wanted: list[float], at: NDArray[Any] | float) -> FloatArray:
    values = np.asarray(at, np.float64)
    if not known:
        return values
    if len(known) < 2:
        raise ValueError(f"a line needs two points, not {len(known)}")
    slopes = [
        (after[1] - before[1]) / (after[0] - before[0])
        for before, after in pairwise(zip(known, wanted, strict=True))
    ]
    result: FloatArray = wanted[0] + (values - known[0]) * slopes[0]
    for at_knee, value, slope in zip(known[1:-1], wanted[1:-1], slopes[1:], strict=True):
        result = np.where(values > at_knee, value + (values - at_knee) * slope, result)
    return result


@dataclass(frozen=True, slots=True)
class Comparison:
    """What points say of a channel that would be read as it shows [SI].

    `errors` are shown minus true, one a point; `worst` the largest of them without sign;
    `linearity` the largest distance of a point from the best straight line, as a share of the true
    values' range.
    """

    errors: tuple[float, ...]
    worst: float
    linearity: float


def comparison(points: Points) -> Comparison:
    """Return the errors of points. Raises ValueError for fewer than two."""
    if len(points) < 2:
        raise ValueError(f"an error needs two points to lie on a line, not {len(points)}")
    shown, true = (np.array([p[i] for p in points]) for i in (0, 1))
    errors = shown - true
    slope, at_zero = np.polyfit(true, shown, 1)
    off = np.abs(shown - slope * true - at_zero) / slope
    linearity = float(off.max() / (true[-1] - true[0]))
    return Comparison(tuple(errors.tolist()), float(np.abs(errors).max()), linearity)


def hysteresis(rising: Points, falling: Points) -> float:
    """Return the largest difference [SI] of what was shown at a true value, rising and falling.

    At the true values of `rising` within those of `falling`; both in rising order. Raises
    ValueError where no value lies in both.
    """
    low, high = falling[0][1], falling[-1][1]
    both = [(shown, true) for shown, true in rising if low <= true <= high]
    if not both:
        raise ValueError("rising and falling points have no true value in common")
    back = shown_values(falling, np.array([true for _, true in both]))
    return float(np.abs(back - [shown for shown, _ in both]).max())


def combined_uncertainty(
    certificate: float, resolution: float = 0.0, noise: float = 0.0, drift: float = 0.0
) -> float:
    """Return the expanded uncertainty [SI] of one reading, coverage factor 2 [1].

    `certificate` is the expanded one of the calibration, `resolution` the smallest step shown,
    `noise` the standard deviation of the mean that is read, `drift` the zero shift found.
    """
    parts = (certificate / COVERAGE, resolution / math.sqrt(12), noise, drift / math.sqrt(3))
    return COVERAGE * math.sqrt(sum(part**2 for part in parts))


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of a testing machine as fractions of the force, at its worst force.

    Relative error of indication, repeatability, reversibility (None where only rising forces
    were compared), of zero, and relative resolution; all without sign.
    """

    indication: float
    repeatability: float
    zero: float
    resolution: float
    reversibility: float | None = None


CLASSES: Final[Mapping[float, Errors]] = {
    0.5: Errors(0.005, 0.005, 0.0005, 0.0025, 0.0075),
    1.0: Errors(0.01, 0.01, 0.001, 0.005, 0.015),
    2.0: Errors(0.02, 0.02, 0.002, 0.01, 0.03),
    3.0: Errors(0.03, 0.03, 0.003, 0.015, 0.045),
}
"""Largest errors of each class of ISO 7500-1, FROM MEMORY [2]."""


def machine_class(errors: Errors) -> float | None:
    """Return the best class of ISO 7500-1 that all errors are within, None for no class.

    The figures are from memory [2]: a help to judge by, no classification.
    """
    for name, allowed in CLASSES.items():
        pairs = [
            (errors.indication, allowed.indication),
            (errors.repeatability, allowed.repeatability),
            (errors.zero, allowed.zero),
            (errors.resolution, allowed.resolution),
            (errors.reversibility or 0.0, allowed.reversibility or 0.0),
        ]
        if all(found <= most for found, most in pairs):
            return name
    return None


def lowest_force(resolution: float, allowed: float) -> float:
    """Return the smallest force [N] at which a step shown is the `allowed` fraction of it."""
    return resolution / allowed
