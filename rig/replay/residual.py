"""The static test after a run-out judged again: its end, and the limits that were armed in it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rig.protocol.plan import Plan
from rig.protocol.residual import residual_stages
from rig.record.entries import Residual
from rig.replay.by_samples import SampleSetup, watched
from rig.replay.ends import End, first_of
from rig.replay.recording import Recording
from rig.replay.static_end import Broken, static_end
from rig.replay.timeline import FOR_EVER, Timeline

OTHER_CYCLES: Final = (
    "the static test of the record was made after other cycles than this protocol runs: it does "
    "not tell what would be left here"
)


def replayed_residual(
    recording: Recording, plan: Plan, line: Timeline, end: End | None, by: Plan | None
) -> tuple[Residual | None, tuple[str, ...]]:
    """Return how the static test after a run-out ends by a plan, and what must be known beside.

    `end` is that of the cycles, `by` the plan of the recording.
    """
    stages = residual_stages(plan)
    if line.residual == FOR_EVER or not stages:
        return None, ()
    recorded = by.cyclic if by is not None else None
    ran_out = end is not None and end.outcome == "run-out"
    if end is None or recorded is None or not ran_out or end.cycle != recorded.run_out:
        return None, (OTHER_CYCLES,)
    cycle = recorded.run_out
    test = replace(plan, stages=stages)
    broken = static_end(recording, test, line, line.residual)
    static = broken.end if broken is not None else None
    until = static.tick if static is not None else FOR_EVER
    setup = SampleSetup(test, recording.rate, line, lambda _tick: cycle, until)
    seen = watched(recording, setup, line.residual)
    first = first_of([found for found in (static, seen.end) if found is not None])
    if first is None:
        return None, (_without_end(recording),)
    # Of a load in doubt nobody knows what it was.
    load, deflection = _held(broken) if first.outcome != "fault" else (None, None)
    notes = (broken.note,) if broken is not None and broken.note and first is static else ()
    return Residual(first.outcome, first.why, load, deflection), notes


def _held(broken: Broken | None) -> tuple[float | None, float | None]:
    """Return the highest load [N] and the net deflection there [m], None without any."""
    if broken is None or broken.load < 0:
        return None, None
    return broken.load, broken.deflection


def _without_end(recording: Recording) -> str:
    after = recording.residual
    if after is None:
        return "the static test after the run-out has no end in the record"
    return (
        f"the static test after the run-out ended with {after.outcome} ({after.why}), which no "
        "sample tells"
    )
