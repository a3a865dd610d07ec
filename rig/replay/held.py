"""Samples held against limits, and the outcome named after one that trips."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from rig.criteria.findings import Settled
from rig.guards.learned import combine
from rig.guards.limits import LimitSetup, LimitState, Trip, check_limits, earlier
from rig.judging.arming import FeedbackSetup, learned_of
from rig.judging.load_watch import LoadWatch
from rig.judging.naming import after_trip, evidence_time
from rig.protocol.plan import Bounds, Plan
from rig.replay.imported import without_gaps
from rig.replay.stretches import joined
from rig.samples import SampleArray, SampleBlock


def bounds_of(plan: Plan, base: Settled | None) -> Mapping[str, Bounds]:
    """Return the limits of a plan [SI], with those learned from a baseline where there is one."""
    if base is None or plan.loading is None:
        return plan.limits.fixed
    return combine(plan.limits.fixed, learned_of(plan, plan.loading, base))


@dataclass(frozen=True, slots=True)
class Held:
    """Limits that are armed, and the runs beyond them that reach the end of the last block.

    In an `imported` recording a gap is no excursion. `known` is what is known of the feedback, None
    where its cell was not ours to doubt, `watch` looks at it.
    """

    bounds: Mapping[str, Bounds]
    rate: float
    persist: int
    imported: bool = False
    known: FeedbackSetup | None = None
    state: LimitState = field(default_factory=LimitState)
    watch: LoadWatch = field(default_factory=LoadWatch)

    def checked(
        self, block: SampleBlock, deflection: SampleArray, *, moves: bool, slowly: bool, led: bool
    ) -> tuple[Held, Trip | None]:
        """Return the successor after a block, and what tripped in it.

        `moves` tells that motions are commanded, `slowly` that they load the specimen slowly,
        `led` that net deflection may lead them.
        """
        signals = dict(zip(block.channels, block.values, strict=True)) | {"deflection": deflection}
        bounds = {name: pair for name, pair in self.bounds.items() if name in signals}
        known, feedback = self.known, "" if self.imported else "load"
        ends, apart = (known.ends, known.apart) if known is not None else (None, None)
        setup = LimitSetup(bounds, self.rate, self.persist, feedback, ends, apart)
        if self.imported:
            signals |= {name: without_gaps(signals[name], bounds[name]) for name in bounds}
        state, trip = check_limits(setup, self.state, block.first, signals)
        if known is None or not moves:
            return replace(self, state=state, watch=LoadWatch()), trip
        watch = self.watch.looked(known.following, block, deflection, slowly=slowly, led=led)
        return replace(self, state=state, watch=watch), earlier(trip, watch.trip)


class Evidence:
    """The last samples of a stretch, by which the outcome after a trip is named.

    As much as names it in a test is held before what comes next, and once `waits_until` is set
    everything up to that frame. The cell of an `imported` recording is not ours to doubt where
    nothing cycles.
    """

    def __init__(self, plan: Plan, rate: float, *, imported: bool = False) -> None:
        self._plan, self._imported = plan, imported
        self._loading = plan.loading if plan.cyclic is not None else None
        self._before = round(evidence_time(self._loading) * rate)
        self._blocks: deque[SampleBlock] = deque()
        self.waits_until: int | None = None

    def forget(self) -> None:
        """Begin a new stretch."""
        self._blocks.clear()
        self.waits_until = None

    def add(self, block: SampleBlock) -> None:
        """Take a copy of a block: whoever gave it may use the memory again."""
        values = block.values.copy()
        self._blocks.append(SampleBlock(block.first, block.rate, block.channels, values))
        while self.waits_until is None and block.first - self._blocks[0].end > self._before:
            self._blocks.popleft()

    @property
    def complete(self) -> bool:
        """Whether all that was waited for has come."""
        return self.waits_until is not None and self._blocks[-1].end >= self.waits_until

    def named(self, trip: Trip, tick: int, base: Settled | None) -> tuple[str, str]:
        """Return outcome and why after a trip that was acted upon at a tick."""
        loading = self._loading
        if trip.kind == "feedback":
            return "fault", trip.text
        if loading is None and self._imported:
            return "limit", trip.text
        end = math.inf if self.waits_until is None else self.waits_until
        block = joined(self._blocks, tick - self._before, int(min(end, self._blocks[-1].end)))
        return after_trip(self._plan, loading, base, trip.text, block, trip.frame - block.first)
