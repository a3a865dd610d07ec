"""Stiffness and energy of each cycle's load-deflection loop."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

AT_ONCE: Final = 8192  # samples worked on together, so that they stay in the processor's cache

IndexArray = NDArray[np.int64]


def stiffness_and_energy(
    load: SampleArray, deflection: SampleArray, starts: IndexArray, lengths: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares slope of load on net deflection [N/m] and the loop area [J].

    Both arrays have shape (frames,) and hold whole cycles that begin at `starts` and have
    `lengths` samples. Sums run in double precision about each cycle's first sample. The area is
    that of the polygon through the samples, positive where load leads deflection (energy lost).
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
    force = _about_first(load, starts, lengths)
    bent = _about_first(deflection, starts, lengths)
    total_force = np.add.reduceat(force, starts)
    total_bent = np.add.reduceat(bent, starts)
    mixed = np.add.reduceat(force * bent, starts) - total_force * total_bent / lengths
    square = np.add.reduceat(bent * bent, starts) - total_bent * total_bent / lengths
    stiffness = np.divide(mixed, square, out=np.full(len(starts), np.nan), where=square > 0)
    cross = np.zeros(len(force))
    np.multiply(force[:-1], bent[1:], out=cross[:-1])
    cross[:-1] -= force[1:] * bent[:-1]
    # About its first sample a cycle's closing term is zero; terms between cycles are nobody's.
    cross[starts[1:] - 1] = 0.0
    return stiffness, 0.5 * np.add.reduceat(cross, starts)


def _about_first(signal: SampleArray, starts: IndexArray, lengths: IndexArray) -> FloatArray:
    """Return the samples less the first of their cycle, in double precision."""
    wide = signal.astype(np.float64)
    wide -= np.repeat(wide[starts], lengths)
    return wide
