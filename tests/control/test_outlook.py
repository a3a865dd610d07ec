"""What people are shown of a run: what it foretells comes true, what it asks for is needed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rig.clock import VirtualClock
from rig.control.desk import Request
from rig.ports import InputState
from rig.record import read_journal
from simulators.faults import InputChange
from tests.control.night import Accidents, walk
from tests.control.test_people import BY, QUICK, said

RATE = 1000
pytestmark = pytest.mark.xdist_group("outlook")  # they share a night

LOOKS = 500
"""Frames between two looks."""


@pytest.fixture(scope="module")
def nights():
    """Nights that several tests look at."""
    return {}


@pytest.fixture
def quiet_night(nights, plan_of, tmp_path_factory):
    """A night of the quick protocol in which nobody asks for anything."""
    if "quiet" not in nights:
        plan = plan_of("first-night", QUICK)
        folder = tmp_path_factory.mktemp("outlook") / "quiet"
        nights["quiet"] = walk(plan, folder, looks=LOOKS)
    return nights["quiet"]


def coming(status, what):
    found = [c for c in status.coming if c.what == what]
    return found[0] if found else None


def foretold(night, what, states):
    """Return the frames that were foretold for something, by statuses of some states."""
    for frame, status in night.statuses:
        if status.state in states and (found := coming(status, what)):
            yield frame, frame + found.within * RATE


@pytest.mark.parametrize(
    ("what", "told_in", "comes"),
    [
        ("inspection", "cycling", "inspection"),
        ("goes on by itself", "waiting", "starting"),
    ],
)
def test_what_is_foretold_comes_when_it_was_foretold(quiet_night, what, told_in, comes):
    told = list(foretold(quiet_night, what, (told_in,)))
    assert len(told) > 10
    for frame, expected in told:
        at = min(
            f
            for f, (_, _, to) in zip(quiet_night.frames, quiet_night.path, strict=True)
            if to == comes and f > frame
        )
        assert at == pytest.approx(expected, abs=600)


def test_the_run_out_is_foretold_to_the_cycle(quiet_night):
    end = quiet_night.entered("stopping")
    # the second stretch of cycling, after the inspection, to its end
    begun = quiet_night.entered("cycling", 1)
    told = [(f, e) for f, e in foretold(quiet_night, "run-out", ("cycling",)) if f > begun]
    assert len(told) > 10
    assert all(expected == pytest.approx(end, abs=600) for _, expected in told)


def test_water_is_switched_when_it_was_foretold(quiet_night):
    with read_journal(quiet_night.folder) as journal:
        rows = journal.entries("spray")
    changes = {
        "water on": [row[0] * RATE for row in rows],
        "water off": [row[1] * RATE for row in rows],
    }
    told = 0
    # The inspection lets water off only by the schedule: on_pause is "keep".
    for frame, status in quiet_night.statuses:
        water = status.water
        if water.coming is None or water.coming.what not in changes:
            continue
        at = min((f for f in changes[water.coming.what] if f > frame), default=None)
        # The stop ends the water before its time.
        if at is not None and at < quiet_night.entered("stopping"):
            told += 1
            assert frame + water.coming.within * RATE == pytest.approx(at, abs=100)
    assert told > 50


def test_the_tank_is_empty_when_it_was_foretold(plan_of, tmp_path):
    changes = {**QUICK, r'^on = "15 s"$': "continuous = true", r'^every = "30 s"$': ""}
    plan = plan_of("first-night", changes, {r'^tank = "1000 L"': 'tank = "0.8 L"'})
    script = ((100_000, said("stop")),)
    night = walk(plan, tmp_path / "night", script=script, looks=LOOKS)
    wet = [(f, s) for f, s in night.statuses if s.water.confirmed and s.state == "cycling"]
    empty = next(f for f, s in night.statuses if s.water.doing == "no flow, will be tried again")
    frame, status = wet[-1]
    # Two looks at the flow lie 30 s apart, and the level is that of the last look.
    assert frame + status.water.tank_lasts * RATE == pytest.approx(empty, abs=31_000)
    assert 0 < status.water.tank < 0.8e-3


def test_the_newest_cycle_is_shown_against_its_targets(quiet_night):
    shown = [s for s in quiet_night.shown("cycling") if s.cycles > 5]
    for status in shown:
        assert status.load_max == pytest.approx(status.target_upper, rel=0.02)
        assert status.load_min == pytest.approx(status.target_lower, rel=0.15)
        assert status.deflection_max > status.deflection_min
        assert status.stiffness > 0


def test_no_cycle_is_shown_while_none_runs(quiet_night):
    for status in quiet_night.shown("waiting"):
        assert math.isnan(status.load_max)


def test_limits_are_shown_with_what_their_channels_did_and_learned_ones_as_such(quiet_night):
    (early, *_, late) = quiet_night.shown("cycling")
    names = {a.channel: a for a in early.limits}
    assert not any(a.learned for a in early.limits)
    assert set(names) >= {"load", "deflection"}
    learned = {a.channel: a for a in late.limits if a.learned}
    assert {"load", "deflection"} <= set(learned)
    for armed in late.limits:
        assert armed.low <= armed.least <= armed.most <= armed.high
    assert learned["load"].most == pytest.approx(late.target_upper, rel=0.02)


def test_the_stages_are_told_in_order_and_what_comes_after_each(quiet_night):
    numbers = [s.stage_number for _, s in quiet_night.statuses]
    assert numbers == sorted(numbers)
    assert max(numbers) == quiet_night.statuses[-1][1].stages == 5
    assert quiet_night.shown("approach")[0].coming[0].what == "pre-crack: slow cycles"
    assert quiet_night.shown("hold")[0].coming[0].what == "fatigue: cyclic loading"
    assert "slow cycle 1 of 1 to 79.2 kN" in quiet_night.shown("static")[0].means


def test_a_pause_tells_why_and_when_it_unloads(plan_of, tmp_path):
    changes = {**QUICK, r'^unload_after = "30 min"': 'unload_after = "20 s"'}
    night = walk(
        plan_of("first-night", changes),
        tmp_path / "night",
        script=((65_000, said("pause", "look at the noise")),),
        looks=LOOKS,
    )
    paused = night.shown("paused")
    assert "look at the noise" in night.shown("pausing")[0].why
    unloads = night.entered("unloading")
    told = list(foretold(night, "unloads by itself", ("paused",)))
    assert len(told) > 5
    assert all(expected == pytest.approx(unloads, abs=50) for _, expected in told)
    assert "nightrig continue" in paused[-1].asks
    assert paused[-1].possible == ("continue", "unload", "stop")
    assert night.shown("unloaded")[0].asks


@pytest.mark.nights
def test_what_a_pause_was_for_is_told_as_long_as_it_stands(plan_of, tmp_path):
    changes = {**QUICK, r'^unload_after = "30 min"': 'unload_after = "20 s"'}
    plan = plan_of("first-night", changes, {r'^tank = "1000 L"': 'tank = "0.5 L"'})
    script = ((400_000, said("stop")),)
    night = walk(plan, tmp_path / "night", script=script, looks=LOOKS)
    for state in ("pausing", "paused", "unloading", "unloaded"):
        shown = night.shown(state)
        assert shown, state
        assert all("two periods missed in a row" in s.why for s in shown), state
    assert night.shown("paused")[0].cause == "no flow"
    assert "the last" in night.shown("cycling")[-1].troubles[0]


def test_people_at_an_inspection_are_asked_to_close_the_guard_and_continue(plan_of, tmp_path):
    opened = InputChange(115_000, InputState(guard_open=True, oil_temperature=311.15))
    night = walk(
        plan_of("first-night", QUICK),
        tmp_path / "night",
        accidents=Accidents(faults=(opened,)),
        looks=LOOKS,
    )
    locked = night.shown("locked")
    assert locked, night.path
    assert "guard" in locked[-1].asks
    assert locked[-1].inputs == ("guard opened",)


@pytest.mark.nights
def test_a_real_rig_asks_for_its_checklist_and_names_who_is_called(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    plan = replace(plan, rig=replace(plan.rig, local_input="button"))
    night = walk(plan, tmp_path / "night", emulated=False, looks=LOOKS)
    waits = night.shown("checklist")
    assert "checklist" in waits[-1].asks
    assert waits[-1].possible == ("confirm", "stop")
    assert waits[-1].local_input == "button"
    given_up = night.entered("stopping")
    told = list(foretold(night, "given up unless confirmed", ("checklist",)))
    assert len(told) > 10
    assert all(expected == pytest.approx(given_up, abs=1100) for _, expected in told)


def test_somebody_on_call_is_named_on_an_emulated_rig_too(plan_of, tmp_path):
    night = walk(
        plan_of("first-night", QUICK),
        tmp_path / "night",
        on_call="A. Name, +00 1",
        script=((3_000, said("stop")),),
    )
    assert night.statuses[-1][1].on_call == "A. Name, +00 1"
    assert night.events("on call") == ["A. Name, +00 1"]


@pytest.mark.nights
def test_attendance_is_asked_for_until_somebody_has_looked(plan_of, tmp_path):
    changes = {**QUICK, r'^by = \["30 min", "2 h", "20000 cycles"\]': 'by = ["75 s"]'}
    night = walk(
        plan_of("first-night", changes),
        tmp_path / "night",
        script=((66_000, Request("note", who=BY, text="all well")),),
        looks=LOOKS,
    )
    before = [s for f, s in night.statuses if f < 66_000 and s.state == "cycling"]
    # The inspection is followed by a new start.
    after = [s for f, s in night.statuses if 66_500 < f < night.entered("inspection")]
    what = "pauses unless somebody has looked"
    assert before
    assert after
    assert all(coming(s, what) and "nightrig note" in s.asks for s in before)
    assert not any(coming(s, what) or s.asks for s in after)


def test_a_bug_in_what_is_shown_stops_no_live_rig_and_is_told_once(plan_of, tmp_path, monkeypatch):
    def fails(*_where):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("rig.control.outlook.asks", fails)
    night = walk(plan_of("first-night", QUICK), tmp_path / "night", clock=VirtualClock())
    assert night.verdict.outcome == "run-out"
    assert night.events("bug") == ["the status cannot be told: ZeroDivisionError('a bug')"]
    with pytest.raises(ZeroDivisionError):
        walk(plan_of("first-night", QUICK), tmp_path / "rehearsal")


@pytest.mark.nights
def test_after_a_stop_no_cycle_is_shown_as_if_it_were_the_present_load(plan_of, tmp_path):
    pressed = InputChange(70_000, InputState(emergency_stop=True, oil_temperature=311.15))
    faults = Accidents(faults=(pressed,))
    plan = plan_of("first-night", QUICK)
    night = walk(plan, tmp_path / "night", accidents=faults, looks=LOOKS)
    assert night.shown("cycling")[-1].load_max > 70e3
    after = [*night.shown("stopping"), *night.shown("stopped")]
    assert len(after) > 2
    assert all(math.isnan(s.load_max) and math.isnan(s.stiffness) for s in after)
    assert {s.cause for s in after} == {"emergency_stop"}
    assert "emergency stop pressed" in after[-1].why


@pytest.mark.nights
def test_attendance_by_count_is_asked_for_once_half_of_the_time_is_over(plan_of, tmp_path):
    changes = {**QUICK, r'^by = \["30 min", "2 h", "20000 cycles"\]': 'by = ["60 cycles"]'}
    script = ((600_000, said("stop")),)
    night = walk(plan_of("first-night", changes), tmp_path / "night", script=script, looks=LOOKS)
    asked = [s for s in night.shown("cycling") if coming(s, "pauses unless somebody has looked")]
    early = [s.asks for s in asked if s.cycles <= 30]
    late = [s.asks for s in asked if 30 < s.cycles < 60]
    assert set(early) == {""}
    assert set(late) == {"look after the rig, then: nightrig note"}
    (why, *_) = [e for e in night.events("state") if e.startswith("pausing, unattended")]
    assert "nobody has looked" in why


def test_people_are_told_to_stay_out_before_it_moves(quiet_night):
    for status in quiet_night.shown("starting"):
        told = coming(status, "it moves: stay out")
        assert told is not None
        assert told.within is None or 0 < told.within <= 5.0
    assert any(coming(s, "it moves: stay out").within for s in quiet_night.shown("starting"))


def test_what_stands_for_people_goes_on_only_when_asked_and_says_so(plan_of, tmp_path):
    night = walk(
        plan_of("first-night", QUICK),
        tmp_path / "night",
        script=((65_000, said("pause")), (90_000, said("stop"))),
    )
    (paused, *_) = night.shown("paused")
    assert coming(paused, "goes on only after nightrig continue")
    assert paused.why == f"by {BY}"
    assert "find out" not in paused.asks


def test_an_inspection_says_what_it_does_and_how_long_it_then_stands(quiet_night):
    (status, *_) = quiet_night.shown("inspection")
    assert status.means == "slow cycles to 79.2 kN"
    assert "then stands 20 s for people" in status.coming[0].what


def test_the_count_that_is_shown_is_that_of_the_verdict(quiet_night):
    after = [*quiet_night.shown("stopping"), *quiet_night.shown("stopped")]
    assert len(after) > 2
    assert {s.cycles for s in after} == {200}
    assert quiet_night.conductor.book.counted > 200


@pytest.mark.nights
def test_the_room_to_a_limit_holds_for_slow_cycles_too(plan_of, tmp_path):
    changes = {**QUICK, r'^frequency = "4 Hz"': 'frequency = "0.4 Hz"'}
    script = ((150_000, said("stop")),)
    plan = plan_of("first-night", changes)
    night = walk(plan, tmp_path / "night", script=script, looks=LOOKS)
    cycling = [s for s in night.shown("cycling") if s.cycles > 3]
    assert len(cycling) > 20
    for status in cycling:
        load = next(a for a in status.limits if a.channel == "load")
        assert load.most == pytest.approx(status.target_upper, rel=0.02)


@pytest.mark.nights
def test_contact_made_again_leads_back_to_the_stage_that_was_left(plan_of, tmp_path):
    night = walk(
        plan_of("first-night", QUICK),
        tmp_path / "night",
        script=((65_000, said("unload")), (100_000, said("continue"))),
        looks=LOOKS,
    )
    again = [s for s in night.shown("approach") if s.stage == "fatigue"]
    assert again
    assert {s.coming[0].what for s in again} == {"fatigue: cyclic loading"}
    assert night.shown("unloading")[0].coming[0].what == "then stands unloaded, pressure off"


def test_flow_and_tank_are_told_as_measured_and_nothing_before(quiet_night):
    begun = [s for _, s in quiet_night.statuses if s.water.doing == "on, flow not confirmed yet"]
    assert len(begun) > 3
    assert all(math.isnan(s.water.flow) for s in begun)
    # The pump is asked before anything moves.
    assert quiet_night.shown("approach")[0].water.tank == pytest.approx(1.0)


def test_a_standing_state_tells_from_its_first_moment_how_it_ends(plan_of, quiet_night, tmp_path):
    assert coming(quiet_night.shown("waiting")[0], "goes on by itself").within == 20.0
    night = walk(
        plan_of("first-night", QUICK),
        tmp_path / "night",
        script=((65_000, said("pause")), (90_000, said("stop"))),
    )
    assert coming(night.shown("paused")[0], "unloads by itself").within == 1800.0


def test_a_hold_tells_how_long_it_still_lasts(plan_of, tmp_path):
    changes = {**QUICK, r'^duration = "1 s"': 'duration = "30 s"'}
    plan, script = plan_of("first-night", changes), ((85_000, said("stop")),)
    night = walk(plan, tmp_path / "night", script=script, looks=LOOKS)
    ends = night.entered("build-up")
    told = list(foretold_in(night.shown("hold"), night))
    assert len(told) > 20
    assert all(expected == pytest.approx(ends, abs=100) for expected in told)


def foretold_in(statuses, night):
    for frame, status in night.statuses:
        if status in statuses and (item := coming(status, "the load has been held")):
            yield frame + item.within * RATE


def test_a_checklist_that_was_given_up_is_foretold_no_more(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    plan = replace(plan, rig=replace(plan.rig, local_input="button"))
    script = ((3_000, said("stop")),)
    night = walk(plan, tmp_path / "night", emulated=False, script=script, looks=LOOKS)
    after = [*night.shown("stopping"), *night.shown("stopped")]
    assert after
    assert not any(coming(s, "given up unless confirmed") for s in after)


@pytest.mark.endurance
def test_what_was_found_is_shown_until_somebody_has_looked(plan_of, tmp_path):
    changes = {**QUICK, r"^run_out = .*$": 'run_out = "3000 cycles"'}
    changes[r'^at = \["150 cycles"\]$'] = 'at = ["2500 cycles"]'
    changes[r"^stiffness_step = .*$"] = ""  # would pause a test that people attend
    rig = {r'^life_dry = "40e6 cycles"': 'life_dry = "20000 cycles"'}
    plan = plan_of("first-night", changes, rig)
    alone = walk(plan, tmp_path / "alone", looks=4 * LOOKS)
    assert alone.verdict.outcome == "failure"
    found = [f for f, s in alone.statuses if s.state == "cycling" and s.troubles]
    assert found
    assert all(s.troubles for f, s in alone.statuses if s.state == "cycling" and f >= found[0])
    noted = found[0] + 2_000
    assert noted < alone.entered("stopping")
    script = ((noted, Request("note", who=BY, text="seen")),)
    night = walk(plan, tmp_path / "noted", script=script, looks=4 * LOOKS)
    shown = [(f, s.troubles) for f, s in night.statuses if s.state == "cycling"]
    seen = {text for f, texts in shown if f < noted for text in texts}
    assert any("baseline" in text for text in seen)
    (after, *_) = [texts for f, texts in shown if f > noted + 100]
    assert not seen & set(after)
