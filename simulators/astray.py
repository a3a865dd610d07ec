"""When the rod of a rig whose load cell is at fault goes its own way, and what it makes of a beam.

A cell that shows too much, by an amount that changes slowly, leaves a loop as even as it was: its
load is another one. All else is followed frame by frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.samples import FloatArray
from simulators.loop import Sound
from simulators.motion import Cycling, Frames, Ramp
from simulators.response import bandwidth
from simulators.signals import Signals
from simulators.specimen import Curve
from simulators.state import RigState, World


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The `stroke` of a rod [m] in frames one after another, on a specimen with a `curve`.

    It hangs `behind` the curve [m], because deflection lags load.
    """

    stroke: FloatArray
    behind: FloatArray
    curve: Curve

    def signals(self, index: Frames) -> Signals:
        """Return the signals at some of the frames."""
        stroke, behind, curve = self.stroke[index], self.behind[index], self.curve
        load, net, support = (
            np.interp(stroke - behind, curve.stroke, c)
            for c in (curve.load, curve.net, curve.support)
        )
        return Signals(load, net + behind, support, stroke)


def way(world: World, state: RigState, curve: Curve, load: FloatArray, late: FloatArray) -> Way:
    """Return the way of a rod from a state on.

    A sound loop would bring about `load` [N] and the deflection of the load `late` [N] at the
    frames of a piece and the one after it.
    """
    behind = curve.at_load(late, curve.net) - curve.at_load(load, curve.net)
    width = bandwidth(world, state)
    if world.around.loop:
        width *= float(world.around.loop.bandwidth(np.array([state.frame]))[0])
    soft = 1 / world.setup.truth.stiffness + 1 / world.beam.frame_stiffness
    sound = Sound(load, behind, curve, width, 1 / soft)
    stroke = world.loop.way(sound, state.frame, float(state.rod or 0.0), state.held)
    return Way(stroke, behind, curve)


def goes_astray(world: World, state: RigState, until: int) -> bool:
    """Tell whether the rod goes another way than that of a sound loop with another load.

    It does where no load makes the cell show what is commanded until a frame.
    """
    motion, loop, frame = state.motion, world.loop, state.frame
    if not loop or not state.valve_open or state.rod is None:
        return False
    if loop.uneven(frame):
        return isinstance(motion, Cycling) or (isinstance(motion, Ramp) and motion.loop == "load")
    n = np.array([frame, until - 1])
    if isinstance(motion, Cycling):
        mean, amplitude = motion.levels(n)
        return _lets_go(loop.true(mean - np.abs(amplitude), n), loop.shift(n))
    if not isinstance(motion, Ramp) or motion.loop != "load":
        return False
    load, shift = loop.true(motion.at(n), n), loop.shift(n)
    too_much = (load > world.strength(state)) & (shift < 0)
    return _lets_go(load, shift) or bool(np.any(too_much))


def _lets_go(load: FloatArray, shift: FloatArray) -> bool:
    """Tell whether a rod lets go of the specimen, because of what the cell shows too much."""
    return bool(np.any((load < 0) & (shift > 0)))


def heaviest(world: World, motion: Cycling, frame: int, until: int) -> Cycling:
    """Return the cycling by the largest true loads of frames [frame, until]."""
    if not world.loop:
        return motion
    least = float(np.min(world.loop.shift(np.array([frame, until]))))
    return replace(motion, mean=motion.mean - least, mean_0=motion.mean_0 - least)
