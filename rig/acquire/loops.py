"""Stiffness and energy of each cycle's load-deflection loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

IndexArray = NDArray[np.int64]


def stiffness_and_energy(
    load: SampleArray, deflection: SampleArray, starts: IndexArray, lengths: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares slope of load on net deflection [N/m] and the loop area [J].

    Both arrays have shape (frames,) and hold whole cycles that begin at `starts` and have
    `lengths` samples. Sums run in double precision about each cycle's first sample. The area is
    that of the polygon through the samples, positive where load leads deflection (energy lost).
    """
    end = int(starts[-1] + lengths[-1])
    force = _about_first(load[:end], starts, lengths)
    bent = _about_first(deflection[:end], starts, lengths)
    total_force = np.add.reduceat(force, starts)
    total_bent = np.add.reduceat(bent, starts)
    mixed = np.add.reduceat(force * bent, starts) - total_force * total_bent / lengths
    square = np.add.reduceat(bent * bent, starts) - total_bent * total_bent / lengths
    stiffness = np.divide(mixed, square, out=np.full(len(starts), np.nan), where=square > 0)
    cross = force[:-1] * bent[1:]
    cross -= force[1:] * bent[:-1]
    # About its first sample a cycle's closing term is zero; terms between cycles are nobody's.
    cross[starts[1:] - 1] = 0.0
    if len(cross) == 0:
        return stiffness, np.zeros(len(starts))
    energy = 0.5 * np.add.reduceat(np.append(cross, 0.0), starts)
    return stiffness, energy


def _about_first(signal: SampleArray, starts: IndexArray, lengths: IndexArray) -> FloatArray:
    wide = signal[starts[0] :].astype(np.float64)
    shortest = int(lengths.min())
    if shortest == int(lengths.max()):
        by_cycle = wide.reshape(-1, shortest)
        by_cycle -= by_cycle[:, :1].copy()
        return wide
    wide -= np.repeat(wide[starts - starts[0]], lengths)
    return wide
