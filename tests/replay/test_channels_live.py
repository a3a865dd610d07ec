"""Channels against each other in whole rehearsals: one tick, people who answer, a warm night."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from rig.assembly.events_file import kept_events
from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.control.desk import Request
from rig.record import Event
from rig.replay.recording import open_recording
from simulators.faults import Scaled
from tests.replay.made import CASES, COUNTS, EVER, WITNESSES, Case, plan_of, texts
from tests.replay.test_replay import assert_replay_agrees
from tests.replay.test_replay_channels import known_at_the_end, known_by_rows


def events_of(run: Path) -> list[Event]:
    with open_recording(run) as recording:
        return list(recording.events())


@pytest.mark.nights
@pytest.mark.timeout(180)
@pytest.mark.parametrize(
    "name", ["mid-span scaled", pytest.param("support moved", marks=pytest.mark.endurance)]
)
def test_long_blocks_find_what_blocks_of_one_tick_find(tmp_path, name):
    case = CASES[name]
    plan = plan_of(tmp_path, case)
    runs = [tmp_path / "long", tmp_path / "short"]
    for run, short in zip(runs, (False, True), strict=True):
        rehearse(plan, run, case.seed, one_tick=short, faults=case.faults)
    told, known = zip(*((events_of(run), known_at_the_end(run)) for run in runs), strict=True)
    assert told[0] == told[1]
    assert known[0] == known[1]
    assert any("in doubt" in event.text for event in told[0])


@pytest.mark.nights
def test_people_who_have_looked_are_not_paused_for_the_same_conflict_again(tmp_path):
    begin = COUNTS + 9_000
    looked = Request("continue", who="P. Tester")
    case = Case(
        channels=WITNESSES,
        run_out=600,
        learned="",
        faults=(Scaled("midspan", begin, EVER, 1.6),),
        # It pauses for the step first, then for the range that mid-span changed alone.
        script=tuple((begin / 1e3 + 20.0 * n, looked) for n in range(1, 6)),
    )
    rehearse(plan_of(tmp_path, case), tmp_path / "run", 1, faults=case.faults, script=case.script)
    told = events_of(tmp_path / "run")
    assert len([e for e in told if e.kind == "conflict"]) == 1
    pauses = [e for e in told if e.kind == "state" and e.text.startswith("pausing")]
    assert 2 <= len(pauses) <= 4
    with open_recording(tmp_path / "run") as recording:
        assert recording.outcome == "run-out"
    assert_replay_agrees(tmp_path / "run", "conflict")


RESIDUAL = 5
"""Place of the residual deflection among the features of a group."""
WARM = """
title = "A warm night"
[[event]]
kind = "daily-temperature"
at = "1 min"
swing = "5 K"
period = "12 h"
lag = "1 min"
post = "-10 um"
softer = "0.3 %"
"""


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_a_warm_night_teaches_what_warmth_does_and_its_replay_learns_the_same(tmp_path):
    protocol, rig = texts(Case(3, run_out=120_000, life=1e6, channels=WITNESSES))
    rig = re.sub(r"^rate = .*$", 'rate = "200 Hz"', rig, flags=re.MULTILINE)
    rig = rig.replace("creep = 0.05", "creep = 0")
    for old, new in (
        ('from = "20 cycles"', 'from = "2000 cycles"'),
        ('frequency = "10 Hz"', 'frequency = "4 Hz"'),
        ('to = "60 cycles"', 'to = "3000 cycles"'),
        ('stop = "30 %", confirm = "5 cycles"', 'stop = "30 %", confirm = "100 cycles"'),
    ):
        assert old in protocol
        protocol = protocol.replace(old, new)
    (tmp_path / "p.toml").write_text(protocol, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    plan = load(str(tmp_path / "p.toml"), str(tmp_path / "rig.toml"))
    run = tmp_path / "run"
    rehearse(plan, run, 3, events=kept_events(WARM, plan))
    told = events_of(run)
    assert [e.text for e in told if e.kind in ("residual-growth", "sensor", "conflict")] == []
    known = known_at_the_end(run)
    assert known["warmth"]["slopes"][1] == pytest.approx(-10e-6, rel=0.15)
    with open_recording(run) as recording:
        last = recording.last_rows(1)
    # Without what it has learned it would have warned.
    assert last["deflection_min"][0] > 1.5 * known["agreement"]["base"][0][RESIDUAL]
    assert_replay_agrees(run, "warm")
    assert json.dumps(known_by_rows(run)) == json.dumps(known)
