"""What is asked of the rig before a test that was cut off goes on."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rig.control.checklist import checklist
from rig.control.desk import Request
from rig.control.restart import check_point
from rig.ports import InputState
from rig.record import read_journal
from simulators.faults import InputChange
from tests.control.conftest import COMMITS, SHORT_NIGHT
from tests.control.night import Accidents, Again, walk
from tests.control.taken import BY, cut_off, listed, point_of, taken_up

OPTIONAL = {"notices", "verdict", "next_cycle", "ran_out", "since_counter"}
"""What a restart point holds that nothing depends on, only a test after its run-out, or only how
many cycles are told as not recorded."""


@pytest.fixture
def plan(short_night):
    return short_night


@pytest.fixture
def whole(whole_night):
    return whole_night


@pytest.mark.nights
def test_a_controller_that_is_about_to_stop_is_let_stop(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    soon = taken_up(plan, tmp_path / "on", night, again=Again(night, alone=0.1))
    # No heartbeat of ours keeps it cycling: 0.5 s to its watchdog, then 2 s of fall.
    assert (soon.verdict.outcome, soon.verdict.cycles) == ("run-out", 160)
    assert soon.acts[0] == "close_valve"


@pytest.mark.nights
def test_an_actuator_that_still_moves_is_stopped_at_once_and_told(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    never = Accidents(watchdog=1e6)
    again = Again(night, alone=5.0)
    moves = taken_up(plan, tmp_path / "on", night, again=again, accidents=never)
    assert moves.path[0] == ("idle", "watchdog", "stopping")
    assert moves.verdict.outcome == "fault"
    assert "still moving" in moves.verdict.why
    assert moves.acts[:2] == ["close_valve", "pressure off"]
    assert "pressure high" not in moves.acts


@pytest.mark.nights
@pytest.mark.parametrize(
    ("cause", "accident"),
    [
        ("fault", "no_answer"),
        ("silent", "no_samples"),
        ("record", "record_trouble"),
    ],
)
def test_a_rig_that_does_not_answer_when_a_test_is_taken_up_moves_nothing(
    plan, whole, tmp_path, cause, accident
):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    lost = Accidents(**{accident: 0})
    told = taken_up(plan, tmp_path / "on", night, accidents=lost)
    assert told.path[0] == ("idle", cause, "stopping")
    assert told.verdict.outcome == "fault"
    assert "pressure high" not in told.acts


@pytest.mark.nights
def test_the_controllers_own_limit_asks_somebody_before_anything_moves(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("waiting") + 3_000)
    tripped = dict(point_of(night)["rig"])
    tripped["state"] = {**tripped["state"], "stopped_by": "limit", "tripped": "load"}

    def own_limit(taken):
        return replace(taken, point={**taken.point, "rig": tripped})

    start = point_of(night)["frame"] + 200_000
    script = ((start, Request("continue", who=BY)), (start + 900_000, Request("stop")))
    again = Again(night, edit=own_limit)
    asked = taken_up(plan, tmp_path / "on", night, again=again, script=script)
    assert ("starting", "finding", "unloaded") in asked.path
    assert asked.act_frames["pressure high"] >= start
    alone = taken_up(plan, tmp_path / "alone", night, again=again)
    assert any("own limit" in text for text in alone.events("resume"))


@pytest.mark.nights
def test_a_zero_that_has_moved_asks_somebody_also_before_the_first_cycle(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("hold") + 300)

    def moved(taken):
        zeros = dict(taken.point["zeros"])
        return replace(taken, point={**taken.point, "zeros": {**zeros, "load": 5e3}})

    script = ((point_of(night)["frame"] + 900_000, Request("stop")),)
    again = Again(night, edit=moved)
    asked = taken_up(plan, tmp_path / "on", night, again=again, script=script)
    assert ("approach", "finding", "pausing") in asked.path


@pytest.mark.nights
def test_what_was_held_while_the_program_was_gone_is_told(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("waiting") + 3_000)
    goes_on = taken_up(plan, tmp_path / "on", night)
    inspection, gone, *_ = listed(goes_on, "interruptions")
    assert inspection[3] == "inspection; cut off"
    assert inspection[0] + inspection[2] == pytest.approx(gone[0], abs=0.01)
    lower = plan.loading.lower / 1e3
    assert f"the controller held {lower:.1f} kN until then" in gone[3]


@pytest.mark.nights
def test_a_real_rig_asks_for_its_checklist_and_the_input_at_the_rig(plan_of, tmp_path):
    plan = plan_of("first-night", SHORT_NIGHT, {r"^rate = ": 'local_input = "button"\nrate = '})
    pressed = InputState(local_button=True)

    def confirmed(at):
        items = checklist(plan)
        told = Request("confirm", who=BY, items=items, on_call="Q. Tester, +00 1")
        return ((at, told), (at + 900_000, Request("stop")))

    def button(at, cut=None):
        faults = (InputChange(at, pressed), InputChange(at + 1_000, InputState()))
        return Accidents(faults=faults, cut=cut)

    night = walk(
        plan,
        tmp_path / "cut",
        script=confirmed(1_000),
        accidents=button(3_000, cut=70_000),
        emulated=False,
        commits=COMMITS,
    )
    assert night.conductor.book.counted > 5
    begin = math.ceil(night.conductor.stream.now / 1000) * 1000 + 125_000
    goes_on = walk(
        plan,
        tmp_path / "on",
        again=Again(night),
        script=confirmed(begin),
        accidents=button(begin + 2_000),
        emulated=False,
        commits=COMMITS,
    )
    assert goes_on.path[:3] == (
        ("idle", "real rig", "checklist"),
        ("checklist", "confirm", "starting"),
        ("starting", "stage", "approach"),
    )
    # Nothing had moved before the button was used.
    assert goes_on.act_frames["pressure high"] > begin + 2_000
    with read_journal(goes_on.folder) as journal:
        numbers = journal.columns("cycles")["number"]
    assert numbers.tolist() == list(range(1, len(numbers) + 1))
    zeros = [e for e in listed(goes_on, "zeros") if "taken up again" in e[3]]
    assert {name for _, name, _, _ in zeros} >= {"load", "midspan"}


@pytest.mark.xdist_group("taking-up")
def test_a_restart_point_of_another_version_is_refused_before_anything_is_done(whole):
    with read_journal(whole.folder) as journal:
        point, cycles = journal.restart_point, journal.rows("cycles")
    check_point(point, cycles, 5)
    spoilt = [{k: v for k, v in point.items() if k != key} for key in point.keys() - OPTIONAL]
    spoilt += [
        {**point, "frame": "soon"},
        {**point, "stage_number": 6},
        {**point, "cycling": None},
        {**point, "recorded": {"cycles": cycles + 1}},
        {**point, "water": {**point["water"], "spray": {"phase": "wet", "colour": 1}}},
        {**point, "cycling": {**point["cycling"], "correction": {}}},
        {**point, "interruptions": [[1.0, 2]]},
        {**point, "ran_out": ["run-out", "no failure"]},
        {**point, "since_counter": None},
    ]
    for other in spoilt:
        with pytest.raises((KeyError, TypeError, ValueError)):
            check_point(other, cycles, 5)
