"""What samples tell of a rig that stands, or lets go of its specimen: means over short times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.guards.limits import SECOND
from rig.protocol.plan import Bounds
from rig.samples import FloatArray, SampleArray

LOOP: Final = ("load", "stroke")
"""What the controller goes by."""
UNPLUGGED: Final = frozenset({"locked", "unloaded"})
"""States in which people may unplug all other sensors: stroke held under low pressure, or none."""
MEANS: Final = 10
"""So many means of a second make a reading; common practice, no source."""
FRESH: Final = 3
"""Means of a second, one after the other, that show that nobody moves a sensor any more."""
STEPS: Final = 5.0  # resolutions between two means, up to which nobody has touched the sensor
SCATTER: Final = 8.0  # usual differences between two means, as well


def loop_only(bounds: Mapping[str, Bounds]) -> dict[str, Bounds]:
    """Return the bounds [SI] that hold where people may unplug sensors, by channel."""
    return {name: pair for name, pair in bounds.items() if name in (*LOOP, SECOND)}


@dataclass(frozen=True, slots=True)
class Before:
    """What a channel read before it was moved [SI], and which means [begin, end) that is of."""

    value: float
    begin: int
    end: int


def reading_before(means: SampleArray, people: int | None, resolution: float) -> Before | None:
    """Return what a channel read before people moved its sensor; None where nothing tells.

    `means` [SI], shape (n,), are of each second since the rig stands; NaN where a sample is
    missing. `people` counts those before people came; None where that is not known: then it is
    the reading just before the first step or gap that no specimen at rest makes.
    """
    steps = np.flatnonzero(~(np.abs(np.diff(means)) <= usual_step(means, resolution)))
    # The mean in which the sensor began to move may be half of one reading, half of another.
    end = people if people else (int(steps[0]) if len(steps) else len(means)) or 1
    begin = max(end - MEANS, 0)
    valid = means[begin:end][np.isfinite(means[begin:end])].astype(np.float64)
    return Before(float(valid.mean()), begin, end) if len(valid) else None


def usual_step(means: SampleArray, resolution: float) -> float:
    """Return the largest difference between two means [SI] that is no movement of a sensor."""
    differences = np.abs(np.diff(means))
    finite = differences[np.isfinite(differences)]
    scatter = float(np.median(finite)) if len(finite) else 0.0
    return max(STEPS * resolution, SCATTER * scatter)


def still(means: SampleArray, step: float) -> bool:
    """Tell whether the last means [SI], shape (n,), are there and differ by no more than `step`."""
    last = means[-FRESH:]
    return len(last) == FRESH and bool(np.isfinite(last).all() and np.ptp(last) <= step)


def lets_go(load: FloatArray, stroke: FloatArray, over: float, same: float) -> bool:
    """Tell whether the rod is free of the specimen: over the last way the load stays the same.

    `load` [N] and `stroke` [m], shape (n,), are means while the rod went back; the load may
    differ by `same` [N] over the last `over` [m]. False for a rod that went less far.
    """
    valid = np.isfinite(load) & np.isfinite(stroke)
    load, stroke = load[valid], stroke[valid]
    if not len(stroke) or stroke.max() - stroke.min() < over:
        return False
    last = load[stroke <= stroke.min() + over]
    return float(np.ptp(last)) <= same
