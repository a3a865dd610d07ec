"""What channels say together: the same in a rehearsal, in one that is resumed, and in a replay."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.record.history import read_journal
from rig.replay.by_rows import begin_rows, columns_of, judge_rows, row_setup
from rig.replay.judged import recorded
from rig.replay.recording import open_recording
from rig.replay.replaying import temperatures
from rig.replay.stretches import intervals
from rig.replay.timeline import timeline
from tests.replay.made import CASES, made
from tests.replay.test_replay import assert_replay_agrees

SAID = {
    "mid-span scaled": ("fault", "midspan is in doubt"),
    "support scaled": ("run-out", "support_left is in doubt"),
    "support moved": ("run-out", "support_left moved at once and nothing else did"),
    "load scaled in the loop": ("fault", "the load cell is in doubt"),
    "mid-span drifts": ("limit", "swings too little further"),
    "confirmed by the stroke": ("failure", "confirmed by the stroke"),
    "witnesses, stopped and resumed": ("run-out", "no failure"),
}
"""How a recording with a channel at fault ends, and what is told of it."""
QUICK = "mid-span scaled"


def named(name: str) -> object:
    return name if name == QUICK else pytest.param(name, marks=pytest.mark.endurance)


def told(run: Path) -> tuple[str | None, str]:
    with open_recording(run) as recording:
        then = recorded(recording)
    return then.outcome, "\n".join([then.why, *(f.text for f in then.findings)])


@pytest.mark.timeout(180)
@pytest.mark.parametrize("name", [named(n) for n in SAID])
def test_a_channel_at_fault_is_named_and_its_replay_knows_the_same(tmp_path, name):
    run = made(tmp_path, CASES[name])
    outcome, words = told(run)
    assert outcome == SAID[name][0]
    assert SAID[name][1] in words
    assert_replay_agrees(run, name)
    live, again = known_at_the_end(run), known_by_rows(run)
    assert live["agreement"]["base"] is not None
    assert live == again


def known_at_the_end(run: Path) -> dict[str, object]:
    """Return what the criteria of a test knew at its end, of channels and warmth."""
    with read_journal(run) as journal:
        point = journal.restart_point
    assert point is not None
    return comparable(point["cycling"]["criteria"])


def known_by_rows(run: Path) -> dict[str, object]:
    """Return what the criteria of its replay know."""
    with open_recording(run) as recording:
        plan, line = recording.plan(), timeline(recording.events(), recording.rate)
        air = temperatures(recording)
        setup = row_setup(plan, recording.rate, line, plan, intervals(recording), air)
        assert setup is not None
        state = begin_rows(setup)
        for rows in recording.rows(only=columns_of([setup])):
            state = judge_rows(setup, state, rows)
    return comparable(state.criteria.to_plain())


def comparable(criteria: dict[str, object]) -> dict[str, object]:
    """Return it as text makes it: NaN is not equal to itself."""
    kept = {name: criteria[name] for name in ("agreement", "warmth", "recent", "reported")}
    return json.loads(json.dumps(kept).replace("NaN", '"NaN"'))
