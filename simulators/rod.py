"""The rod and what moves with it: how it swings in cycling, and what its mass does to the load.

The curves of a simulated specimen have corners, at which a rod that followed them would be pulled
by forces without bound. Oil does not follow a corner: the rod of a rig with a moving mass goes
through the harmonics of the load's frequency up to the bandwidth of the loop, each less than the
one before (invented for the demonstration).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from rig.samples import FloatArray

NODES: Final = 32
"""Places in half a cycle at which the stroke is asked for."""
MOST: Final = 15
"""Harmonics at the most."""
FAR_BELOW: Final = 0.5
"""Largest share of the load's amplitude that the mass may take: beyond it the loop swings up."""

StrokeOf = Callable[[FloatArray], FloatArray]
"""Stroke [m] at loads [N] of shape (nodes, frames)."""


def swing(
    stroke_of: StrokeOf,
    mean: FloatArray,
    amplitude: FloatArray,
    angle: FloatArray,
    frequency: float,
    bandwidth: float,
) -> tuple[FloatArray, FloatArray]:
    """Return stroke [m] and acceleration [m/s2] of the rod.

    The load is mean + amplitude sin(angle) [N], all of shape (frames,); `frequency` of the load
    and `bandwidth` of the loop [Hz]. Mean and amplitude count as changing slowly.
    """
    if np.ptp(mean) == 0 and np.ptp(amplitude) == 0:
        mean, amplitude = mean[:1], amplitude[:1]
    places = (np.arange(NODES) + 0.5) * np.pi / NODES
    number = np.arange(1 + min(MOST, max(1, int(bandwidth / frequency))))
    values = stroke_of(mean + amplitude * np.cos(places)[:, None])
    parts = 2 / NODES * np.cos(np.outer(number, places)) @ values
    parts[0] /= 2
    parts[1:] *= np.cos(np.pi / 2 * (number[1:] - 1) / number[-1])[:, None] ** 2
    waves = np.cos(np.outer(number, angle - np.pi / 2))
    squares = (number * (2 * np.pi * frequency)) ** 2
    stroke: FloatArray = (parts * waves).sum(axis=0)
    acceleration: FloatArray = -(squares[:, None] * parts * waves).sum(axis=0)
    return stroke, acceleration


def reached(pull: float, frequency: float, softness: FloatArray) -> FloatArray:
    """Return the amplitude of the load over that of what the cell shows, which the loop holds.

    `pull` [kg] is the moving mass, negative above a fixed cell; `softness` [m/N] the stroke that a
    newton takes.
    """
    turn = 2 * math.pi * frequency
    share = np.clip(pull * turn**2 * softness, -FAR_BELOW, FAR_BELOW)
    result: FloatArray = 1 / (1 - share)
    return result
