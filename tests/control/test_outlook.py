"""What people are shown of a run: what it foretells comes true."""

from __future__ import annotations

import math

import pytest

from rig.clock import VirtualClock
from rig.record import read_journal
from tests.control.asking import QUICK, said
from tests.control.foretold import LOOKS, RATE, coming, foretold, foretold_in
from tests.control.night import walk

pytestmark = pytest.mark.xdist_group("outlook")  # they share a night


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


@pytest.mark.nights
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


@pytest.mark.nights
def test_a_bug_in_what_is_shown_stops_no_live_rig_and_is_told_once(plan_of, tmp_path, monkeypatch):
    def fails(*_where):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("rig.control.outlook.asks", fails)
    night = walk(plan_of("first-night", QUICK), tmp_path / "night", clock=VirtualClock())
    assert night.verdict.outcome == "run-out"
    assert night.events("bug") == ["the status cannot be told: ZeroDivisionError('a bug')"]
    with pytest.raises(ZeroDivisionError):
        walk(plan_of("first-night", QUICK), tmp_path / "rehearsal")


def test_people_are_told_to_stay_out_before_it_moves(quiet_night):
    for status in quiet_night.shown("starting"):
        told = coming(status, "it moves: stay out")
        assert told is not None
        assert told.within is None or 0 < told.within <= 5.0
    assert any(coming(s, "it moves: stay out").within for s in quiet_night.shown("starting"))


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


@pytest.mark.nights
def test_a_hold_tells_how_long_it_still_lasts(plan_of, tmp_path):
    changes = {**QUICK, r'^duration = "1 s"': 'duration = "30 s"'}
    plan, script = plan_of("first-night", changes), ((85_000, said("stop")),)
    night = walk(plan, tmp_path / "night", script=script, looks=LOOKS)
    ends = night.entered("build-up")
    told = list(foretold_in(night.shown("hold"), night))
    assert len(told) > 20
    assert all(expected == pytest.approx(ends, abs=100) for expected in told)
