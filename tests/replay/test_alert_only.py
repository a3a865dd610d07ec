"""Criteria that are alert only: the test goes on and says so; a replay tells what it left out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.assembly.result import recorded_result
from rig.commands.files import read_text
from rig.commands.saying import summary
from rig.judging.shadow import ALERT
from rig.record.history import read_journal
from rig.replay.judged import Replayed, differences, recorded, replay
from rig.replay.recording import open_recording
from rig.replay.varied import vary
from tests.replay.made import CASES, Case, gone_on, made, texts
from tests.replay.test_replay import verdict

LOSS = replace(CASES["loss 1"], run_out=900)
pytestmark = [
    pytest.mark.endurance,
    pytest.mark.timeout(180),
    pytest.mark.xdist_group("alert only"),  # they share what is recorded
]


def quiet(case: Case, *names: str) -> Case:
    """Return the case with criteria that are alert only."""
    listed = ", ".join(f'"{name}"' for name in names)
    return replace(case, alerts=f"alert_only = [{listed}]")


def judged(run: Path, text: str | None = None) -> Replayed:
    """Return a replay as recorded, or by another text of the protocol."""
    with open_recording(run) as recording:
        if text is None:
            return replay(recording, recording.plan())
        path = run.parent / "other.toml"
        path.write_text(text, encoding="utf-8")
        return replay(recording, recording.plan_with(str(path), read_text))


def assert_agrees(run: Path) -> Replayed:
    """Hold a replay as recorded against the record; return what was found."""
    with open_recording(run) as recording:
        plan = recording.plan()
        then, now = recorded(recording), replay(recording, plan)
        assert differences(recording, plan, then, now) == ()
    assert verdict(now) == verdict(then)
    return now


@pytest.fixture(scope="module")
def acted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a specimen that fails, and whose test ends so."""
    return made(tmp_path_factory.mktemp("acted"), LOSS)


@pytest.fixture(scope="module")
def only_told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the same specimen under a loss that is alert only."""
    case = quiet(LOSS, "stiffness_loss", "stiffness_step")
    return made(tmp_path_factory.mktemp("told"), case)


def test_the_test_goes_on_and_ends_by_what_is_left_armed(acted, only_told):
    end, later = judged(acted), assert_agrees(only_told)
    assert end.outcome == "failure"
    assert later.cycles > end.cycles
    alert = next(f for f in later.findings if f.action == ALERT and f.kind == "stiffness-loss")
    assert alert.cycle == end.cycles
    assert alert.text == f"would have stopped the test as failure: {end.why}"
    assert later.outcome is not None
    assert "stiffness-loss" not in {f.kind for f in later.findings if f.cycle > end.cycles}


def test_it_is_told_once_in_the_record_and_with_the_result(only_told):
    with read_journal(only_told) as journal:
        told = [e for e in journal.events() if e.text.startswith("would have stopped")]
    assert [e.kind for e in told] == ["stiffness-loss"]
    title, result = recorded_result(only_told) or pytest.fail("has no end")
    assert f"cycle {told[0].cycle:,}: stiffness-loss: {told[0].text}" in result.alerts
    assert f"alert     {result.alerts[-1]}" in summary(title, result, only_told)


def test_a_replay_with_nothing_alert_only_tells_what_would_have_happened(acted, only_told):
    end, now = judged(acted), judged(only_told, texts(LOSS)[0])
    assert (now.outcome, now.cycles, now.why) == (end.outcome, end.cycles, end.why)
    back = judged(acted, texts(quiet(LOSS, "stiffness_loss", "stiffness_step"))[0])
    assert back.outcome != "failure" or back.cycles == end.cycles
    assert any(f.action == ALERT for f in back.findings)


def test_varying_another_key_keeps_what_is_alert_only(only_told):
    with open_recording(only_told) as recording:
        found = vary(recording, "failure.stiffness_loss.stop=15 %, 20 %", None, read_text)
    assert {r.outcome for r in found.replayed} == {judged(only_told).outcome}


@pytest.mark.parametrize("name", ["load short", "load short, nothing learned"])
def test_a_load_that_falls_short_goes_on_where_that_is_alert_only(tmp_path, name):
    case = quiet(replace(CASES[name], run_out=300), "load_short")
    now = assert_agrees(made(tmp_path, case))
    assert now.outcome == "run-out"
    short = [f for f in now.findings if f.kind == "load-short"]
    assert [f.action for f in short] == [ALERT]
    assert short[0].text.startswith("would have stopped the test as fault: ")


def test_a_test_that_is_taken_up_alerts_as_one_that_was_not(tmp_path):
    case = quiet(CASES["stopped, resumed, failed"], "stiffness_loss", "stiffness_step")
    whole = made(tmp_path / "whole", replace(case, script=(), then=None))
    resumed = made(tmp_path / "resumed", replace(case, then=gone_on))
    told = [
        [f.kind for f in assert_agrees(run).findings if f.action == ALERT]
        for run in (whole, resumed)
    ]
    assert told[0] == told[1]
    assert told[0]
