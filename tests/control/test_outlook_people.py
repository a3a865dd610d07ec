"""What people are asked for in what they are shown, and what they are told once it stands."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rig.control.desk import Request
from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.asking import BY, QUICK, said
from tests.control.foretold import LOOKS, coming, foretold
from tests.control.night import Accidents, walk

pytestmark = pytest.mark.xdist_group("outlook")  # as the rest of what is shown


@pytest.mark.nights
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


@pytest.mark.nights
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


@pytest.mark.nights
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
    rig = {r"^wet_factor = 180": 'wet_factor = 180\nlife_dry = "200000 cycles"'}
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
