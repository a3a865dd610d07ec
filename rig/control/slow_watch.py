"""The watch over load and net deflection in slow motions, between one block and the next.

Cycling has its own looks at its sensors. Where people may be at the rig, and where nothing is
commanded, sensors are touched and exchanged: there nothing is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from rig.control.states import STAGES
from rig.guards.following import FollowSetup, FollowState, follow
from rig.guards.limits import Trip
from rig.judging.cycling import Cycling
from rig.judging.looking import Judge
from rig.samples import SampleArray, SampleBlock

COMMANDED: Final = frozenset((*STAGES, "inspection"))
"""States in which slow motions are commanded and nobody is at the sensors."""


def _always() -> bool:
    """Tell that slow motions are commanded."""
    return True


@dataclass(frozen=True, slots=True)
class SlowWatch:
    """What is known of load and deflection so far; `moves` tells whether motions are commanded.

    `trip` is a load in doubt that the last block held, `told` what else was found in it.
    """

    moves: Callable[[], bool] = _always
    state: FollowState = field(default_factory=FollowState)
    trip: Trip | None = None
    told: tuple[str, ...] = ()

    def begun_anew(self) -> SlowWatch:
        """Return the watch with nothing known."""
        return self if self.state.untouched else SlowWatch(self.moves)

    def looked(
        self, setup: FollowSetup, block: SampleBlock, deflection: SampleArray, judge: Judge
    ) -> SlowWatch:
        """Return the watch after the next block of samples, which a stage's judge looks at too."""
        if isinstance(judge, Cycling) or not self.moves():
            return self.begun_anew()
        state, doubts = follow(setup, self.state, block.first, block.of("load"), deflection)
        faults = [doubt for doubt in doubts if doubt.action == "fault"]
        trip = None
        if faults:
            text = f"feedback in doubt: {faults[0].text}"
            trip = Trip("feedback", "load", math.nan, math.nan, faults[0].frame, text)
        told = tuple(doubt.text for doubt in doubts if doubt.action == "finding")
        return replace(self, state=state, trip=trip, told=told)
