"""How far the rod goes for a load, and what a moving mass will make of cycles before they begin.

A controller that holds a cell above a moving mass to its command loads the specimen by more: the
mass helps the rod at both ends of its way. Correction from what was measured takes that back only
once cycles count; so the first ones are commanded smaller by what is to be expected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.acquire.inertia import CORRECTED, Inertia
from rig.samples import SampleArray

LEAST: Final = 0.1
"""Of the load range: two loads that lie closer tell nothing of the way between them."""
TOUCHES: Final = 0.02
"""Of the load range: from this load on the rod is certain to touch the specimen."""


@dataclass(frozen=True, slots=True)
class Way:
    """Load [N] and stroke [m] where the load was highest so far, and where lowest since then."""

    top: tuple[float, float] = (-math.inf, math.nan)
    low: tuple[float, float] = (math.inf, math.nan)


def gone(setup: Inertia, before: Way, load: SampleArray, stroke: SampleArray) -> Way:
    """Return the way after samples of load [N] and stroke [m], shape (frames,).

    Missing samples tell nothing, nor do those of a rod that may not touch the specimen.
    """
    touching = load >= TOUCHES * _load_range(setup)  # of NaN this is not true
    known = np.flatnonzero(touching & np.isfinite(stroke))
    if not len(known):
        return before
    top, low = before.top, before.low
    highest = known[np.argmax(load[known])]
    if load[highest] > top[0]:
        top, low = (float(load[highest]), float(stroke[highest])), (math.inf, math.nan)
        known = known[known > highest]
    if len(known):
        lowest = known[np.argmin(load[known])]
        if load[lowest] < low[0]:
            low = float(load[lowest]), float(stroke[lowest])
    return Way(top, low)


def share_to_command(setup: Inertia, way: Way) -> float:
    """Return which share of an amplitude the cell is to be held to, for the specimen to have it.

    1 - m w2 s, with s [m/N] the stroke from the lowest to the highest load: the amplitude of a
    mass on a spring, by Newton's second law. Never more than 1: what is to be made larger is left
    to the correction; nor less than by what may be corrected at all. 1 where nothing is known.
    """
    loads, strokes = (way.top[i] - way.low[i] for i in (0, 1))
    if not (loads > LEAST * _load_range(setup) and strokes > 0):
        return 1.0
    turn = 2 * math.pi * setup.frequency
    return min(1.0, max(1.0 - CORRECTED, 1.0 - setup.mass * turn**2 * strokes / loads))


def _load_range(setup: Inertia) -> float:
    return setup.most / CORRECTED
