"""A second measure of load: where both change and nothing bends, mid-span is in doubt."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from rig.guards.following import Doubt, FollowSetup, FollowState, follow
from rig.samples import SampleArray, SampleBlock

AGREES: Final = 0.04
"""Time [s] within which a second measure of load changes too, if it does; a change that it does not
show is a load in doubt then. Common practice, no source."""
LONG_AGO: Final = -(10**15)
SECOND: Final = "load_2"


@dataclass(frozen=True, slots=True)
class SecondLoad:
    """What is known of the second measure of load.

    `changed` is the frame at which it changed last and nothing bent; `waits` is a load in doubt of
    which it is not known yet whether this one says the same.
    """

    state: FollowState = field(default_factory=FollowState)
    changed: int = LONG_AGO
    waits: Doubt | None = None

    def looked(
        self,
        setup: FollowSetup,
        block: SampleBlock,
        deflection: SampleArray,
        faults: list[Doubt],
    ) -> tuple[SecondLoad, list[Doubt], bool]:
        """Return the state after a block, the faults that stand, and whether mid-span is in doubt.

        Of the `faults` of the block those of a load that changed while nothing bent wait for it.
        """
        load = block.of(SECOND)
        state, doubts = follow(setup, self.state, block.first, load, deflection)
        changed = next((d.frame for d in doubts if d.unbent), self.changed)
        stand = [d for d in faults if not d.unbent]
        unbent = (d for d in faults if d.unbent)
        waits = self.waits or min(unbent, key=lambda d: d.frame, default=None)
        if waits is None:
            return SecondLoad(state, changed), stand, False
        wait = round(AGREES * setup.rate)
        if abs(waits.frame - changed) <= wait:
            return SecondLoad(state, changed), stand, True
        if block.end <= waits.frame + wait:
            return SecondLoad(state, changed, waits), stand, False
        late = replace(waits, frame=waits.frame + wait)
        return SecondLoad(state, changed), [*stand, late], False
