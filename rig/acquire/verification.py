"""Load in motion against that of a gauged dummy beam: what a slow cycle taught its strain gauge.

The gauge sits on the beam, so that what accelerates masses between beam and load cell is not in
it. The idea follows ISO 4965-1, from memory, which is written for axial machines and is guidance
only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Flag, FloatArray

LEAST_POINTS: Final = 20  # of a slow cycle, of which a line is made
LEAST_CYCLES: Final = 50  # in motion
BEYOND: Final = 1.1  # of the range that slow cycles have taught: its slope holds no further
NOT_USED: Final = Flag.SHORT | Flag.GAP | Flag.LONG_GAP | Flag.AFTER_END | Flag.SPIKE
"""Cycles with these marks are left out."""


@dataclass(frozen=True, slots=True)
class StaticLine:
    """Load as a line of strain, from slow cycles.

    `slope` [N per unit strain] with its standard error `error`; `scatter` is the largest distance
    of a point from the line as a fraction of the load range `range` [N], `bend` that of the cubic
    through the points: noise is not in it, a gauge that slips or a beam that cracks is.
    """

    slope: float
    error: float
    scatter: float
    bend: float
    range: float
    points: int


@dataclass(frozen=True, slots=True)
class Verified:
    """Load range [N] by the `cell` and by the `beam`, means over `cycles` at `frequency` [Hz].

    `difference` is cell over beam less one; `uncertainty` of it expanded, with a coverage factor
    of 2.
    """

    frequency: float
    cycles: int
    cell: float
    beam: float
    difference: float
    uncertainty: float


def static_line(load: FloatArray, strain: FloatArray) -> StaticLine:
    """Return the least-squares line of load [N] on strain, both of shape (points,).

    Raises ValueError, in words for people, where no line can be told from these points.
    """
    valid = np.isfinite(load) & np.isfinite(strain)
    x, y = strain[valid].astype(np.float64), load[valid].astype(np.float64)
    if len(x) < LEAST_POINTS:
        raise ValueError(f"{len(x)} points of slow cycles, and {LEAST_POINTS} are needed")
    spread, rise = x - x.mean(), y - y.mean()
    square = float(spread @ spread)
    if np.ptp(x) == 0.0:
        raise ValueError("the strain stays the same in the slow cycles; look at the gauge")
    slope = float(spread @ rise) / square
    rest = rise - slope * spread
    span = float(np.ptp(y))
    error = math.sqrt(float(rest @ rest) / (len(x) - 2) / square)
    curve = np.polynomial.Polynomial.fit(x, rest, 3)
    bend = float(np.abs(curve(x)).max()) / span
    return StaticLine(slope, error, float(np.abs(rest).max()) / span, bend, span, len(x))


def verify(
    line: StaticLine,
    cell: FloatArray,
    strain: FloatArray,
    frequency: FloatArray,
    flags: NDArray[np.uint16],
) -> Verified:
    """Hold load ranges [N] by the cell against strain ranges; a row a cycle, all (cycles,).

    Raises ValueError, in words for people, where too few cycles can be used, or they go further
    than what the slow ones have taught.
    """
    used = (flags.astype(np.int64) & int(NOT_USED)) == 0
    used &= np.isfinite(cell) & np.isfinite(strain) & (strain > 0)
    count = int(used.sum())
    if count < LEAST_CYCLES:
        raise ValueError(f"{count} cycles can be used, and {LEAST_CYCLES} are needed")
    by_cell = cell[used].astype(np.float64)
    by_beam = abs(line.slope) * strain[used].astype(np.float64)
    cell_mean, beam_mean = float(by_cell.mean()), float(by_beam.mean())
    if beam_mean > BEYOND * line.range:
        raise ValueError(
            f"the cycles go over {beam_mean / 1e3:.3g} kN, and slow cycles have taught the gauge "
            f"{line.range / 1e3:.3g} kN"
        )
    # Of the mean of so many cycles, and of the line.
    of_mean = float(np.std(by_cell / by_beam, ddof=1)) / math.sqrt(count)
    uncertainty = 2 * math.hypot(of_mean, line.error / abs(line.slope))
    return Verified(
        frequency=float(np.median(frequency[used])),
        cycles=count,
        cell=cell_mean,
        beam=beam_mean,
        difference=cell_mean / beam_mean - 1,
        uncertainty=uncertainty,
    )
