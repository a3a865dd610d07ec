"""A stretch: frames in which the rig's state does not change but by closed forms.

A stretch ends at frames that follow from its state alone (a cycle's end, a ramp's end, an
accident), never from how the frames are read.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final

import numpy as np

from rig.samples import FloatArray, SampleArray
from simulators.astray import Way, goes_astray, heaviest, way
from simulators.breaking import collapsed
from simulators.loop import PIECE
from simulators.motion import NEVER, Closed, Collapse, Cycling, Frames, Loop, Motion, Ramp
from simulators.response import response
from simulators.rod import StrokeOf, reached, swing
from simulators.signals import Signals
from simulators.specimen import Curve
from simulators.state import RigState, World, closed, counter_at, stopping, top_load
from simulators.wear import Pace

WEAR_STEP: Final = 5e-5
"""Largest relative change of stiffness from one stretch to the next."""

NEAR_TOP: Final = 0.3  # of a cycle: the load lags its command
DRIFTS: Final = 1.0  # s, the longest stretch while what the load cell shows drifts
BEFORE_TROUGH: Final = 0.22  # of a cycle, from its trough to the next cycle's begin
LOOP: Final = 0.012  # rad by which deflection lags load: the hysteresis loop
AT_POWER_ON: Final[dict[str, Any]] = {
    "pressure": "off",
    "counter": 0,
    "stop_count": NEVER,
    "unload": False,
    "stopped_by": "",
    "tripped": "",
}
"""What the controller knows when it has just been switched on."""


class Stretch:
    """One stretch from `state.frame` to `until`.

    `event` tells whether its end is one that the reader must be shown at the next tick.
    """

    def __init__(self, world: World, state: RigState) -> None:
        self.world = world
        self.source = state
        state = world.around.entered(state) if world.around else state
        self.state = state
        self.top = 0.0
        self.pace: Pace | None = None
        self._tears = False
        self.until, self.event = world.next_change(state)
        drifts = world.loop.drifts(state.frame)
        if drifts:
            self._end_at(state.frame + math.ceil(DRIFTS * world.rate), False)
        self._astray = goes_astray(world, state, self.until)
        if self._astray:
            self._plan_way(state.motion)
        elif isinstance(state.motion, Cycling):
            self._plan_cycles(heaviest(world, state.motion, state.frame, self.until))
        elif isinstance(state.motion, Ramp):
            self._plan_ramp(state.motion)
        self.curve: Curve = world.curve(self.state)
        motion = self.state.motion
        self.period = 0
        self._way = self._followed() if self._astray else None
        if self._astray or drifts:
            pass
        elif isinstance(motion, Cycling) and motion.steady(state.frame):
            uneven = world.around.loop.uneven(state.frame)
            self.period = 0 if uneven else motion.per_cycle
        elif isinstance(motion, Ramp) and state.frame >= motion.end:
            self.period = 1
        self._cycle: Signals | None = None
        self._reached: tuple[int, RigState] | None = None
        self._value: tuple[int, Signals] | None = None
        self.scaled: dict[int, SampleArray] = {}  # one cycle of each row, in units of resolution
        if world.loop:
            self._stick()

    @property
    def origin(self) -> int:
        """The frame at which the first value of a periodic signal stands."""
        return self.state.motion.begin

    def one_cycle(self) -> Signals:
        """Return the signals of one period."""
        if self._cycle is None:
            behind = self.state.frame - self.origin
            begin = self.origin + self.period * -(-behind // self.period)
            self._cycle = self.signals(begin + np.arange(self.period))
        return self._cycle

    def signals(self, n: Frames) -> Signals:
        """Return the signals at frames."""
        motion, curve = self.state.motion, self.curve
        if self._way is not None:
            return self._way.signals(n - self.state.frame)
        if isinstance(motion, Cycling):
            return self._cycling(motion, n)
        if isinstance(motion, Closed):
            left = self._loaded(motion.at(n))
            net = np.minimum(left.net, motion.net)
            return Signals(left.load, net, left.support, np.full(len(n), motion.stroke))
        if isinstance(motion, Collapse):
            load, net = motion.at(n)
            beam = self.world.beam
            support = np.interp(load, curve.load[: curve.rising], curve.support[: curve.rising])
            stroke = self.state.gap + net + support + load / beam.frame_stiffness
            return Signals(load, net, support, stroke)
        command = motion.at(n)
        if motion.loop == "load":
            return self._loaded(np.clip(self.world.loop.true(command, n), 0.0, curve.strongest))
        return self._along(motion.loop, command)

    def _along(self, loop: Loop, command: FloatArray) -> Signals:
        """Return the signals where stroke or net deflection [m] is as commanded."""
        curve = self.curve
        known = curve.stroke if loop == "stroke" else curve.net
        load, net, support = (
            np.interp(command, known, c) for c in (curve.load, curve.net, curve.support)
        )
        if loop == "stroke":
            return Signals(load, net, support, command)
        return Signals(load, net, support, np.interp(command, known, curve.stroke))

    def _followed(self) -> Way:
        """Return the way of a rod whose load cell is at fault."""
        motion, n = self.state.motion, self.state.frame + np.arange(PIECE + 1)
        if isinstance(motion, Cycling):
            mean, amplitude, angle = self._wave(motion, n)
            load, late = (mean + amplitude * np.sin(angle - by) for by in (0.0, LOOP))
        elif isinstance(motion, Ramp):
            load = late = motion.at(n)
        else:
            raise TypeError(f"no load is commanded by {type(motion).__name__}")
        return way(self.world, self.state, self.curve, load, late)

    def _stick(self) -> None:
        """Remember at which load a cell stands still that begins to."""
        frame, held = self.state.frame, self.state.held
        if not self.world.loop.sticks(frame):
            held = None
        elif held is None:
            held = float(self.value(frame).load[0])
        if held != self.state.held:
            self.state = replace(self.state, held=held)
            if self._astray:
                self._way, self._value = self._followed(), None

    def next(self) -> RigState:
        """Return the state in which the following stretch begins."""
        if self.world.restarts(self.until, self.until + 1):
            return replace(self.shut(self.until), **AT_POWER_ON)
        state = self._following()
        by = self.world.miscounts(self.until)
        return replace(state, counter=state.counter + by) if by else state

    def _following(self) -> RigState:
        state = self.at(self.until)
        motion = state.motion
        if self.until >= state.collapse_at:
            return collapsed(self.world, state, self.value(state.frame))
        if not isinstance(motion, Cycling):
            return state
        if self.until >= motion.fall + motion.falling:
            return self._at_rest(state, motion)
        if motion.fall == NEVER and counter_at(state, self.until) >= state.stop_count:
            return stopping(state, motion, "count")
        return state

    def value(self, frame: int) -> Signals:
        """Return the signals at one frame, one value each; the last ones asked for are kept."""
        if self._value is None or self._value[0] != frame:
            self._value = frame, self.signals(np.array([frame]))
        return self._value[1]

    def at(self, frame: int) -> RigState:
        """Return the state at a frame of this stretch (or its end); the last one is kept."""
        if self._reached is None or self._reached[0] != frame:
            self._reached = frame, self._state_at(frame)
        return self._reached[1]

    def _state_at(self, frame: int) -> RigState:
        state = self.world.aged(self.state, frame, self.pace)
        if self.world.loop:
            state = replace(state, rod=float(self.value(frame).stroke[0]))
        if not (self._astray or isinstance(state.motion, Ramp | Collapse)):
            return state
        now = self.value(frame)
        if isinstance(state.motion, Collapse):
            return replace(state, specimen=replace(state.specimen, broken_at=float(now.net[0])))
        bent = float(np.interp(now.net[0], self.curve.net, self.curve.bent))
        if now.load[0] <= 0:
            return state
        peak = max(state.specimen.peak, bent)
        return replace(state, specimen=replace(state.specimen, peak=peak))

    def shut(self, frame: int) -> RigState:
        """Return the state at a frame with the valve closed there."""
        now = self.value(frame)
        state = self.at(frame)
        load, net, stroke = float(now.load[0]), float(now.net[0]), float(now.stroke[0])
        state = replace(state, counter=counter_at(state, frame))
        return closed(state, load, net, stroke, self.world.rate)

    def _loaded(self, load: FloatArray) -> Signals:
        c = self.curve
        net, support, stroke = (c.at_load(load, x) for x in (c.net, c.support, c.stroke))
        return Signals(load, net, support, stroke)

    def _response(
        self, motion: Cycling, n: Frames | None = None
    ) -> tuple[FloatArray | float, FloatArray | float]:
        """Return which share of a commanded amplitude the load reaches, and its lag [rad]."""
        return response(self.world, self.state, motion, n)

    def _wave(self, motion: Cycling, n: Frames) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return mean and amplitude of the load [N] at frames, and its angle."""
        share, lag = self._response(motion, None if self.period else n)
        mean, amplitude = motion.levels(n)
        amplitude *= share * self._grown(motion, mean, amplitude)
        return mean, amplitude, 2 * np.pi * motion.phase(n) - lag

    def _true_wave(self, motion: Cycling, n: Frames) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return that of the true load, of a cell that is shifted."""
        mean, amplitude, angle = self._wave(motion, n)
        return self.world.loop.true(mean, n), amplitude, angle

    def _grown(
        self, motion: Cycling, mean: FloatArray, amplitude: FloatArray
    ) -> FloatArray | float:
        """Return the amplitude of the load over that of the cell, which is what is commanded."""
        pull = self.world.setup.pull
        if not pull:
            return 1.0
        curve = self.world.curve(self.state)
        half = np.maximum(np.abs(amplitude), 1.0)
        ends = (curve.at_load(mean + sign * half, curve.stroke) for sign in (1, -1))
        softness = np.subtract(*ends) / (2 * half)
        return reached(pull, motion.frequency, softness)

    def _loads(
        self, wave: tuple[FloatArray, FloatArray, FloatArray]
    ) -> tuple[FloatArray, FloatArray]:
        """Return the load at frames [N], and the one that the deflection has followed by then."""
        mean, amplitude, angle = wave
        load = np.clip(mean + amplitude * np.sin(angle), 0.0, None)
        late = np.clip(mean + amplitude * np.sin(angle - LOOP), 0.0, None)
        strongest = self.curve.strongest
        return np.minimum(load, strongest), np.minimum(late, strongest)

    def _cycling(self, motion: Cycling, n: Frames) -> Signals:
        wave, curve = self._true_wave(motion, n), self.curve
        load, late = self._loads(wave)
        net = curve.at_load(late, curve.net)
        support = curve.at_load(load, curve.support)
        beam = self.world.beam
        stroke = self.state.gap + net + support + load / beam.frame_stiffness
        signals = Signals(load, net, support, stroke)
        return self._swinging(signals, wave, lambda loads: curve.at_load(loads, curve.stroke))

    def _swinging(
        self,
        signals: Signals,
        wave: tuple[FloatArray, FloatArray, FloatArray],
        stroke_of: StrokeOf,
    ) -> Signals:
        """Return the signals with the rod's acceleration, where a mass moves with it."""
        setup, motion = self.world.setup, self.state.motion
        if not setup.moving_mass or not isinstance(motion, Cycling):
            return signals
        bandwidth = setup.servo_bandwidth
        stroke, acceleration = swing(stroke_of, *wave, motion.frequency, bandwidth)
        return replace(signals, stroke=stroke, acceleration=acceleration)

    def _end_at(self, frame: int, event: bool) -> None:
        if frame < self.until:
            self.until, self.event = frame, event
        elif frame == self.until:
            self.event = self.event or event

    def _plan_way(self, motion: Motion) -> None:
        """Plan a piece of the way of a rod gone astray; the specimen wears as by what is asked."""
        self._end_at(self.state.frame + PIECE, False)
        if isinstance(motion, Cycling):
            top = top_load(motion, self.state.frame, self.until)
            self.pace = self._pace(motion, self._heavier(motion, top))

    def _plan_ramp(self, motion: Ramp) -> None:
        state = self.state
        if state.frame < motion.end:
            self._end_at(motion.end, True)
        if motion.loop != "load" or motion.to <= motion.start:
            return
        strongest = self.world.strength(state)
        if motion.to > strongest:
            part = max(0.0, (strongest - motion.start) / (motion.to - motion.start))
            give = motion.begin + math.ceil(part * (motion.end - motion.begin))
            give = max(give, state.frame + 1)
            self.state = replace(state, collapse_at=give)
            self._end_at(give, True)

    def _plan_cycles(self, motion: Cycling) -> None:
        state = self.state
        index = motion.index(state.frame)
        count = self._cycles_of_equal_wear(motion) if motion.steady(state.frame) else 1
        end = self._end_of(motion, index + count)
        if motion.fall == NEVER and state.stop_count != NEVER:
            stop = motion.boundary(max(index + 1, state.stop_count - state.counter))
            self._end_at(stop, True)
        if motion.fall != NEVER:
            self._end_at(motion.fall + motion.falling, True)
        self._end_at(end, False)
        self.top = self._heavier(motion, top_load(motion, state.frame, min(end, self.until)))
        give = state.collapse_at
        strongest, through = self.world.strength(state), self.world.around.through(state.frame)
        if give == NEVER and self.world.gone(state, self.top):
            give = self._near_the_top(motion, index)
        self._end_at(give, True)
        peak = state.specimen.peak
        if state.specimen.broken_at < 0:
            peak = self.world.beam.bent_at(through * min(self.top, strongest), state.specimen)
        if (give, peak) != (state.collapse_at, state.specimen.peak):
            bent = replace(state.specimen, peak=peak)
            self.state = replace(state, collapse_at=give, specimen=bent)
        if self.top > 0:
            self.pace = self._pace(motion, self.top)

    def _heavier(self, motion: Cycling, top: float) -> float:
        """Return the load [N] on the specimen where the cell is held to `top` in cycling."""
        if not self.world.setup.pull:
            return top
        half = np.array([top - motion.mean])
        grown = half * self._grown(motion, np.array([motion.mean]), half)
        return motion.mean + float(grown[0])

    def _cycles_of_equal_wear(self, motion: Cycling) -> int:
        state, world = self.state, self.world
        by_time = max(1.0, state.specimen.cycles // 100)
        if world.wear is None:
            return int(by_time)
        target, _ = world.wetting(state)
        top = self._heavier(motion, motion.mean + motion.amplitude)
        pace = self._pace(motion, top)
        wet = max(target, state.wet)
        by_wear = math.ceil(world.wear.steady(state.specimen, pace, wet, WEAR_STEP))
        self._tears = world.wear.to_wire(state.specimen, pace) <= min(by_time, by_wear)
        return int(max(1, min(by_time, by_wear)))

    def _pace(self, motion: Cycling, top: float) -> Pace:
        """Return what a cycle does of whose commanded top [N] the loop reaches a share."""
        half = (top - motion.mean) * float(self._response(motion)[0])
        through = self.world.around.through(self.state.frame)
        loads = ((motion.mean - half) * through, (motion.mean + half) * through)
        return self.world.pace(self.state.specimen, *loads)

    def _end_of(self, motion: Cycling, index: int) -> int:
        """Return the frame at which a cycle is taken to begin: where a wire breaks, at its trough.

        There another curve makes no signal jump that did not before.
        """
        end = motion.boundary(index)
        if not self._tears:
            return end
        trough = end - round(BEFORE_TROUGH * motion.rate / motion.frequency)
        return trough if trough > self.state.frame else self._end_of(motion, index + 1)

    def _near_the_top(self, motion: Cycling, index: int) -> int:
        """Return the next frame near the top of a cycle: there a specimen gives way."""
        top = round(NEAR_TOP * motion.rate / motion.frequency)
        frame = motion.boundary(index) + top
        return frame if frame > self.state.frame else motion.boundary(index + 1) + top

    def _at_rest(self, state: RigState, motion: Cycling) -> RigState:
        frame, counter = state.frame, counter_at(state, state.frame)
        mean = float(motion.levels(np.array([frame]))[0][0])
        rest = Ramp("load", frame, frame, mean, mean)
        if state.unload:
            rest = Ramp("load", frame, frame + round(10 * self.world.rate), mean, 0.0)
        return replace(state, motion=rest, counter=counter, collapse_at=NEVER)
