"""A stretch of a rig with a recorded specimen: in cycling it changes from frame to frame."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from rig.samples import FloatArray
from simulators.motion import NEVER, Cycling, Frames
from simulators.recorded import BEYOND, HAIR, Lines, RecordedSpecimen
from simulators.signals import Signals
from simulators.state import RigState, World
from simulators.stretch import Stretch

LONGEST: Final = 512  # cycles planned at once


class RecordedStretch(Stretch):
    """A stretch whose specimen is the recorded one; `full` tells that its cycles count.

    It has no period: each cycle has its own row.
    """

    def __init__(self, world: World, state: RigState, recorded: RecordedSpecimen) -> None:
        self._recorded = recorded
        self.full = False
        super().__init__(world, state)
        if isinstance(self.state.motion, Cycling):
            self.period = 0

    def signals(self, n: Frames) -> Signals:
        """Return the signals at frames, with the lines that they follow."""
        signals = super().signals(n)
        if signals.lines is not None:
            return signals
        age = np.array([self.state.specimen.age])
        return replace(signals, lines=self._recorded.of_age(age))

    def _cycling(self, motion: Cycling, n: Frames) -> Signals:
        lines = self._recorded.of_age(self._ages(motion, n))
        wave = self._true_wave(motion, n)
        load, late = self._loads(wave)
        net, support = lines.net.at(late), lines.support.at(load)
        gap, frame = self.state.gap, self.world.beam.frame_stiffness
        stroke = gap + net + support + load / frame
        signals = Signals(load, net, support, stroke, lines)

        def stroke_of(loads: FloatArray) -> FloatArray:
            there: FloatArray = gap + lines.net.at(loads) + lines.support.at(loads) + loads / frame
            return there

        return self._swinging(signals, wave, stroke_of)

    def _ages(self, motion: Cycling, n: Frames) -> FloatArray:
        """Return the counted cycles that the specimen has had at frames."""
        age = self.state.specimen.age
        if not self.full:
            return np.full(len(n), age)
        passed = (n - self.state.frame).astype(np.float64)
        ages: FloatArray = age + passed * (motion.frequency / motion.rate)
        return ages

    def _plan_cycles(self, motion: Cycling) -> None:
        self.full = motion.fall == NEVER and self._range(motion) >= self._recorded.full_range
        if motion.fall != NEVER:
            self._forget_part()
        super()._plan_cycles(motion)
        if self.full and not self._recorded.fails:
            left = self._recorded.last + BEYOND - self.state.specimen.age
            frames = math.ceil(left * motion.rate / motion.frequency)
            if frames > 0:
                self._end_at(self.state.frame + frames, True)

    def _forget_part(self) -> None:
        """Take back the part of a cycle that is not finished: nobody counts it."""
        specimen = self.state.specimen
        whole = math.floor(specimen.age + HAIR)
        self.state = replace(self.state, specimen=replace(specimen, age=float(whole)))

    def _range(self, motion: Cycling) -> float:
        """Return the load range [N] in the middle of the cycle under way."""
        index = motion.index(self.state.frame)
        middle = (motion.boundary(index) + motion.boundary(index + 1)) // 2
        amplitude = float(motion.levels(np.array([middle]))[1][0])
        return 2 * amplitude * float(self._response(motion)[0])

    def _cycles_of_equal_wear(self, motion: Cycling) -> int:
        if not self.full:
            return LONGEST
        left = self._recorded.last - self.state.specimen.age
        return max(1, min(LONGEST, math.ceil(left)))

    def _state_at(self, frame: int) -> RigState:
        state = super()._state_at(frame)
        if not isinstance(state.motion, Cycling):
            return state
        age = float(self._ages(state.motion, np.array([frame]))[0])
        return replace(state, specimen=replace(state.specimen, age=age))


def lines_of(signals: Signals) -> Lines:
    """Return the lines of signals of a recorded specimen."""
    if signals.lines is None:
        raise ValueError("signals of a simulated specimen follow no recorded lines")
    return signals.lines
