"""The watch over load and net deflection, between one block of samples and the next.

In slow motions the load must follow the specimen; cycling has its own looks at its sensors. A load
that jumps alone is in doubt in both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.guards.following import FLAT_TIME, Doubt, FollowSetup, FollowState, follow
from rig.guards.jump import JumpState, find_jump
from rig.guards.limits import Trip
from rig.judging.second_load import SECOND, SecondLoad
from rig.samples import SampleArray, SampleBlock

LED: Final = frozenset({"static", "ramp"})
"""States in which net deflection may lead the rod."""


@dataclass(frozen=True, slots=True)
class LoadWatch:
    """What is known of load and deflection so far.

    `trip` is a load in doubt that the last block held, `told` what else was found in it. `last` is
    what mid-span showed last, `still` for how many samples, `said` that people know of it. `second`
    is what a second measure of load says, `stays` that mid-span was told of because of it.
    """

    state: FollowState = field(default_factory=FollowState)
    jump: JumpState = field(default_factory=JumpState)
    trip: Trip | None = None
    told: tuple[str, ...] = ()
    last: float = math.nan
    still: int = 0
    said: bool = False
    second: SecondLoad = field(default_factory=SecondLoad)
    stays: bool = False

    def looked(
        self,
        setup: FollowSetup,
        block: SampleBlock,
        deflection: SampleArray,
        *,
        slowly: bool,
        led: bool = True,
    ) -> LoadWatch:
        """Return the watch after the next block, in which the specimen is loaded slowly or not.

        Where the rod is not `led` by net deflection a mid-span that stands still is told of, as is
        one that stays where two measures of load change: it watches, and the load is not in doubt.
        """
        load = block.of("load")
        jump, jumped = find_jump(setup, self.jump, block.first, load, deflection)
        state, doubts, runs = FollowState(), tuple[Doubt, ...](), np.zeros(0, np.int64)
        if slowly:
            runs = self._runs(block.of("midspan"))
            state, doubts = follow(setup, self.state, block.first, load, deflection)
        least = round(FLAT_TIME * setup.rate) if setup.lively_bend else math.inf
        lies = [d for d in doubts if runs[d.frame - block.first] >= least]  # for all that is known
        faults = [d for d in (jumped, *doubts) if d is not None and d.action == "fault"]
        dead = [d for d in faults if d.unbent and not led and d in lies]
        faults = [d for d in faults if d not in dead]
        second, agreed = SecondLoad(), False
        if slowly and not led and SECOND in block.channels:
            second, faults, agreed = self.second.looked(setup, block, deflection, faults)
        trip = None
        if faults:
            first = min(faults, key=lambda doubt: doubt.frame)
            text = f"feedback in doubt: {first.text}"
            trip = Trip("feedback", "load", math.nan, math.nan, first.frame, text)
        told = [
            f"{d.text}: a drifting load cell?"
            for d in doubts
            if d.action == "finding" and d not in lies and not (agreed or self.stays)
        ]
        if agreed and not self.stays:
            told.append("midspan stays where load and load_2 both change; look at its sensor")
        elif dead and not self.said:
            told.append("midspan stays the same while the load changes; look at its sensor")
        after = LoadWatch(state, jump, trip, tuple(told), second=second, stays=self.stays or agreed)
        if not len(runs):
            return after
        still, last = int(runs[-1]), float(block.of("midspan")[-1])
        return replace(after, last=last, still=still, said=still > 0 and (self.said or bool(dead)))

    def _runs(self, midspan: SampleArray) -> NDArray[np.int64]:
        """Return for how many samples mid-span has shown the very same, at each sample."""
        number = np.arange(1, len(midspan) + 1)
        changes = midspan != np.concatenate(([np.float32(self.last)], midspan[:-1]))
        since = np.maximum.accumulate(np.where(changes, number, 0))
        runs: NDArray[np.int64] = np.where(since > 0, number - since, number + self.still)
        return runs
