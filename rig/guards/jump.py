"""A load that jumps while the specimen goes on as it did: no specimen does that, but a cell does.

Its plug was changed over, a wire came off or its sign changed. One false sample is a spike, and a
specimen that breaks bends in the very sample in which the load falls. Figures: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.channels import shown
from rig.guards.following import Doubt, FollowSetup

STAYS: Final = 3
"""Samples for which a load that jumped stays there."""
BEFORE: Final = 20
"""Samples before it that tell how far load and deflection usually go from one to the next."""
JUMPS: Final = 5.0
"""How many times as far a load goes that jumps."""
GOES_ON: Final = 3.0
"""How many times as far net deflection may go, and still be said to go on."""

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class JumpState:
    """The last samples of load and net deflection, of which it is not known yet what follows."""

    tail: Samples = field(default_factory=lambda: np.empty((2, 0), np.float32))


def find_jump(
    setup: FollowSetup, state: JumpState, first_frame: int, load: Samples, deflection: Samples
) -> tuple[JumpState, Doubt | None]:
    """Look for the first jump in the next samples, each of shape (frames,) [SI].

    It is knowable with the third sample after it; none is looked for in the first `BEFORE`.
    """
    tail, keep = state.tail, BEFORE + STAYS
    newest = np.vstack((load[-keep:], deflection[-keep:]))
    after = JumpState(np.hstack((tail, newest))[:, -keep:])
    edge = np.concatenate((tail[0], load[:1]))
    with np.errstate(invalid="ignore"):  # what is infinite is no jump, but beyond every limit
        if _quiet(edge[1:] - edge[:-1], setup.jump) and _quiet(load[1:] - load[:-1], setup.jump):
            return after, None  # nearly always
        both = np.hstack((tail, np.vstack((load, deflection)))).astype(np.float64)
        at = _alone(setup, both)
    if at is None:
        return after, None
    ways = [shown("load", float(both[0, index])) for index in (at, at + 1)]
    text = f"the load jumps from {ways[0]} to {ways[1]} while net deflection goes on"
    return after, Doubt("fault", first_frame - tail.shape[1] + at + STAYS, text)


def _alone(setup: FollowSetup, both: NDArray[np.float64]) -> int | None:
    """Return the sample after which the load jumps alone, None where it does not."""
    steps = np.diff(both, axis=1)
    last = both.shape[1] - STAYS
    at = np.flatnonzero(np.abs(steps[0, BEFORE:last]) > setup.jump) + BEFORE
    if not len(at):
        return None
    before = at[:, None] - np.arange(1, BEFORE + 1)
    usual = np.abs(steps[:, before]).max(axis=2)
    gone, bent = both[:, at[:, None] + np.arange(1, STAYS + 1)] - both[:, at][:, :, None]
    size = np.abs(gone[:, 0])
    stays = (gone * np.sign(gone[:, :1]) > size[:, None] / 2).all(axis=1)
    jumps = stays & (size > JUMPS * usual[0])
    allowed = np.maximum(setup.deflection, GOES_ON * usual[1])
    goes_on = np.abs(bent[:, 0]) <= allowed
    later = np.abs(bent).max(axis=1) <= STAYS * allowed
    # A controller that believes the cell moves the rod at once; no specimen that breaks gains
    # load, or leaves one below zero.
    of_no_specimen = (gone[:, 0] > 0) | (both[0, at + 1] < -setup.load)
    found = at[jumps & goes_on & (later | of_no_specimen)]
    return int(found[0]) if len(found) else None


def _quiet(steps: Samples, most: float) -> bool:
    """Tell whether no step is large; a missing sample may hide one."""
    return not len(steps) or (-most <= float(steps.min()) and float(steps.max()) <= most)
