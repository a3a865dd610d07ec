"""What stands: pauses that nobody ends, sensors in doubt, water before going on."""

from __future__ import annotations

import numpy as np
import pytest

from rig.judging.looking import Averaged
from rig.ports import InputState
from rig.samples import SampleBlock
from simulators.faults import Flat, InputChange, NoFlow
from tests.control.asking import HOURS_LONG, QUICK, nights, said, states, table
from tests.control.night import Accidents, walk


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


def test_a_pause_that_nobody_ends_unloads_after_the_wait_and_goes_on_when_asked(night):
    result = night(
        (65.0, said("pause")),
        (200.0, said("continue")),
        changes={r"^unload_after = .*$": 'unload_after = "60 s"'},
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)
    entered = [text.split(",")[0] for text in states(result.run)]
    begin = entered.index("pausing")
    assert entered[begin : begin + 8] == [
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


@pytest.mark.nights
def test_two_missed_spray_periods_pause_where_somebody_can_answer(night):
    result = night((300.0, said("stop")), faults=(NoFlow(0, 10**9),))
    causes = states(result.run)
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
    causes = states(result.run)
    assert any(text.startswith("pausing, finding: midspan stays the same") for text in causes)


@pytest.mark.nights
def test_a_sensor_that_fails_again_after_it_was_mended_pauses_again(night):
    flats = (Flat("midspan", 70_000, 80_000), Flat("midspan", 130_000, 10**9))
    result = night((100.0, said("continue")), (300.0, said("stop")), faults=flats)
    causes = states(result.run)
    paused = [t for t in causes if t.startswith("pausing, finding: midspan stays the same")]
    assert len(paused) == 2


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
    entered = [text.split(",")[0] for text in states(result.run)]
    begin = entered.index("locked")
    assert entered[begin : begin + 3] == ["locked", "re-wetting", "starting"]


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
    events = table(result.run, "events")
    asks = [
        t
        for t, _, kind, text in events
        if kind == "state" and text.startswith("paused, asks loaded")
    ]
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
    entered = states(result.run)
    assert any(text.startswith("paused, asks loaded: no water came") for text in entered)
    assert entered[-2].startswith("stopping, stop")


@pytest.mark.nights
def test_what_stands_for_a_night_stays_small(plan_of, tmp_path):
    judge = Averaged(0, 100)
    values = np.zeros((2, 20), np.float32)
    for i in range(60_000):
        block = SampleBlock(i * 20, 1000.0, ("load", "midspan"), values)
        judge = judge.look(block, values[0]).judge
    assert judge.samples().shape == (3, 12_000)
    assert len(judge.kept) <= 4


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
