"""People near the rig: at inspections, in their hours, or not at all."""

from __future__ import annotations

import pytest

from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.asking import BY, CYCLING, QUICK, nights, said, states, table
from tests.control.night import Accidents, walk


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


@pytest.mark.nights
@pytest.mark.parametrize("opened", [True, False], ids=["guard", "button"])
def test_somebody_at_the_rig_during_an_inspection_keeps_it_from_going_on(night, opened):
    there = InputState(guard_open=opened, local_button=not opened)
    result = night(
        (400.0, said("continue")),
        faults=(InputChange(110_000, there), InputChange(111_000, InputState())),
    )
    assert result.outcome == "run-out"
    events = table(result.run, "events")
    locked = [(t, text) for t, _, kind, text in events if kind == "state" and "locked" in text]
    assert len(locked) == 1
    assert 110.0 <= locked[0][0] < 110.1
    (row,) = table(result.run, "inspections")
    assert row[2] > 280.0


@pytest.mark.nights
def test_a_note_at_an_inspection_holds_it(night):
    result = night((112.0, said("note", "mapping the cracks")), (400.0, said("continue")))
    assert result.outcome == "run-out"
    events = table(result.run, "events")
    assert any(text.startswith(f"locked, people: note by {BY}") for *_, text in events)
    (row,) = table(result.run, "inspections")
    assert row[2] > 280.0


@pytest.mark.nights
def test_an_open_guard_refuses_to_go_on(night):
    result = night(
        (112.0, said("continue")),
        (150.0, said("continue")),
        faults=(
            InputChange(110_000, InputState(guard_open=True)),
            InputChange(140_000, InputState()),
        ),
    )
    assert result.outcome == "run-out"
    refused = [text for _, _, kind, text in table(result.run, "events") if kind == "request"]
    assert any("the guard is open" in text for text in refused)


@pytest.mark.nights
def test_nothing_is_resumed_in_quiet_hours_but_a_scheduled_inspection_goes_on(night):
    # A rehearsal begins at 18:00 UTC.
    hours = '[hours]\nzone = "UTC"\nquiet = ["18:00", "18:10"]\n[pauses]'
    result = night(
        (65.0, said("pause")),
        (80.0, said("continue")),
        (601.0, said("continue")),
        changes={r"^\[pauses\].*$": hours},
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)
    refused = [text for _, _, kind, text in table(result.run, "events") if kind == "request"]
    assert any(
        "quiet hours: nothing is resumed until" in text and "18:10" in text for text in refused
    )
    assert result.test_s > 601.0


@pytest.mark.nights
def test_an_inspection_is_pulled_forward_into_working_hours(night):
    # 18:00 on a Monday; the inspection at 190 would come after 18:01:30.
    hours = '[hours]\nzone = "UTC"\nworking = ["09:00", "18:02"]\npull_forward = "10 %"\n[pauses]'
    result = night(
        changes={
            r"^\[pauses\].*$": hours,
            r'^at = \["150 cycles"\]$': 'at = ["300 cycles"]',
            r"^run_out = .*$": 'run_out = "400 cycles"',
        },
    )
    (row,) = table(result.run, "inspections")
    assert 270 <= row[1] < 300
    assert result.cycles == 400


@pytest.mark.nights
@pytest.mark.parametrize("looked", [True, pytest.param(False, marks=pytest.mark.nights)])
def test_a_window_that_nobody_acknowledged_pauses_the_test(night, looked):
    script = ((30.0, said("note", "all well")),) if looked else ()
    result = night(
        *script,
        (300.0, said("stop")),
        changes={r"^by = .*$": 'by = ["60 s"]'},
    )
    causes = states(result.run)
    assert any("unattended" in text for text in causes) is not looked
    assert result.outcome == ("run-out" if looked else "operator")


@pytest.mark.nights
def test_a_rehearsal_in_which_nobody_can_look_goes_on_past_its_windows(night):
    result = night(changes={r"^by = .*$": 'by = ["20 s", "60 s", "50 cycles"]'})
    assert (result.outcome, result.cycles) == ("run-out", 200)


@pytest.mark.nights
def test_a_catch_can_reading_is_compared_with_the_schedule(night):
    result = night((110.0, said("note", "", catch_can=1.0 / 6e4, face="bottom")))
    (text,) = [text for _, _, kind, text in table(result.run, "events") if kind == "catch can"]
    assert BY in text
    assert "bottom" in text
    assert "33%" in text  # 1.0 instead of 1.5 L/min
    assert "outside" in text


@pytest.mark.nights
@pytest.mark.parametrize(
    "reading", [{"catch_can": -1.0, "face": "bottom"}, {"catch_can": 2e-5, "face": "top"}]
)
def test_a_catch_can_reading_that_cannot_be_is_refused_and_harms_nothing(night, reading):
    result = night((110.0, said("note", "", **reading)))
    assert result.outcome == "run-out"
    assert not [k for _, _, k, _ in table(result.run, "events") if k in ("catch can", "note")]


@pytest.mark.nights
def test_the_horn_sounds_before_every_motion_from_standstill(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    script = ((CYCLING, said("unload")), (CYCLING + 60_000, said("continue")))
    walked = walk(plan, tmp_path / "w", script=script)
    switched = walked.rig.horn.switched
    on = [frame for frame, is_on in switched if is_on]
    off = [frame for frame, is_on in switched if not is_on]
    starts = [
        frame
        for frame, (_, _, to) in zip(walked.frames, walked.path, strict=True)
        if to == "starting"
    ]
    assert len(starts) == 3  # at first, after unloading, after the inspection
    for start in starts:
        begun = [frame for frame in on if abs(frame - start) <= 20]
        assert len(begun) == 1
        ended = min(frame for frame in off if frame > begun[0])
        assert ended - begun[0] == pytest.approx(5000, abs=20)


def test_a_stop_during_the_horn_lets_it_warn_its_time_before_the_rig_unloads(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    script = ((CYCLING, said("pause")), (CYCLING + 15_000, said("continue")))
    walked = walk(plan, tmp_path / "w", script=(*script, (CYCLING + 16_000, said("stop"))))
    assert walked.verdict.outcome == "operator"
    switched = [(f, on) for f, on in walked.rig.horn.switched if f > CYCLING]
    (begun, on), (ended, off) = switched[-2:]
    assert (on, off) == (True, False)
    assert begun - (CYCLING + 16_000) <= 20
    assert ended - begun >= 5_000
    assert not [text for text in walked.events("stop") if "valve closed" in text]
    assert walked.conductor.book.latest_load < 500


def test_a_pause_under_upper_load_is_no_place_for_people(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    opened = Accidents(faults=(InputChange(42_000, InputState(guard_open=True)),))
    script = ((35_000, said("pause")), (90_000, said("stop")))
    walked = walk(plan, tmp_path / "w", script=script, accidents=opened)
    assert walked.path[-2] == ("paused", "guard", "stopping")
    assert walked.verdict.outcome == "fault"


@pytest.mark.nights
def test_a_pause_in_an_inspection_is_an_interruption_of_its_own(night):
    result = night((93.0, said("pause", "a look")), (110.0, said("continue")))
    (inner, outer) = table(result.run, "interruptions")
    assert "a look" in inner[3]
    assert outer[3].startswith("inspection")
    assert outer[0] < inner[0]
    assert outer[0] + outer[2] > inner[0] + inner[2] + 20.0


@pytest.mark.nights
def test_a_stop_while_an_inspection_waits_leaves_the_inspection_in_the_record(night):
    result = night((112.0, said("stop")))
    (row,) = table(result.run, "inspections")
    assert row[3].startswith("static check done, zeros read; ended by the stop")


@pytest.mark.nights
def test_an_inspection_that_nobody_ends_does_not_keep_a_rehearsal_for_ever(night):
    result = night(changes={r"^go_on_after = .*$": 'go_on_after = "never"'})
    assert result.outcome == "run-out"
    assert any("nobody answers" in text for _, _, _, text in table(result.run, "events"))
