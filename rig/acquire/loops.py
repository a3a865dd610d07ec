"""Stiffness and energy of each cycle's load-deflection loop."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

AT_ONCE: Final = 40_000  # samples worked on together, so that they stay in the processor's cache

IndexArray = NDArray[np.int64]


def stiffness_and_energy(
    load: SampleArray, deflection: SampleArray, starts: IndexArray, lengths: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares slope of load on net deflection [N/m] and the loop area [J].

    Both arrays have shape (frames,) and hold whole cycles that begin at `starts` and have
    `lengths` samples, two at least. Sums run in double precision about each cycle's first sample.
    The area is that of the closed polygon through the samples, positive where load leads
    deflection (energy lost); n samples on an ellipse give sin(2 pi/n) / (2 pi/n) of its area.
    """
    stiffness, energy = np.empty(len(starts)), np.empty(len(starts))
    step = max(AT_ONCE // int(lengths.max()), 1)
    for row in range(0, len(starts), step):
        some = slice(row, row + step)
        begin, count = starts[some], lengths[some]
        stretch = slice(int(begin[0]), int(begin[-1] + count[-1]))
        stiffness[some], energy[some] = _some(
            load[stretch], deflection[stretch], begin - begin[0], count
        )
    return stiffness, energy


def _some(
    load: SampleArray, deflection: SampleArray, starts: IndexArray, lengths: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return stiffness and energy of cycles that fill two arrays."""
    ends = starts + lengths
    force = _about_first(load, starts, lengths)
    bent = _about_first(deflection, starts, lengths)
    # Twice the area is the sum of force times the deflection from the sample before to the one
    # after. The force at the first sample is zero; the last is followed by the first.
    across = np.empty_like(bent)
    np.subtract(bent[2:], bent[:-2], out=across[1:-1])
    across[starts] = 0.0
    across[ends - 1] = -bent[ends - 2]
    across *= force
    energy = 0.5 * np.add.reduceat(across, starts)
    total_force = np.add.reduceat(force, starts)
    total_bent = np.add.reduceat(bent, starts)
    force *= bent
    mixed = np.add.reduceat(force, starts) - total_force * total_bent / lengths
    bent *= bent
    square = np.add.reduceat(bent, starts) - total_bent * total_bent / lengths
    stiffness = np.divide(mixed, square, out=np.full(len(starts), np.nan), where=square > 0)
    return stiffness, energy


def _about_first(signal: SampleArray, starts: IndexArray, lengths: IndexArray) -> FloatArray:
    # A difference of two float32 near each other is exact, or good to half a unit of the last
    # place: nothing is lost by taking it before widening.
    return (signal - np.repeat(signal[starts], lengths)).astype(np.float64)
