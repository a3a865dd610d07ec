"""The watch over load and net deflection, between one block of samples and the next.

In slow motions the load must follow the specimen; cycling has its own looks at its sensors. A load
that jumps alone is in doubt in both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from rig.guards.following import Doubt, FollowSetup, FollowState, follow
from rig.guards.jump import JumpState, find_jump
from rig.guards.limits import Trip
from rig.samples import SampleArray, SampleBlock


@dataclass(frozen=True, slots=True)
class LoadWatch:
    """What is known of load and deflection so far.

    `trip` is a load in doubt that the last block held, `told` what else was found in it.
    """

    state: FollowState = field(default_factory=FollowState)
    jump: JumpState = field(default_factory=JumpState)
    trip: Trip | None = None
    told: tuple[str, ...] = ()

    def looked(
        self, setup: FollowSetup, block: SampleBlock, deflection: SampleArray, *, slowly: bool
    ) -> LoadWatch:
        """Return the watch after the next block, in which the specimen is loaded slowly or not."""
        load = block.of("load")
        jump, jumped = find_jump(setup, self.jump, block.first, load, deflection)
        state, doubts = FollowState(), tuple[Doubt, ...]()
        if slowly:
            state, doubts = follow(setup, self.state, block.first, load, deflection)
        faults = [doubt for doubt in (jumped, *doubts) if doubt and doubt.action == "fault"]
        trip = None
        if faults:
            first = min(faults, key=lambda doubt: doubt.frame)
            text = f"feedback in doubt: {first.text}"
            trip = Trip("feedback", "load", math.nan, math.nan, first.frame, text)
        told = tuple(doubt.text for doubt in doubts if doubt.action == "finding")
        return LoadWatch(state, jump, trip, told)
