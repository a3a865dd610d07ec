"""What samples tell of a sine's range: losses between samples, noise, resolution.

A loss is a fraction of the amplitude, and of the range where both extremes lose it. Own
derivations; nothing here is taken from a standard.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

HALF_WINDOW: Final = 14
"""A cycle's samples over this are half the window of the parabola that refines an extreme."""

COVERAGE: Final = 2.0
"""Expanded uncertainties are two standard deviations."""

_ROUNDING: Final = 1 - 1e-12
"""Lets a whole number that arithmetic has made a hair larger be that number."""

_EVEN: Final = math.sqrt(12.0)
"""The width of an even distribution over its standard deviation."""

_KEPT: Final = 4.0
"""A cycle's values are kept in steps of no more than this part of the resolution."""


def worst_loss(samples: float) -> float:
    """Return the most that the largest of N samples a cycle lies below the top: 1 - cos(pi/N)."""
    # 1 - cos(x) without the difference of nearly equal numbers.
    return 2 * math.sin(math.pi / (2 * samples)) ** 2


def mean_loss(samples: float) -> float:
    """Return what it lies below the top on average over all phases: 1 - (N/pi) sin(pi/N)."""
    return 1 - samples / math.pi * math.sin(math.pi / samples)


def parabola_loss(samples: float) -> float:
    """Return the worst loss of a parabola through the largest sample and its two neighbours.

    Worst is half a step off the top, where the vertex lies at c (3 - c^2) / 2 with
    c = cos(pi/N).
    """
    c = math.cos(math.pi / samples)
    # 1 - c (3 - c^2) / 2 without the difference of nearly equal numbers.
    return (1 - c) ** 2 * (2 + c) / 2


def samples_needed(loss: float) -> int:
    """Return the fewest samples a cycle whose worst loss is no more than a fraction."""
    exact = math.pi / (2 * math.asin(math.sqrt(loss / 2)))
    return math.ceil(exact * _ROUNDING)


def window(samples: float) -> int:
    """Return how many samples the parabola is fitted to that refines an extreme."""
    return 2 * max(int(samples) // HALF_WINDOW, 1) + 1


def vertex_noise(points: int) -> float:
    """Return the noise of a parabola's middle over that of the samples it is fitted to.

    sqrt(3 (3 n^2 - 7) / (4 n (n^2 - 4))): the quadratic smoothing of n samples in a row by least
    squares; 1 for three points, which a parabola goes through.
    """
    n = points
    return math.sqrt(3 * (3 * n**2 - 7) / (4 * n * (n**2 - 4)))


class RangeError(NamedTuple):
    """What one cycle's range may be off by, as fractions of it; expanded (two deviations).

    `sampling` falls short, always; the others scatter, `calibration` from rig to rig.
    """

    sampling: float
    noise: float
    resolution: float
    calibration: float

    @property
    def total(self) -> float:
        """All of it."""
        return self.sampling + math.hypot(self.noise, self.resolution, self.calibration)

    @property
    def largest(self) -> str:
        """What most of it comes from."""
        parts = ("sampling", "noise", "resolution", "calibration")
        return max(parts, key=lambda name: float(getattr(self, name)))


def range_error(
    span: float, samples: float, noise: float, resolution: float, uncertainty: float = 0.0
) -> RangeError:
    """Return what one cycle's range `span` [SI] may be off by at so many samples a cycle.

    `noise` is the standard deviation of a sample and `resolution` its step [SI]; both extremes
    are refined by a parabola over `window`. Steps that noise crosses are evened out like noise;
    steps that it does not cross stand in full. `uncertainty` [SI] is the expanded one of the
    calibration.
    """
    refined = vertex_noise(window(samples))
    evened = refined if noise >= resolution / 2 else 1.0
    step = math.hypot(evened, 1 / _KEPT) * resolution / _EVEN
    both = COVERAGE * math.sqrt(2.0) / span
    return RangeError(
        sampling=parabola_loss(samples),
        noise=both * refined * noise,
        resolution=both * step,
        calibration=uncertainty / span,
    )
