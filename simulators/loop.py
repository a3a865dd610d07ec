"""The servo loop of load closed on a cell that does not show the load: where the rod goes then.

A sound loop follows its command by closed forms. With a cell at fault the controller moves the rod
until the cell shows what was commanded, or for as long as anybody lets it: that way is followed
frame by frame, from the state alone.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final

import numpy as np

from rig.samples import FloatArray
from simulators.faults import Drifting, Flat, Foreign, InLoop, Moved, Saturated, Scaled, SensorFault
from simulators.motion import NEVER, Cycling, Frames, Motion, Ramp
from simulators.setup import SimulationSetup
from simulators.specimen import Curve

PIECE: Final = 20
"""Frames that are followed on one curve: then the specimen is as far bent as it was pushed."""


def frames_of(fault: SensorFault) -> tuple[int, int]:
    """Return the frames [begin, end) in which a sensor is at fault."""
    if isinstance(fault, Moved):
        return fault.frame, NEVER
    return fault.begin, NEVER if isinstance(fault, Drifting) else fault.end


def shown(fault: SensorFault, n: Any, values: Any, rate: float, ends: tuple[float, float]) -> Any:
    """Return what a sensor at fault shows at frames `n` [SI], arrays or numbers.

    A `Flat` one must have a value. `ends` is the range of the channel [SI].
    """
    if isinstance(fault, Flat):
        return 0.0 * values + fault.value
    if isinstance(fault, Saturated):
        return 0.0 * values + (ends[0] if fault.low else ends[1])
    if isinstance(fault, Foreign):
        swing = fault.amplitude * np.sin(2 * math.pi * fault.frequency / rate * n)
        return 0.0 * values + fault.mean + swing
    if isinstance(fault, Scaled):
        wrong = values * fault.factor
    elif isinstance(fault, Drifting):
        wrong = values + fault.rate / rate * (np.minimum(n, fault.end) - fault.begin)
    else:
        wrong = values + fault.by
    return np.clip(wrong, *ends)


class LoadLoop:
    """What of a rig's load loop is at fault, and when; false where nothing ever is."""

    def __init__(self, setup: SimulationSetup) -> None:
        inside = (f.fault for f in setup.faults if isinstance(f, InLoop))
        self._faults = tuple(f for f in inside if f.channel == "load")
        self._setup = setup
        ends = [(c.low, c.high) for c in setup.channels if c.name == "load"]
        self._ends = ends[0] if ends else (-math.inf, math.inf)

    def __bool__(self) -> bool:
        return bool(self._faults)

    @property
    def changes(self) -> tuple[int, ...]:
        """Frames at which a fault begins or ends."""
        return tuple(frame for fault in self._faults for frame in frames_of(fault))

    def wrong_at(self, frame: int) -> bool:
        """Tell whether the cell is at fault at a frame."""
        return bool(self._at(frame))

    def sticks(self, frame: int) -> bool:
        """Tell whether the cell shows at a frame what it showed as its fault began."""
        return any(isinstance(f, Flat) and f.value is None for f in self._at(frame))

    def astray(self, motion: Motion, frame: int) -> bool:
        """Tell whether the rod goes its own way in a motion from a frame on."""
        by_load = isinstance(motion, Cycling) or (
            isinstance(motion, Ramp) and motion.loop == "load"
        )
        return by_load and self.wrong_at(frame)

    def felt(self, n: Any, load: Any, held: float | None, frame: int) -> Any:
        """Return what the cell shows at frames `n` of a true load [N].

        Its fault is that at `frame`; `held` is what one that sticks shows [N].
        """
        for fault in self._at(frame):
            if isinstance(fault, Flat) and fault.value is None:
                fault = replace(fault, value=0.0 if held is None else held)
            load = shown(fault, n, load, self._setup.rate, self._ends)
        return load

    def way(
        self,
        motion: Motion,
        frame: int,
        stroke: float,
        held: float | None,
        curve: Curve,
        stiffness: float,
    ) -> FloatArray:
        """Return the stroke [m] at `PIECE` frames from `frame` on, and at the one after them.

        It begins at `stroke`. The valve opens in proportion to the error, as wide as it can;
        `stiffness` [N/m] of load over stroke is what the gain was set for.
        """
        rate, actuator = self._setup.rate, self._setup.actuator
        n = frame + np.arange(PIECE + 1)
        command = _command(motion, n)
        gain = 2 * math.pi * self._setup.servo_bandwidth / stiffness
        way = np.empty(len(n))
        for index, wanted in enumerate(command):
            way[index] = stroke
            load = float(np.interp(stroke, curve.stroke, curve.load))
            error = wanted - self.felt(float(n[index]), load, held, frame)
            speed = min(max(gain * float(error), -actuator.speed), actuator.speed)
            stroke = min(max(stroke + speed / rate, actuator.stroke_low), actuator.stroke_high)
        return way

    def _at(self, frame: int) -> tuple[SensorFault, ...]:
        spans = ((fault, *frames_of(fault)) for fault in self._faults)
        return tuple(fault for fault, begin, end in spans if begin <= frame < end)


def _command(motion: Motion, n: Frames) -> FloatArray:
    if isinstance(motion, Ramp):
        return motion.at(n)
    if not isinstance(motion, Cycling):
        raise TypeError(f"no load is commanded by {type(motion).__name__}")
    mean, amplitude = motion.levels(n)
    return mean + amplitude * np.sin(2 * np.pi * motion.phase(n))
