"""A rig that is not emulated asks for its checklist and its button; devices that fail stop it."""

from __future__ import annotations

import pytest

from rig.control.checklist import checklist
from rig.control.desk import Request
from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.asking import BY, CYCLING, QUICK, REAL, real, said
from tests.control.night import Accidents, walk


def test_a_real_rig_starts_by_checklist_name_and_button_only(plan_of, tmp_path):
    walked = real(plan_of, tmp_path, [(1000, said("confirm")), (60_000, said("stop"))], [5000])
    assert walked.path[:2] == (
        ("idle", "real rig", "checklist"),
        ("checklist", "confirm", "starting"),
    )
    assert 5000 <= walked.frames[1] <= 5100


@pytest.mark.parametrize(
    "confirm",
    [
        Request("confirm", who="", items=("x",)),
        pytest.param(
            Request(
                "confirm", who=BY, items=("guards are closed and interlocked",), on_call="Q, 1"
            ),
            marks=pytest.mark.nights,
        ),
    ],
    ids=["no name", "items missing"],
)
def test_a_checklist_that_is_not_complete_starts_nothing(plan_of, tmp_path, confirm):
    walked = real(plan_of, tmp_path, [(1000, confirm)], [2000])
    assert walked.verdict.outcome == "operator"
    assert "checklist" in walked.verdict.why
    assert [to for _, _, to in walked.path] == ["checklist", "stopping", "stopped"]


@pytest.mark.nights
def test_without_the_button_a_confirmed_checklist_starts_nothing(plan_of, tmp_path):
    walked = real(plan_of, tmp_path, [(1000, said("confirm"))], [])
    assert [to for _, _, to in walked.path] == ["checklist", "stopping", "stopped"]


@pytest.mark.nights
def test_on_a_real_rig_going_on_and_unloading_need_the_button(plan_of, tmp_path):
    script = [
        (1000, said("confirm")),
        (CYCLING + 10_000, said("continue")),  # refused: cycling
        (CYCLING + 11_000, said("unload")),  # a pause until the button is used
        (CYCLING + 120_000, said("unload")),
        (CYCLING + 200_000, said("continue")),
        (CYCLING + 300_000, said("stop")),
    ]
    presses = [2000, CYCLING + 125_000, CYCLING + 205_000]
    walked = real(plan_of, tmp_path, script, presses)
    states = [to for _, _, to in walked.path]
    begin = states.index("pausing")
    assert states[begin : begin + 5] == ["pausing", "paused", "unloading", "unloaded", "starting"]
    unloading = walked.frames[begin + 2]
    assert CYCLING + 125_000 <= unloading <= CYCLING + 125_100
    assert CYCLING + 205_000 <= walked.frames[begin + 4] <= CYCLING + 205_100


@pytest.mark.nights
def test_a_second_request_while_the_button_is_waited_for_is_refused_and_harms_nothing(
    plan_of, tmp_path
):
    script = [
        (1000, said("confirm")),
        (1500, said("confirm")),
        (CYCLING + 11_000, said("pause")),
        (CYCLING + 30_000, said("continue")),
        (CYCLING + 31_000, said("continue")),
        (CYCLING + 32_000, said("unload")),
        (CYCLING + 90_000, said("stop")),
    ]
    walked = real(plan_of, tmp_path, script, [4000, CYCLING + 35_000])
    assert walked.verdict.outcome == "operator"
    states = [to for _, _, to in walked.path]
    begin = states.index("paused")
    assert states[begin : begin + 3] == ["paused", "starting", "build-up"]
    refused = [text for text in walked.events("request") if "refused" in text]
    assert len(refused) == 3
    assert all("is being carried out" in text for text in refused)


@pytest.mark.nights
def test_a_guard_opened_on_the_way_to_the_button_refuses_and_ends_nothing(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK, REAL)
    press = InputState(local_button=True)
    changes = [(2000, press), (2500, InputState())]
    late = CYCLING + 33_000
    changes += [(late, InputState(guard_open=True)), (late + 1000, InputState())]
    script = (
        (1000, Request("confirm", who=BY, items=checklist(plan), on_call="Q. Tester, +00 1")),
        (CYCLING + 11_000, said("pause")),
        (CYCLING + 30_000, said("continue")),
        (CYCLING + 90_000, said("stop")),
    )
    faults = tuple(InputChange(frame, state) for frame, state in changes)
    walked = walk(
        plan, tmp_path / "w", script=script, accidents=Accidents(faults=faults), emulated=False
    )
    assert walked.verdict.outcome == "operator"
    assert any("the guard is open" in text for text in walked.events("request"))


@pytest.mark.nights
def test_the_pressure_is_off_at_once_after_an_emergency_stop(plan_of, tmp_path):
    plan = plan_of("first-night", {**QUICK, r"^after_stop = .*$": 'after_stop = "60 s"'})
    hit = Accidents(faults=(InputChange(CYCLING, InputState(emergency_stop=True)),))
    walked = walk(plan, tmp_path / "w", accidents=hit)
    assert walked.verdict.cause == "emergency_stop"
    assert walked.acts[-3:] == ["close_valve", "pressure off", "pressure off"]
    assert CYCLING <= walked.act_frames["pressure off"] <= CYCLING + 20


@pytest.mark.nights
def test_a_controller_that_answers_nothing_any_more_still_gives_an_outcome(plan_of, tmp_path):
    walked = walk(
        plan_of("first-night", QUICK), tmp_path / "w", accidents=Accidents(no_answer=CYCLING)
    )
    assert walked.verdict.outcome == "fault"
    assert "does not answer" in walked.verdict.why
    assert [text for text in walked.events("stop") if "valve does not close" in text]
    assert [text for text in walked.events("stop") if "pressure stays on" in text]


@pytest.mark.nights
def test_inputs_that_hang_are_a_fault_and_a_stop_is_still_made(plan_of, tmp_path):
    walked = walk(
        plan_of("first-night", QUICK), tmp_path / "w", accidents=Accidents(inputs_hang=CYCLING)
    )
    assert walked.verdict.outcome == "fault"
    assert "inputs has not answered" in walked.verdict.why or "inputs" in walked.verdict.why
