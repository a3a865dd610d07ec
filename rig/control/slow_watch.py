"""The watch over load and net deflection, between one block and the next.

In slow motions the load must follow the specimen; cycling has its own looks at its sensors. A load
that jumps alone is in doubt in both. Where people may be at the rig, and where nothing is
commanded, sensors are touched and exchanged: there nothing is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from rig.control.states import STAGES
from rig.guards.following import FollowSetup, FollowState, follow
from rig.guards.jump import JumpState, find_jump
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
    jump: JumpState = field(default_factory=JumpState)
    trip: Trip | None = None
    told: tuple[str, ...] = ()

    def begun_anew(self) -> SlowWatch:
        """Return the watch with nothing known."""
        return self if not self.jump.tail.shape[1] else SlowWatch(self.moves)

    def looked(
        self, setup: FollowSetup, block: SampleBlock, deflection: SampleArray, judge: Judge
    ) -> SlowWatch:
        """Return the watch after the next block of samples, which a stage's judge looks at too."""
        cycling, load = isinstance(judge, Cycling), block.of("load")
        if not cycling and not self.moves():
            return self.begun_anew()
        jump, jumped = find_jump(setup, self.jump, block.first, load, deflection)
        state, doubts = FollowState(), ()
        if not cycling:
            state, doubts = follow(setup, self.state, block.first, load, deflection)
        faults = [doubt for doubt in (jumped, *doubts) if doubt and doubt.action == "fault"]
        trip = None
        if faults:
            first = min(faults, key=lambda doubt: doubt.frame)
            text = f"feedback in doubt: {first.text}"
            trip = Trip("feedback", "load", math.nan, math.nan, first.frame, text)
        told = tuple(doubt.text for doubt in doubts if doubt.action == "finding")
        return replace(self, state=state, jump=jump, trip=trip, told=told)
