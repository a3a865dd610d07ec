"""People's requests, people near the rig, and what is told of it: whole tests in virtual time."""

from __future__ import annotations

import itertools
from dataclasses import replace

import h5py
import numpy as np
import pytest

from rig.assembly import rehearse
from rig.control.checklist import checklist
from rig.control.desk import MOST_WAITING, Desk, Request
from rig.judging.looking import Averaged
from rig.ports import InputState
from rig.samples import SampleBlock
from simulators.faults import Flat, InputChange, NoFlow
from tests.control.night import Accidents, walk

BY = "P. Tester"
HOURS_LONG = {r"^rate = .*$": 'rate = "200 Hz"'}
"""Change of the rig for nights of many hours: the fewest samples a cycle that are allowed."""
QUICK = {
    r"^run_out = .*$": 'run_out = "200 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["100 cycles"]',
}
CYCLING, INSPECTION = 65_000, 84_000
"""Frames at which the quick night cycles, and makes its inspection."""


def said(verb: str, text: str = "", **more) -> Request:
    return Request(verb, who=BY, text=text, **more)


def table(path, name):
    with h5py.File(path) as file:
        rows = file[name][:]
    return [tuple(v.decode() if isinstance(v, bytes) else v for v in row.tolist()) for row in rows]


@pytest.fixture
def night(plan_of, tmp_path):
    """Return a function: requests at test times [s], changes, faults, to a finished run."""

    def carry_out(*script, changes=None, faults=(), rig=None):
        plan = plan_of("first-night", {**QUICK, **(changes or {})}, rig)
        return rehearse(plan, tmp_path / "run", 1, script=script, faults=faults)

    return carry_out


def test_a_pause_keeps_the_count_and_the_run_out_stays_exact(night):
    result = night((65.0, said("pause", "look at the noise")), (80.0, said("continue")))
    assert (result.outcome, result.cycles) == ("run-out", 200)
    with h5py.File(result.run) as file:
        numbers = file["cycles/number"][:]
    assert numbers[:200].tolist() == list(range(1, 201))
    (interruption, inspection) = table(result.run, "interruptions")
    assert 65.0 <= interruption[0] < 65.1
    assert interruption[2] == pytest.approx(80.0 + 5.0 - 65.0, abs=0.1)  # the horn sounds 5 s
    for word in ("pause", BY, "look at the noise", "kN held"):
        assert word in interruption[3]
    assert "inspection" in inspection[3]


def test_requests_and_their_answers_are_in_the_record(night):
    result = night(
        (65.0, said("continue")),
        (66.0, said("note", "crack at the left load point, 0.1 mm")),
        (67.0, said("pause")),
        (75.0, said("stop", "enough for today")),
    )
    assert result.outcome == "operator"
    assert BY in result.why
    assert "enough for today" in result.why
    told = [(kind, text) for _, _, kind, text in table(result.run, "events")]
    assert ("note", f"{BY}: crack at the left load point, 0.1 mm") in told
    requests = [text for kind, text in told if kind == "request"]
    assert requests[0].startswith(f"continue by {BY} refused: not while cycling; possible now")
    assert requests[1:] == [f"pause by {BY}", f"stop by {BY}: enough for today"]


def test_a_pause_that_nobody_ends_unloads_after_the_wait_and_goes_on_when_asked(night):
    result = night(
        (65.0, said("pause")),
        (200.0, said("continue")),
        changes={r"^unload_after = .*$": 'unload_after = "60 s"'},
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)
    states = [
        text.split(",")[0] for _, _, kind, text in table(result.run, "events") if kind == "state"
    ]
    begin = states.index("pausing")
    assert states[begin : begin + 8] == [
        "pausing",
        "paused",
        "unloading",
        "unloaded",
        "starting",
        "approach",
        "build-up",
        "cycling",
    ]
    (interruption, _) = table(result.run, "interruptions")
    assert "unloaded" in interruption[3]


@pytest.mark.parametrize(
    "opened", [pytest.param(True, marks=pytest.mark.nights), False], ids=["guard", "button"]
)
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


def test_a_note_at_an_inspection_holds_it(night):
    result = night((112.0, said("note", "mapping the cracks")), (400.0, said("continue")))
    assert result.outcome == "run-out"
    events = table(result.run, "events")
    assert any(text.startswith(f"locked, people: note by {BY}") for *_, text in events)
    (row,) = table(result.run, "inspections")
    assert row[2] > 280.0


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


@pytest.mark.parametrize("looked", [True, pytest.param(False, marks=pytest.mark.nights)])
def test_a_window_that_nobody_acknowledged_pauses_the_test(night, looked):
    script = ((30.0, said("note", "all well")),) if looked else ()
    result = night(
        *script,
        (300.0, said("stop")),
        changes={r"^by = .*$": 'by = ["60 s"]'},
    )
    causes = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    assert any("unattended" in text for text in causes) is not looked
    assert result.outcome == ("run-out" if looked else "operator")


@pytest.mark.nights
def test_a_rehearsal_in_which_nobody_can_look_goes_on_past_its_windows(night):
    result = night(changes={r"^by = .*$": 'by = ["20 s", "60 s", "50 cycles"]'})
    assert (result.outcome, result.cycles) == ("run-out", 200)


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
def test_two_missed_spray_periods_pause_where_somebody_can_answer(night):
    result = night((300.0, said("stop")), faults=(NoFlow(0, 10**9),))
    causes = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    assert any(text.startswith("pausing, no flow") for text in causes)
    assert result.outcome == "operator"


@pytest.mark.nights
def test_long_dry_is_a_deviation_and_is_wetted_before_going_on(night):
    changes = {
        r"^on_pause = .*$": 'on_pause = "off"',
        r"^unload_after = .*$": 'unload_after = "6 h"',
    }
    script = ((70.0, said("pause")), (70.0 + 3 * 3600, said("continue")))
    result = night(*script, changes=changes, rig=HOURS_LONG)
    assert (result.outcome, result.cycles) == ("run-out", 200)
    events = table(result.run, "events")
    assert any(kind == "deviation" for _, _, kind, _ in events)
    begun = next(t for t, _, kind, text in events if kind == "state" and "re-wetting" in text)
    gone_on = next(
        t for t, _, kind, text in events if kind == "state" and t > begun and "starting" in text
    )
    assert gone_on - begun == pytest.approx(3 * 3600, rel=0.01)
    sprayed = table(result.run, "spray")
    assert any(off - on > 10_000 for on, off, _, _ in sprayed)


@pytest.mark.nights
def test_zeros_are_read_at_start_at_inspections_and_at_the_end(night):
    result = night()
    labels = [
        text.split(":")[0]
        for _, channel, _, text in table(result.run, "zeros")
        if channel == "load"
    ]
    assert labels == ["start", "inspection at cycle 100", "end"]


@pytest.mark.nights
def test_a_storm_of_requests_is_answered_and_harms_nothing(night):
    verbs = ("pause", "continue", "note", "unload", "confirm", "pause")
    storm = tuple(
        (60.0 + i * 0.037, said(verbs[i % len(verbs)], f"number {i}")) for i in range(600)
    )
    result = night(*storm, (400.0, said("continue")), (460.0, said("continue")))
    assert (result.outcome, result.cycles) == ("run-out", 200)
    with h5py.File(result.run) as file:
        numbers = file["cycles/number"][:]
    assert numbers.tolist() == list(range(1, len(numbers) + 1))


@pytest.mark.endurance
def test_a_storm_of_refusals_is_told_without_filling_the_record(night):
    storm = tuple((60.0 + i * 0.01, said("continue", f"{i}")) for i in range(3000))
    result = night(*storm)
    assert result.outcome == "run-out"
    refused = [t for _, _, k, t in table(result.run, "events") if k == "request"]
    assert 20 <= len(refused) <= 45
    assert any("other refusals" in text for text in refused) or len(refused) <= 21


@pytest.mark.nights
def test_a_long_record_of_the_stop_is_kept_in_pieces_without_a_hole(night):
    result = night(changes={r"^before_stop = .*$": 'before_stop = "60 min"'})
    with h5py.File(result.run) as file:
        index = file["full_rate/index"][:]
        load = file["full_rate/load"][:]
    rows = [row for row in index if row["label"] == b"stop"]
    frames = sum(int(row["frames"]) for row in rows)
    assert int(rows[0]["first_frame"]) + frames == round(result.test_s * 1000)
    for before, after in itertools.pairwise(rows):
        assert before["first_frame"] + before["frames"] == after["first_frame"]
    assert len(load) >= frames


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


@pytest.mark.endurance
def test_a_pause_acts_at_the_same_frame_however_long_the_blocks_are(plan_of, tmp_path):
    quicker = {r'^at = \["150 cycles"\]$': 'at = ["90 cycles"]'}
    quicker |= {
        r"^run_out = .*$": 'run_out = "110 cycles"',
        r"^go_on_after = .*$": 'go_on_after = "5 s"',
    }
    plan = plan_of("first-night", quicker)
    asked = {65.0: "pause", 66.0: "continue", 84.5: "pause", 95.0: "unload", 110.0: "continue"}
    asked |= {111.0: "pause", 140.0: "continue"}
    script = tuple((time, said(verb)) for time, verb in asked.items())
    long, short = (
        rehearse(plan, tmp_path / str(tick), 1, script=script, one_tick=tick)
        for tick in (False, True)
    )
    assert table(long.run, "events") == table(short.run, "events")
    assert table(long.run, "interruptions") == table(short.run, "interruptions")
    assert (long.outcome, long.cycles) == ("run-out", 110)


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
def test_a_specimen_that_was_unloaded_is_reached_again_over_the_retracted_way(night):
    result = night(
        (65.0, said("unload")),
        (110.0, said("continue")),
        changes={r"^give_up_after = .*$": 'give_up_after = "4 mm"'},
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)


@pytest.mark.nights
def test_a_flat_watching_sensor_pauses_where_somebody_can_answer(night):
    result = night((300.0, said("stop")), faults=(Flat("midspan", 70_000, 10**9),))
    causes = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    assert any(text.startswith("pausing, finding: midspan stays the same") for text in causes)


@pytest.mark.nights
def test_a_sensor_that_fails_again_after_it_was_mended_pauses_again(night):
    flats = (Flat("midspan", 70_000, 80_000), Flat("midspan", 130_000, 10**9))
    result = night((100.0, said("continue")), (300.0, said("stop")), faults=flats)
    causes = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    paused = [t for t in causes if t.startswith("pausing, finding: midspan stays the same")]
    assert len(paused) == 2


@pytest.mark.nights
def test_an_inspection_that_nobody_ends_does_not_keep_a_rehearsal_for_ever(night):
    result = night(changes={r"^go_on_after = .*$": 'go_on_after = "never"'})
    assert result.outcome == "run-out"
    assert any("nobody answers" in text for _, _, _, text in table(result.run, "events"))


@pytest.mark.nights
def test_a_script_that_ends_in_a_pause_ends_the_rehearsal(night):
    result = night((65.0, said("unload")))
    assert result.outcome == "operator"
    assert "nobody is left" in result.why


@pytest.mark.nights
def test_locked_after_a_pause_keeps_quiet_hours_and_wets_first(night):
    hours = '[hours]\nzone = "UTC"\nquiet = ["18:01", "18:10"]\n[pauses]'
    changes = {
        r"^on_pause = .*$": 'on_pause = "off"',
        r"^\[pauses\].*$": hours,
        r"^unload_after = .*$": 'unload_after = "6 h"',
    }
    there = InputState(guard_open=True)
    result = night(
        (70.0, said("pause")),
        (100.0, said("continue")),
        (70.0 + 3 * 3600, said("continue")),
        changes=changes,
        faults=(InputChange(16_000, there), InputChange(18_000, InputState())),
        rig=HOURS_LONG,
    )
    events = table(result.run, "events")
    assert any("quiet hours" in text for _, _, kind, text in events if kind == "request")
    states = [text.split(",")[0] for _, _, kind, text in events if kind == "state"]
    begin = states.index("locked")
    assert states[begin : begin + 3] == ["locked", "re-wetting", "starting"]


@pytest.mark.nights
def test_wetting_that_ends_in_quiet_hours_asks_once_more(night):
    # Wet from 21:01 to 00:01, quiet from 22:00 to 00:30.
    hours = '[hours]\nzone = "UTC"\nquiet = ["22:00", "00:30"]\n[pauses]'
    changes = {
        r"^on_pause = .*$": 'on_pause = "off"',
        r"^\[pauses\].*$": hours,
        r"^unload_after = .*$": 'unload_after = "24 h"',
    }
    asked = 70.0 + 3 * 3600
    result = night(
        (70.0, said("pause")),
        (asked, said("continue")),
        (7 * 3600.0, said("continue")),
        changes=changes,
        rig=HOURS_LONG,
    )
    assert result.outcome == "run-out"
    states = [(t, x) for t, _, kind, x in table(result.run, "events") if kind == "state"]
    asks = [t for t, text in states if text.startswith("paused, asks loaded")]
    assert len(asks) == 1
    assert asked + 3 * 3600 - 60 < asks[0] < asked + 3 * 3600 + 60


@pytest.mark.nights
def test_wetting_without_water_does_not_go_on(night):
    changes = {
        r"^on_pause = .*$": 'on_pause = "off"',
        r"^unload_after = .*$": 'unload_after = "9 h"',
    }
    result = night(
        (75.0, said("pause")),
        (75.0 + 3 * 3600, said("continue")),
        (75.0 + 7 * 3600, said("stop")),
        changes=changes,
        faults=(NoFlow(16_000, 10**9),),
        rig=HOURS_LONG,
    )
    states = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    assert any(text.startswith("paused, asks loaded: no water came") for text in states)
    assert states[-2].startswith("stopping, stop")


REAL = {r"^rate = ": 'local_input = "button"\nrate = '}


def real(plan_of, tmp_path, script, presses, name="w"):
    plan = plan_of("first-night", QUICK, REAL)
    items = checklist(plan)
    full = {"items": items, "on_call": "Q. Tester, +00 1"}
    complete = [
        (frame, replace(r, **full) if r.verb == "confirm" and not r.items else r)
        for frame, r in script
    ]
    faults = []
    for frame in presses:
        faults += [
            InputChange(frame, InputState(local_button=True)),
            InputChange(frame + 500, InputState()),
        ]
    return walk(
        plan,
        tmp_path / name,
        script=complete,
        accidents=Accidents(faults=tuple(faults)),
        emulated=False,
    )


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
        Request("confirm", who=BY, items=("guards are closed and interlocked",), on_call="Q, 1"),
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


def test_the_pressure_is_off_at_once_after_an_emergency_stop(plan_of, tmp_path):
    plan = plan_of("first-night", {**QUICK, r"^after_stop = .*$": 'after_stop = "60 s"'})
    hit = Accidents(faults=(InputChange(CYCLING, InputState(emergency_stop=True)),))
    walked = walk(plan, tmp_path / "w", accidents=hit)
    assert walked.verdict.cause == "emergency_stop"
    assert walked.acts[-3:] == ["close_valve", "pressure off", "pressure off"]
    assert CYCLING <= walked.act_frames["pressure off"] <= CYCLING + 20


def test_a_controller_that_answers_nothing_any_more_still_gives_an_outcome(plan_of, tmp_path):
    walked = walk(
        plan_of("first-night", QUICK), tmp_path / "w", accidents=Accidents(no_answer=CYCLING)
    )
    assert walked.verdict.outcome == "fault"
    assert "does not answer" in walked.verdict.why
    assert [text for text in walked.events("stop") if "valve does not close" in text]
    assert [text for text in walked.events("stop") if "pressure stays on" in text]


def test_inputs_that_hang_are_a_fault_and_a_stop_is_still_made(plan_of, tmp_path):
    walked = walk(
        plan_of("first-night", QUICK), tmp_path / "w", accidents=Accidents(inputs_hang=CYCLING)
    )
    assert walked.verdict.outcome == "fault"
    assert "inputs has not answered" in walked.verdict.why or "inputs" in walked.verdict.why


@pytest.mark.nights
def test_what_stands_for_a_night_stays_small(plan_of, tmp_path):
    judge = Averaged(0, 100)
    values = np.zeros((2, 20), np.float32)
    for i in range(60_000):
        block = SampleBlock(i * 20, 1000.0, ("load", "midspan"), values)
        judge = judge.look(block, values[0]).judge
    assert judge.samples().shape == (3, 12_000)
    assert len(judge.kept) <= 4


async def test_a_desk_refuses_what_is_too_much_and_what_comes_after_the_end():
    desk = Desk()
    answers = [desk.ask(said("note")) for _ in range(MOST_WAITING + 5)]
    assert [a.done() for a in answers].count(True) == 5
    assert "too many" in answers[-1].result().text
    desk.close("the test has ended")
    assert all(a.done() for a in answers)
    late = desk.ask(said("pause"))
    assert late.done()
    assert not late.result().done


@pytest.mark.nights
def test_water_that_is_missed_twice_while_an_inspection_waits_pauses_the_test_after_it(
    plan_of, tmp_path
):
    changes = {**QUICK, r'^go_on_after = "20 s"': 'go_on_after = "90 s"'}
    night = walk(
        plan_of("first-night", changes),
        tmp_path / "night",
        # Nobody stops it: a person who never comes, after the test could have run out.
        script=((600_000, said("stop")),),
        accidents=Accidents(faults=(NoFlow(105_000, 10**9),)),
    )
    causes = [(state, cause) for state, cause, _ in night.path]
    after = causes.index(("waiting", "wait over"))
    assert ("build-up", "no flow") in causes[after:] or ("cycling", "no flow") in causes[after:]
    (paused, *_) = [e for e in night.events("state") if e.startswith("pausing")]
    assert "two periods missed in a row" in paused
    # the pump failed while it waited: both periods were missed before it went on
    assert night.entered("pausing") - night.entered("build-up", 1) < 10_000
