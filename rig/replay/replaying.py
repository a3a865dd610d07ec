"""A recording judged again by a plan: its rows, its samples, the end of its static test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from rig.criteria.groups import WARMTH
from rig.errors import InputError
from rig.protocol.air import AIR
from rig.protocol.plan import Plan
from rig.replay.again import Again, found_again
from rig.replay.by_rows import RowSetup, RowState, begin_rows, columns_of, judge_rows, row_setup
from rig.replay.by_samples import SampleSetup, watched
from rig.replay.ends import FINDING, End, Noted, before, first_of
from rig.replay.found import Replayed
from rig.replay.imported import counts_from, found_as_imported
from rig.replay.recording import Recording
from rig.replay.residual import replayed_residual
from rig.replay.static_end import static_end
from rig.replay.stretches import intervals
from rig.replay.timeline import Timeline, timeline
from rig.replay.told import judged_by_samples
from rig.samples import FloatArray

ALL_COUNT: Final = (
    "its cycles were counted without a protocol, so that those of a build-up are judged too; to "
    "part them, import with --protocol"
)
"""What must be known of imported samples that no protocol was given for."""
LOOKED_BACK: Final = 8
"""Rows before a tick among which the last one known at it is."""


def replay(recording: Recording, plan: Plan) -> Replayed:
    """Judge a recording by a plan; the first finding that ends the test ends the replay."""
    return replay_each(recording, (plan,))[0]


def replay_each(recording: Recording, plans: Sequence[Plan]) -> tuple[Replayed, ...]:
    """Judge a recording by several plans. Rows are read once for all of them.

    Raises InputError for an air run, in which there was no specimen to judge.
    """
    events = recording.events()
    if any(event.kind == AIR for event in events):
        raise InputError(f"{recording.path}: was an air run: there is no specimen in it to judge")
    line = timeline(events, recording.rate)
    # Nobody held an imported recording against limits when it was made.
    recorded_by = None if recording.header.imported else recorded_plan(recording)
    seen = intervals(recording)
    air = temperatures(recording)
    setups = [row_setup(plan, recording.rate, line, recorded_by, seen, air) for plan in plans]
    states = _judged(recording, setups)
    again = None
    if recording.header.imported:
        # They hang on no plan that it is judged by.
        again = found_as_imported(recording, recorded_plan(recording))
    return tuple(
        _replayed(recording, plan, line, state, again)
        for plan, state in zip(plans, states, strict=True)
    )


def recorded_plan(recording: Recording) -> Plan | None:
    """Return the plan that a recording was made by, None where nothing was watched by it."""
    try:
        return recording.plan()
    except InputError:
        return None


def temperatures(recording: Recording) -> tuple[FloatArray, FloatArray]:
    """Return times [s] and values [K] of the air's temperature; empty where it was not read."""
    if WARMTH not in recording.column_names("slow"):
        return np.empty(0), np.empty(0)
    parts = list(recording.table("slow", only=("time", WARMTH)))
    times, values = (
        np.concatenate([np.empty(0), *(part[name] for part in parts)]) for name in ("time", WARMTH)
    )
    known = np.isfinite(values)
    return times[known], values[known]


def _judged(recording: Recording, setups: Sequence[RowSetup | None]) -> list[RowState | None]:
    """Return where judging the rows stands at the end, for each setup."""
    states = [begin_rows(setup) if setup is not None else None for setup in setups]
    armed = [setup for setup in setups if setup is not None]
    if not armed:
        return states
    for rows in recording.rows(only=columns_of(armed)):
        states = [
            judge_rows(setup, state, rows) if setup is not None and state is not None else None
            for setup, state in zip(setups, states, strict=True)
        ]
        if all(state is None or state.end is not None for state in states):
            break
    return states


def _replayed(
    recording: Recording,
    plan: Plan,
    line: Timeline,
    state: RowState | None,
    again: Again | None,
) -> Replayed:
    broken = static_end(recording, plan, line) if plan.cyclic is None else None
    static = broken.end if broken is not None else None
    if static is not None:
        cycle = _cycle_at(recording, line, static.tick)
        static = replace(static, cycle=cycle, found=replace(static.found, cycle=cycle))
    ends = [end for end in (state.end if state else None, static) if end is not None]
    noted = list(state.noted) if state is not None else []
    noted += [Noted(static.tick, FINDING, static.found)] if static is not None else []
    # Behind a run-out the fatigue test is over, also where another protocol would have gone on.
    until = min([end.tick for end in ends] + [line.residual])
    setup = SampleSetup(
        plan,
        recording.rate,
        line,
        lambda tick: _cycle_at(recording, line, tick),
        until,
        state.settled if state is not None else None,
        counts_from(recording) if recording.header.imported else None,
    )
    seen = watched(recording, setup)
    end = first_of([*ends, *([seen.end] if seen.end is not None else [])])
    again = again or found_again(recording, seen.stretches)
    found = _told(recording, end, [*noted, *seen.noted])
    notes = (broken.note,) if broken is not None and broken.note and end is static else ()
    residual, more = replayed_residual(recording, plan, line, end, recorded_plan(recording))
    notes = (*notes, *more)
    if state is not None and recording.header.imported and recorded_plan(recording) is None:
        notes = (*notes, *([ALL_COUNT] if recording.stretches() else []))
    return replace(
        found, found_again=again.cycles, unlike=again.sentences, notes=notes, residual=residual
    )


def _cycle_at(recording: Recording, line: Timeline, tick: int) -> int:
    """Return the counted cycle at a tick: as a stop there was told, else by the times of rows."""
    stop = next((s for s in line.stops if abs(s.frame - tick) <= line.tick), None)
    if stop is not None:
        return stop.cycle
    rows = recording.last_rows(LOOKED_BACK, tick / recording.rate)
    known = rows.known <= tick
    return int(rows["number"][known][-1]) if known.any() else 0


def _told(recording: Recording, end: End | None, noted: list[Noted]) -> Replayed:
    findings = before(noted, end)
    if end is None:
        return Replayed(None, _without_end(recording), recording.cycles, None, None, findings)
    cycle = end.cycle or 0
    return Replayed(end.outcome, end.why, cycle, end.first_seen, end.confirmed, findings)


def _without_end(recording: Recording) -> str:
    """Say in one sentence by what a recording ended in which a replay finds no end."""
    if recording.outcome is None:
        return "the recording has no end, and nothing in it ends the test"
    ended = f"the recording ended with {recording.outcome} at cycle {recording.cycles:,}"
    if judged_by_samples(recording):
        return f"{ended} ({recording.why}); by this protocol nothing in it ends the test"
    return (
        f"{ended} ({recording.why}), which no sample tells; nothing in its samples ends it earlier"
    )
