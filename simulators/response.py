"""How far the load follows its command in cycling."""

from __future__ import annotations

import math

import numpy as np

from rig.samples import FloatArray
from simulators.motion import Cycling, Frames
from simulators.state import RigState, World


def bandwidth(world: World, state: RigState) -> float:
    """Return the bandwidth of the load loop [Hz] with a specimen, all its gain in it.

    A softer specimen needs more oil for the same load: the loop becomes slower with it.
    """
    gain = world.beam.flexibility(state.specimen)
    if world.around:
        gain *= world.around.softer(state)
    return world.setup.servo_bandwidth / math.sqrt(gain)


def response(
    world: World, state: RigState, motion: Cycling, n: Frames | None
) -> tuple[FloatArray | float, FloatArray | float]:
    """Return which share of a commanded amplitude the load reaches, and its lag [rad].

    Both at frames, where the loop is ever uneven; without frames those of the state's own.
    """
    ratio = motion.frequency / bandwidth(world, state)
    share, loop = world.reach(state.frame), world.around.loop
    if not loop:
        return share / math.sqrt(1 + ratio**2), math.atan(ratio)
    at = np.array([state.frame]) if n is None else n
    with np.errstate(divide="ignore"):  # a loop that has lost all its gain reaches nothing
        slower = ratio / loop.bandwidth(at)
    shares = share * loop.reach(at, motion.frequency, world.rate) / np.sqrt(1 + slower**2)
    lags = np.arctan(slower)
    return (float(shares[0]), float(lags[0])) if n is None else (shares, lags)
