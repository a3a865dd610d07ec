"""The curves of a recorded specimen in its supports and frame."""

from __future__ import annotations

from typing import Final

import numpy as np

from simulators.recorded import RecordedSpecimen
from simulators.specimen import (
    BROKEN_LOAD,
    FRAME_STIFFNESS,
    Curve,
    broken_kinks,
    increasing,
)
from simulators.wear import SpecimenState

FURTHER: Final = 2.0  # of the actuator's largest load: no recorded line is longer


class RecordedBeam:
    """The curves of a recorded specimen: unbroken up to loads that no actuator reaches.

    `most` is the actuator's largest load [N], `upper` the upper load or the capacity [N].
    """

    def __init__(self, recorded: RecordedSpecimen, span: float, most: float, upper: float) -> None:
        self._recorded = recorded
        self._span = span
        self._far = FURTHER * most
        first = recorded.of_age(np.zeros(1))
        self.frame_stiffness = FRAME_STIFFNESS / float(first.net.slope[0] + first.net.bend[0] / 2)
        self.left_over = BROKEN_LOAD * upper
        # Where its sensors stand without load says nothing of where the rod meets it.
        self.offset = float(first.net.at_rest[0] + first.support.at_rest[0])

    def curve(self, state: SpecimenState, gap: float) -> Curve:
        """Return the response from a state; contact begins at stroke `gap` [m]."""
        lines = self._recorded.of_age(np.array([state.age]))
        if state.broken_load > 0:
            load, net = broken_kinks(state, self._span)
        else:
            knee = min(max(float(lines.net.knee[0]), 0.0), self._far)
            load = np.array([0.0, knee, self._far])
            net = lines.net.at(load)
        support = lines.support.at(load)
        stroke = increasing(gap + net + support + load / self.frame_stiffness)
        net = increasing(net)
        return Curve(load, net, net, support, stroke, len(load))

    def strength(self, state: SpecimenState) -> float:
        """Return the largest load the specimen can take from a state [N]."""
        if state.broken_load > 0:
            return state.broken_load
        return 0.0 if self._recorded.gone(state.age) else self._far

    def flexibility(self, _state: SpecimenState) -> float:
        """Return 1: what grows is in the rows."""
        return 1.0

    def bent_at(self, _load: float, state: SpecimenState) -> float:
        """Return the largest deflection so far [m]: another load leaves nothing behind in it."""
        return state.peak
