"""What is different with an imported recording: nobody watched it, and no state is known of it.

Its gaps are part of the file and no accident of a rig: only one of over a second is a missing
channel. Whether the load goes on cycling is not asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rig.acquire.extract import ExtractionSetup
from rig.guards.health import HealthSetup, HealthState, check_health
from rig.judging.looking import Decision, Look
from rig.protocol.plan import Bounds, Plan
from rig.replay.again import Again, Comparison
from rig.replay.counted import rows_of_samples
from rig.replay.found_channels import Measure
from rig.replay.recording import Recording
from rig.samples import Cycles, SampleArray, SampleBlock

TOGETHER: Final = 4096
"""Cycles that are compared together."""


@dataclass(frozen=True, slots=True)
class HealthWatch:
    """Decides "health" where a channel is flat, saturated or missing."""

    setup: HealthSetup
    state: HealthState = field(default_factory=HealthState)

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Look at the channels of the next block."""
        signals = dict(zip(block.channels, block.values, strict=True))
        state, found = check_health(self.setup, self.state, block.first, signals)
        decisions = tuple(Decision("health", f.frame + 1, f) for f in found)
        return Look(replace(self, state=state), decisions)


def without_gaps(values: SampleArray, bounds: Bounds) -> SampleArray:
    """Return samples in which those that are missing lie within bounds."""
    gone = np.isnan(values)
    if not gone.any():
        return values
    low, high = bounds
    finite = [bound for bound in (low, high) if math.isfinite(bound)]
    inside = np.float32(sum(finite) / max(len(finite), 1))
    return np.where(gone, inside, values)


def counts_from(recording: Recording) -> int:
    """Return the frame at which the first counted cycle begins: before it nothing cycles."""
    rows = next(iter(recording.rows(size=1, only=())), None)
    return int(rows.begin[0]) if rows is not None else 0


def found_as_imported(recording: Recording, plan: Plan | None) -> Again:
    """Find the cycles of imported samples again, and hold them against the recorded rows.

    `plan` is the one it was imported by.
    """
    setup = ExtractionSetup(recording.header.channels, recording.rate)
    load = Measure()
    first = None
    for record in recording.full_rate():
        first = record.first_frame if first is None else first
        load.add(record.values[record.channels.index("load")])
    if first is None or (plan is not None and plan.cyclic is None):
        return Again(0, ())
    comparison = Comparison(recording)
    values = (record.values for record in recording.full_rate())
    waiting: list[Cycles] = []
    for kind, rows in rows_of_samples(values, setup, plan, first, load.high - load.low):
        if kind == "cycles":
            waiting.append(rows)
        if sum(map(len, waiting)) >= TOGETHER:
            comparison.take(waiting, unsure=0)
            waiting = []
    comparison.take(waiting, unsure=0)
    return comparison.told()
