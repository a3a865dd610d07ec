"""Whether somebody is needed: one rule, one test."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from rig.monitor.call import Level, call
from rig.monitor.view import View
from rig.record.status import Armed, Coming
from tests.monitor.night_12 import NOW, with_status
from tests.monitor.views import VIEWS, ended

cycling = VIEWS["cycling"]


def level(view: View) -> Level:
    return call(view).level


def aged(seconds: float, view: View = cycling) -> View:
    return replace(view, now=NOW - timedelta(seconds=0.4) + timedelta(seconds=seconds))


@pytest.mark.parametrize("name", ["cycling", "wet", "build_up", "submerged"])
def test_a_rig_that_goes_on_by_itself_needs_nobody(name):
    assert level(VIEWS[name]) is Level.NOTHING


@pytest.mark.parametrize("name", ["checklist", "paused", "locked", "unloaded"])
def test_a_rig_that_stands_until_somebody_asks_calls(name):
    told = call(VIEWS[name])
    assert (told.level, told.headline) == (Level.COME, "COME: IT WAITS FOR YOU")


@pytest.mark.parametrize("cause", ["pause", "finding", "no flow", "unattended"])
@pytest.mark.parametrize("state", ["pausing", "paused"])
def test_every_pause_calls_and_says_why(state, cause):
    told = call(with_status(state=state, cause=cause, why="", water=None))
    assert told.level is Level.COME
    assert "stand" in told.why[0]
    assert ";" in told.why[0]


def test_an_inspection_that_goes_on_by_itself_is_worth_a_look():
    told = call(VIEWS["waiting"])
    assert told.level is Level.LOOK
    assert told.headline == "LOOK: IT MOVES BY ITSELF IN 13 min"
    assert told.why[0] == "to hold it before you go near: nightrig note, or open the guard"
    assert "map the cracks" in told.why[1]


def test_an_inspection_that_waits_for_somebody_calls():
    view = with_status(VIEWS["waiting"], coming=(Coming("cycling goes on after it"),))
    assert level(view) is Level.COME


def test_what_the_run_asks_for_while_it_cycles_is_worth_a_look():
    told = call(with_status(asks="look after the rig, then: nightrig note"))
    assert (told.level, told.why[0]) == (Level.LOOK, "look after the rig, then: nightrig note")


def test_a_run_that_waits_for_the_button_at_the_rig_calls():
    view = with_status(
        state="starting", local_input="button", asks="use the button at the rig now, for continue"
    )
    assert level(view) is Level.COME


def test_stiffness_beyond_its_warning_calls_only_while_the_run_keeps_the_warning():
    lost = {"stiffness": 25.18e6 * 0.7}
    assert level(with_status(**lost)) is Level.NOTHING
    warning = ("stiffness 30.0 % below the baseline",)
    assert level(with_status(**lost, troubles=warning)) is Level.LOOK


@pytest.mark.parametrize(("hours", "wanted"), [(12.1, Level.NOTHING), (11.9, Level.LOOK)])
def test_a_tank_that_does_not_last_the_night_is_worth_a_look(hours, wanted):
    water = replace(VIEWS["cycling"].status.water, tank_lasts=hours * 3600)
    assert level(with_status(water=water)) is wanted


@pytest.mark.parametrize(
    ("run_out", "wanted"), [(8.1, Level.LOOK), (7.9, Level.NOTHING), (None, Level.LOOK)]
)
def test_a_tank_that_lasts_to_the_end_of_the_test_is_not_worth_a_look(run_out, wanted):
    water = replace(VIEWS["cycling"].status.water, tank_lasts=8 * 3600.0)
    within = None if run_out is None else run_out * 3600
    view = with_status(water=water, coming=(Coming("run-out", within, 11_000_000),))
    assert level(view) is wanted


@pytest.mark.parametrize(("celsius", "wanted"), [(49.9, Level.NOTHING), (50.1, Level.LOOK)])
def test_warm_oil_is_worth_a_look(celsius, wanted):
    assert level(with_status(oil_temperature=celsius + 273.15)) is wanted


def test_a_trouble_is_worth_a_look():
    told = call(with_status(troubles=("the pump does not switch off: close the water by hand",)))
    assert told.level is Level.LOOK
    assert "by hand" in told.why[0]


ALERTS = (
    "net deflection at lower load has grown 84% over the baseline",
    "would have paused the test: stiffness fell 47.4% within 20 cycles",
    "would have stopped the test as failure: stiffness is 47.4% below the baseline",
)


def test_what_would_have_ended_the_test_comes_first_and_says_that_nothing_did():
    kept, paused, stopped = ALERTS
    wanted = (f"alert only: {stopped}", f"alert only: {paused}", kept)
    assert call(with_status(troubles=ALERTS)).why == wanted
    over = ended("operator", "stopped by A. Name", 100, with_status(troubles=ALERTS))
    why = call(over).why
    assert why[0] == "stopped by A. Name"
    assert tuple(told for told in why if told in wanted) == wanted


def test_what_was_found_again_is_told_once():
    assert call(with_status(troubles=(ALERTS[0], ALERTS[0]))).why == ALERTS[:1]


def test_an_input_that_is_not_as_it_should_be_is_worth_a_look_while_the_rig_runs():
    told = call(with_status(inputs=("mains lost, on the uninterruptible supply",)))
    assert told.level is Level.LOOK
    assert "mains lost" in told.why[0]


@pytest.mark.parametrize(
    ("age", "wanted"),
    [(4.0, Level.NOTHING), (29.0, Level.NOTHING), (31.0, Level.LOOK), (301.0, Level.COME)],
)
def test_old_data_is_worth_a_look_and_calls_once_nobody_can_know_what_the_rig_does(age, wanted):
    told = call(aged(age))
    assert told.level is wanted
    assert ("look after the rig at the rig" in " ".join(told.why)) == (age > 30)


@pytest.mark.parametrize(
    ("age", "told"), [(4.0, "all is as it should be"), (12.0, "no new data for 12 s")]
)
def test_what_was_well_a_while_ago_is_not_called_well(age, told):
    assert call(aged(age)).why[0].startswith(told)
    assert call(aged(age, VIEWS["rehearsal"])).why[0].startswith("all is as it should be")


def test_data_of_the_future_is_not_old():
    assert level(aged(-500.0)) is Level.NOTHING


def test_a_record_that_cannot_be_read_is_worth_a_look():
    assert level(replace(cycling, unreadable="journal.db: the disk is gone")) is Level.LOOK


def test_a_run_that_tells_nothing_of_itself_is_not_called_well():
    assert level(VIEWS["untold"]) is Level.LOOK


def test_a_program_that_is_gone_without_an_end_calls_and_says_what_is_known():
    told = call(VIEWS["gone"])
    assert (told.level, told.headline) == (Level.COME, "COME: ITS PROGRAM IS GONE")
    assert "12 min ago it was in cycling" in told.why[0]
    assert "only the rig itself can tell" in told.why[1]
    assert told.why[2] == "after a look at the rig, to go on: nightrig resume runs/night-12"


def test_a_rehearsal_that_broke_off_gets_nobody_out_of_bed():
    told = call(replace(VIEWS["rehearsal"], alive=False))
    assert told.level is Level.LOOK
    assert "no rig is concerned" in told.why[0]
    assert told.why[1] == "to go on: nightrig resume runs/night-12"


def test_an_end_says_how_the_test_goes_on_where_the_specimen_can_bear_it():
    told = {name: call(VIEWS[name]).why for name in ("limit", "failure", "not_off")}
    resume = 'once the cause is mended: nightrig resume runs/night-12 --mended "WHAT WAS DONE"'
    assert told["limit"][-1] == resume
    for name in ("failure", "not_off"):
        assert not any("resume" in line for line in told[name])
    stopped = call(ended("operator", "stopped by A. Name", 100))
    assert stopped.why[-1] == "to go on: nightrig resume runs/night-12"
    for outcome in ("operator", "fault"):  # an air run is started anew
        air = call(ended(outcome, "air run: stopped by A. Name", 0))
        assert not [line for line in air.why if "resume" in line]


def test_a_stop_nobody_asked_for_calls_and_a_stop_by_the_verdict_does_not():
    for state in ("stopping", "stopped"):
        for cause in ("limit", "no samples", "stopped", ""):
            assert level(with_status(state=state, cause=cause, why="load beyond")) is Level.COME
    for cause in ("verdict", "stop"):
        assert level(with_status(state="stopped", cause=cause)) is Level.NOTHING


@pytest.mark.parametrize(
    ("state", "cause", "wanted"),
    [
        ("pausing", "pause", Level.COME),
        ("unloading", "wait over", Level.COME),
        ("stopping", "verdict", Level.LOOK),
        ("stopping", "stop", Level.LOOK),
    ],
)
def test_people_are_kept_out_until_a_rig_that_goes_to_rest_stands(state, cause, wanted):
    told = call(with_status(state=state, cause=cause, why="", coming=(), water=None))
    assert told.headline == "STAY OUT: IT COMES TO REST"
    assert (told.level, told.loud) == (wanted, True)


@pytest.mark.parametrize("state", ["stopping", "stopped"])
def test_a_foreseen_stop_says_why_and_does_not_call_all_well(state):
    told = call(with_status(state=state, cause="verdict", why="stiffness lost", coming=()))
    assert told.why[0].startswith("it has ended: stiffness lost; ")
    assert "stop" in told.why[0]
    asked = call(
        with_status(state=state, cause="stop", why="stopped by B. Name: end of day", coming=())
    )
    assert asked.why[0].startswith("stopped by B. Name: end of day; ")


@pytest.mark.parametrize(
    ("limit", "wanted"),
    [
        # 2 % of the span of 7 mm are 0.14 mm; of an open side, 2 % of the bound itself.
        (Armed("deflection", -1e-3, 6e-3, 0.3e-3, 5.85e-3), Level.NOTHING),
        (Armed("deflection", -1e-3, 6e-3, 0.3e-3, 5.87e-3), Level.LOOK),
        (Armed("load", -math.inf, 100e3, 0.0, 97.9e3), Level.NOTHING),
        (Armed("load", -math.inf, 100e3, 0.0, 98.1e3), Level.LOOK),
        (Armed("load", 0.0, math.inf, -500.0, 9e3), Level.LOOK),
        (Armed("load", 0.0, math.inf, 500.0, 9e3), Level.NOTHING),
    ],
)
def test_little_room_to_a_limit_is_worth_a_look(limit, wanted):
    assert level(with_status(limits=(limit,))) is wanted


def test_little_room_is_said_in_the_unit_of_the_signal():
    oil = Armed("temperature_oil", 273.15, 333.15, 332.85, 332.85)
    net = Armed("deflection", -1e-3, 6e-3, 0.3e-3, 5.996e-3)
    assert call(with_status(limits=(oil, net))).why == (
        "oil is 0.3 °C from its limit 60.0 °C, which stops the rig",
        "net deflection is 0.004 mm from its limit 6.00 mm, which stops the rig",
    )


@pytest.mark.parametrize(
    ("name", "headline", "loud"),
    [
        ("failure", "ENDED: FAILURE", False),
        ("run_out", "ENDED: RUN-OUT", False),
        ("limit", "ENDED: LIMIT", True),
        ("not_off", "ENDED: FAULT, PRESSURE NOT CONFIRMED OFF", True),
    ],
)
def test_an_end_says_how(name, headline, loud):
    told = call(VIEWS[name])
    assert (told.level, told.headline, told.loud) == (Level.ENDED, headline, loud)


def test_after_an_end_a_caution_comes_before_everything_else():
    assert call(VIEWS["not_off"]).why[0].startswith("CAUTION: pressure NOT confirmed off")
    assert "gauge and load at zero" in call(VIEWS["failure"]).why[-1]


@pytest.mark.parametrize("name", ["failure", "gone"])
def test_of_a_run_whose_rig_has_another_one_nothing_is_said_of_zero(name):
    told = call(replace(VIEWS[name], another="night-5"))
    assert told.why[0] == "another run, night-5, has the rig now: it may move"
    assert "gauge and load at zero" not in " ".join(told.why)


def test_what_calls_stands_before_what_is_worth_a_look():
    view = with_status(VIEWS["paused"], oil_temperature=330.0)
    assert "mid-span sensor flat over 50 cycles" in call(view).why[0]
    assert "oil" in call(view).why[-1]


def test_a_full_disk_calls_and_says_which_and_what_happens_to_the_test():
    told = call(replace(aged(20.0), room=200_000.0))
    assert (told.level, told.headline) == (Level.COME, "COME: ITS DISK IS FULL")
    assert told.why[0] == f"make room on the disk of {cycling.folder}: 0.2 MB are left"
    assert "goes on in memory" in told.why[1]
    assert call(replace(aged(20.0), room=600_000.0)).headline != told.headline
    gone = call(replace(aged(20.0), room=200_000.0, alive=False))
    assert gone.headline == "COME: ITS PROGRAM IS GONE"
    assert not any("disk" in line for line in gone.why)


def test_a_rig_that_moves_goes_before_a_full_disk():
    moving = replace(with_status(state="unloading"), room=200_000.0)
    told = call(moving)
    assert told.headline != "COME: ITS DISK IS FULL"
    assert told.level is Level.COME
    assert any("make room" in line for line in told.why)
