"""The servo loop of load closed on a cell that does not show the load: where the rod goes then.

A sound loop follows its command by closed forms. The controller moves the rod until the cell shows
what such a loop would have it show. A cell that shows too much by an amount which changes slowly
has the true load less by just that: a closed form too. With any other fault, or where no
load can make the cell show that, the rod's way is followed frame by frame, from the state alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from rig.samples import FloatArray
from simulators.faults import Drifting, Flat, Foreign, InLoop, Moved, Saturated, Scaled, SensorFault
from simulators.motion import NEVER
from simulators.setup import SimulationSetup
from simulators.specimen import Curve

PIECE: Final = 20
"""Frames that are followed on one curve: then the specimen is as far bent as it was pushed."""
SETTLING: Final = 40.0
"""Time constants of the loop after which what came at once is over, also in a loop that is slow."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """What a sound loop would do in frames one after another, and on which specimen.

    `load` [N], and how far the stroke hangs `behind` the curve [m] because deflection lags load;
    `bandwidth` of the loop [Hz]. `stiffness` [N/m] of load over stroke is what its gain was set
    for.
    """

    load: FloatArray
    behind: FloatArray
    curve: Curve
    bandwidth: float
    stiffness: float

    @property
    def rising(self) -> FloatArray:
        """Stroke at the kinks before the first fall of load [m]."""
        return self.curve.stroke[: self.curve.rising]


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
        """Frames at which a fault begins or ends, and after which its loop is even again."""
        spans = [span for fault in self._faults for span in self._spans(fault)]
        return tuple(frame for span in spans for frame in span)

    def _spans(self, fault: SensorFault) -> tuple[tuple[int, int], ...]:
        """Return the frames in which a cell is at fault, and those in which its loop is uneven."""
        begin, end = frames_of(fault)
        if isinstance(fault, Drifting):
            return (begin, end), (begin, fault.end)
        settling = math.ceil(
            SETTLING * self._setup.rate / (2 * math.pi * self._setup.servo_bandwidth)
        )
        over = begin if isinstance(fault, Moved) else end
        return (begin, end), (begin, over + settling)

    def wrong_at(self, frame: int) -> bool:
        """Tell whether the cell is at fault at a frame."""
        return bool(self._at(frame))

    def drifts(self, frame: int) -> bool:
        """Tell whether what the cell shows too much changes at a frame."""
        return any(isinstance(f, Drifting) and frame < f.end for f in self._at(frame))

    def shift(self, n: Any) -> Any:
        """Return by how much the cell shows too much at frames [N], arrays or numbers."""
        found = 0.0 * n
        for fault in self._faults:
            if isinstance(fault, Drifting):
                passed = np.clip(n, fault.begin, fault.end) - fault.begin
                found = found + fault.rate / self._setup.rate * passed
            elif isinstance(fault, Moved):
                # At the very frame the load is still that of before: it cannot jump.
                found = found + np.where(n > fault.frame, fault.by, 0.0)
        return found

    def true(self, load: FloatArray, n: Any) -> FloatArray:
        """Return the load [N] at frames at which a cell that is shifted shows a load."""
        return load - self.shift(n) if self._faults else load

    def sticks(self, frame: int) -> bool:
        """Tell whether the cell shows at a frame what it showed as its fault began."""
        return any(isinstance(f, Flat) and f.value is None for f in self._at(frame))

    def uneven(self, frame: int) -> bool:
        """Tell whether the loop is not as even at a frame as that of a cell which is shifted."""
        spans = (self._spans(f)[1] for f in self._faults if not isinstance(f, Drifting))
        return any(begin <= frame < end for begin, end in spans)

    def felt(self, n: Any, load: Any, held: float | None, frame: int) -> Any:
        """Return what the cell shows at frames `n` of a true load [N].

        Its fault is that at `frame`; `held` is what one that sticks shows [N].
        """
        for fault in self._at(frame):
            if isinstance(fault, Flat) and fault.value is None:
                fault = replace(fault, value=0.0 if held is None else held)
            load = shown(fault, n, load, self._setup.rate, self._ends)
        return load

    def way(self, sound: Sound, frame: int, stroke: float, held: float | None) -> FloatArray:
        """Return the stroke [m] at `PIECE` frames from `frame` on, and at the one after them.

        It begins at `stroke`. The load goes as that of a sound loop and, as a first-order lag,
        towards where the cell shows the same; where the specimen bears no such load, the valve
        opens in proportion to what is missing. It is never wider open than it can be.
        """
        rate, actuator, curve = self._setup.rate, self._setup.actuator, sound.curve
        nearer = -math.expm1(-2 * math.pi * sound.bandwidth / rate)
        top = curve.stroke[curve.rising - 1]
        way = np.full(len(sound.load), stroke)
        for index in range(len(way) - 1):
            place = stroke - sound.behind[index]
            load = float(np.interp(place, curve.stroke, curve.load))
            missing = sound.load[index] - self.felt(float(frame + index), load, held, frame)
            step = float(sound.load[index + 1] - sound.load[index] + nearer * missing)
            to = stroke + step / sound.stiffness
            if curve.stroke[0] <= place <= top and 0 < load + step < curve.strongest:
                there = np.interp(load + step, curve.load[: curve.rising], sound.rising)
                to = float(there + sound.behind[index + 1])
            to = min(max(to, stroke - actuator.speed / rate), stroke + actuator.speed / rate)
            way[index + 1] = stroke = min(max(to, actuator.stroke_low), actuator.stroke_high)
        return way

    def _at(self, frame: int) -> tuple[SensorFault, ...]:
        spans = ((fault, *frames_of(fault)) for fault in self._faults)
        return tuple(fault for fault, begin, end in spans if begin <= frame < end)
