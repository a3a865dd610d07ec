"""A test that was cut off goes on: whole nights in virtual time, cut and taken up again."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.control.desk import Request
from rig.record import read_journal
from tests.control.conftest import COMMITS, SHORT_NIGHT
from tests.control.night import Accidents, Again, walk
from tests.control.taken import (
    BASELINE,
    BY,
    DONE,
    cut_off,
    exactly_as,
    listed,
    point_of,
    recorded_later,
    table,
    taken_up,
)


@pytest.fixture
def plan(short_night):
    return short_night


@pytest.fixture
def whole(whole_night):
    return whole_night


@pytest.mark.parametrize(
    ("state", "after"),
    [
        pytest.param("cycling", 300, marks=pytest.mark.xdist_group("taking-up")),
        pytest.param("starting", 300, marks=pytest.mark.nights),
        pytest.param("static", 5_000, marks=pytest.mark.nights),
        pytest.param("waiting", 3_000, marks=pytest.mark.nights),
        pytest.param("approach", 2_000, marks=pytest.mark.endurance),
        pytest.param("ramp", 300, marks=pytest.mark.endurance),
        pytest.param("hold", 300, marks=pytest.mark.endurance),
        pytest.param("build-up", 900, marks=pytest.mark.endurance),
        pytest.param("cycling", 9_000, marks=pytest.mark.endurance),
        pytest.param("inspection", 3_000, marks=pytest.mark.endurance),
    ],
)
def test_a_test_cut_off_in_any_state_goes_on_with_the_count_exact(
    plan, whole, tmp_path, state, after
):
    night = cut_off(plan, tmp_path / "cut", whole.entered(state) + after)
    goes_on = taken_up(plan, tmp_path / "on", night)
    assert night.verdict is None
    assert (goes_on.verdict.outcome, goes_on.verdict.cycles) == ("run-out", 160)
    rows = exactly_as(whole, goes_on, len(table(night)["number"]))
    assert (np.diff(rows["time"]) > 0).all()
    assert [i[1] for i in listed(goes_on, "inspections")] == [60]
    if state in ("inspection", "waiting"):
        assert ("static", "go on", "inspection") in goes_on.path
    # A pre-crack that was seen is not seen again.
    cracks = [e for e in listed(goes_on, "events") if e[2] == "first crack"]
    assert len(cracks) == 1


@pytest.mark.endurance
def test_a_test_cut_off_again_and_again_goes_on_each_time(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut-0", whole.entered("cycling") + 4_000)
    goes_on = taken_up(plan, tmp_path / "goes-on", night)
    # So long it takes from the restart point to cycles that count, and two seconds of them.
    until = goes_on.entered("cycling") + 2_000 - point_of(night)["frame"]
    for n in range(1, 4):
        cut = Accidents(cut=point_of(night)["frame"] + until)
        night = taken_up(plan, tmp_path / f"cut-{n}", night, accidents=cut)
        assert night.verdict is None
    ended = taken_up(plan, tmp_path / "on", night)
    assert (ended.verdict.outcome, ended.verdict.cycles) == ("run-out", 160)
    numbers = table(ended)["number"].tolist()
    assert numbers == list(range(1, len(numbers) + 1))
    whys = [why for _, _, _, why in listed(ended, "interruptions") if "program" in why]
    assert len(whys) == 4


@pytest.mark.nights
@pytest.mark.parametrize("after", [20, 60, pytest.param(3_000, marks=pytest.mark.endurance)])
def test_one_that_is_cut_off_while_it_is_taken_up_forgets_nothing(plan, whole, tmp_path, after):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    known = point_of(night)
    soon = Accidents(cut=known["frame"] + 120_000 + after)
    again = walk(plan, tmp_path / "again", again=Again(night), accidents=soon, commits=20)
    point = point_of(again)
    for key in ("stage_number", "zeros", "repeat", "cracked"):
        assert point[key] == known[key], key
    for key in ("criteria", "counted"):
        assert point["cycling"][key] == known["cycling"][key], key
    ended = taken_up(plan, tmp_path / "on", again)
    assert (ended.verdict.outcome, ended.verdict.cycles) == ("run-out", 160)
    assert table(ended)["number"].tolist() == list(range(1, len(table(ended)["number"]) + 1))


@pytest.mark.endurance
def test_rows_behind_a_restart_point_stay_known_when_taking_up_is_cut_off(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    known = len(table(night)["number"])
    rows = {name: column[known : known + 3] for name, column in table(whole).items()}
    recorded_later(night, rows)
    soon = Accidents(cut=point_of(night)["frame"] + 120_000 + 1_500)
    first = Again(night, real=True)
    again = walk(plan, tmp_path / "again", again=first, accidents=soon, commits=20)
    assert again.verdict is None
    ended = taken_up(plan, tmp_path / "on", again, again=Again(again, real=True))
    numbers = table(ended)["number"].tolist()
    assert numbers == list(range(1, len(numbers) + 1))
    assert (ended.verdict.outcome, ended.verdict.cycles) == ("run-out", 160)


@pytest.mark.nights
def test_it_says_what_happened_and_how_many_cycles_the_record_lacks(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)
    goes_on = taken_up(plan, tmp_path / "on", night)
    happened, watchdog, lacking, check, cycles = goes_on.events("resume")
    assert happened == "the program was gone"
    assert watchdog == "the controller's watchdog had stopped it while the program was gone"
    # Half a second to the watchdog, then a fall over 2 s and at least 4 cycles, all at 4 Hz, and
    # what was run after the last commit, half a second before.
    lost = int(lacking.split()[0])
    assert 10 <= lost <= 14
    assert check == "there was no check before: the first cycles will tell"
    assert "kN/mm" in cycles
    (began, cycle, duration, why), *_ = listed(goes_on, "interruptions")
    point = point_of(night)
    assert cycle == point["recorded"]["cycles"]
    assert began == pytest.approx(point["frame"] / 1000, abs=0.3)
    assert duration == pytest.approx(125, abs=1)  # 120 s alone, 5 s of horn
    assert why == "the program was gone; unloaded, dry for 2 min; ended: taken up again" or (
        why == "the program was gone; unloaded; ended: taken up again"
    )


@pytest.mark.endurance
def test_baseline_and_counters_carry_over_and_the_learned_limits_are_armed(plan_of, tmp_path):
    plan = plan_of("first-night", BASELINE)
    whole = walk(plan, tmp_path / "whole", commits=COMMITS)
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling", 1) + 9_000)
    point = point_of(night)
    assert point["cycling"]["criteria"]["baseline"]
    seen = []

    def noted(taken):
        seen.append(taken)
        return taken

    goes_on = taken_up(plan, tmp_path / "on", night, again=Again(night, edit=noted), looks=None)
    assert seen[0].point["cycling"]["criteria"] == point["cycling"]["criteria"]
    assert goes_on.conductor.book.baseline_stiffness == point["baseline_stiffness"]
    baselines = [e for e in listed(goes_on, "events") if e[2] == "baseline"]
    assert len(baselines) == 1
    shown = walk(plan, tmp_path / "looked", again=Again(night), looks=500).shown("cycling")
    assert any(limit.learned for limit in shown[-1].limits)


@pytest.mark.endurance
def test_a_stiffness_that_differs_from_the_last_check_is_for_a_person(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling", 1) + 4_000)
    softer = Again(night, edit=lambda taken: replace(taken, stiffness=1.2 * taken.stiffness))
    alone = taken_up(plan, tmp_path / "alone", night, again=softer)
    assert alone.verdict.outcome == "run-out"
    assert "nobody answers in a rehearsal, goes on" in alone.events("pause")
    start = alone.entered("static")
    asks = ((start + 60_000, Request("continue", who=BY)), (start + 900_000, Request("stop")))
    asked = taken_up(plan, tmp_path / "asked", night, again=softer, script=asks)
    assert ("static", "finding", "pausing") in asked.path
    assert asked.entered("starting", 1) == start + 60_000
    assert asked.verdict.outcome == "run-out"


@pytest.mark.nights
@pytest.mark.parametrize(
    ("factor", "pauses"), [pytest.param(1.04, False, marks=pytest.mark.nights), (1.06, True)]
)
def test_more_than_five_per_cent_pauses(plan, whole, tmp_path, factor, pauses):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling", 1) + 4_000)
    near = Again(night, edit=lambda taken: replace(taken, stiffness=factor * taken.stiffness))
    script = ((point_of(night)["frame"] + 900_000, Request("stop")),)
    goes_on = taken_up(plan, tmp_path / "on", night, again=near, script=script)
    assert (("static", "finding", "pausing") in goes_on.path) is pauses
    assert (("static", "stage", "build-up") in goes_on.path) is not pauses


@pytest.mark.endurance
@pytest.mark.parametrize(("factor", "pauses"), [(1.04, False), (1.06, True)])
def test_without_a_check_before_the_first_cycles_tell(plan, whole, tmp_path, factor, pauses):
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling") + 4_000)

    def stiffer(taken):
        assert math.isnan(taken.stiffness)
        return replace(taken, cycles_stiffness=factor * taken.cycles_stiffness)

    script = ((point_of(night)["frame"] + 900_000, Request("stop")),)
    again = Again(night, edit=stiffer)
    goes_on = taken_up(plan, tmp_path / "on", night, again=again, script=script)
    assert (("cycling", "finding", "pausing") in goes_on.path) is pauses
    assert any("of the last cycles before" in text for text in goes_on.events("resume"))


@pytest.mark.endurance
def test_after_hours_dry_it_is_wetted_before_it_goes_on(plan_of, tmp_path):
    plan = plan_of("first-night", SHORT_NIGHT, {r"^rate = .*$": 'rate = "300 Hz"'})
    whole = walk(plan, tmp_path / "whole", commits=COMMITS)
    night = cut_off(plan, tmp_path / "cut", whole.entered("waiting") - 1_800)
    long = taken_up(plan, tmp_path / "on", night, again=Again(night, alone=3 * 3600.0))
    assert ("starting", "long dry", "re-wetting") in long.path
    wet = long.entered("starting", 1) - long.entered("re-wetting")
    assert wet / 300 == pytest.approx(3 * 3600.0, rel=0.01)
    assert long.verdict.outcome == "run-out"


@pytest.mark.endurance
def test_the_spray_goes_on_at_the_same_place_of_its_dry_part(plan, whole, tmp_path):
    periods = [on for on, _, _, _ in listed(whole, "spray")]
    dry = round((periods[0] + 22.0) * 1000)  # on for 15 of 30 s
    night = cut_off(plan, tmp_path / "cut", dry)
    goes_on = taken_up(plan, tmp_path / "on", night)
    spray = [(on, off) for on, off, _, _ in listed(goes_on, "spray")]
    assert spray[0][0] == pytest.approx(periods[0], abs=0.1)
    counting = goes_on.entered("cycling") / 1000
    # 8 s of the dry part were left, counted from where the record breaks off; they pass while
    # the test comes to cycle again.
    assert spray[1][0] == pytest.approx(counting, abs=0.5)


@pytest.mark.nights
def test_a_verdict_that_the_restart_point_does_not_know_moves_nothing(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("stopping") - 2_000)
    known = len(table(night)["number"])
    recorded_later(night, {name: column[known:] for name, column in table(whole).items()})
    told = taken_up(plan, tmp_path / "on", night, again=Again(night, real=True))
    assert told.path[0] == ("idle", "verdict", "stopping")
    assert (told.verdict.outcome, told.verdict.cycles) == ("run-out", 160)
    assert told.acts[0] == "close_valve"
    assert "pressure high" not in told.acts


@pytest.mark.endurance
def test_a_test_stopped_before_its_first_stage_begins_at_the_first(plan, whole, tmp_path):
    stopped = walk(
        plan, tmp_path / "stopped", script=((2_000, Request("stop", who=BY)),), commits=COMMITS
    )
    assert stopped.verdict.outcome == "operator"
    again = taken_up(plan, tmp_path / "on", stopped)
    states = [to for _, _, to in again.path]
    assert states[:3] == ["starting", "approach", "static"]
    assert again.verdict.outcome == "run-out"
    (row,) = [i for i in listed(again, "interruptions") if "program" in i[3]]
    assert row[2] < 130


@pytest.mark.nights
def test_build_up_numbers_go_on_after_a_stop_on_request(plan, whole, tmp_path):
    script = ((whole.entered("cycling") + 3_000, Request("stop", who=BY)),)
    stopped = walk(plan, tmp_path / "stopped", script=script, commits=COMMITS)
    goes_on = taken_up(plan, tmp_path / "on", stopped)
    assert goes_on.verdict.outcome == "run-out"
    for kind in ("cycles", "build_up"):
        numbers = table(goes_on, kind)["number"].tolist()
        assert numbers == list(range(1, len(numbers) + 1))


def test_every_step_that_only_such_a_test_takes_is_walked_here():
    from rig.control.states import TABLE

    assert {(row.state, row.cause, row.to) for row in TABLE} >= DONE


@pytest.mark.nights
def test_an_ultimate_load_reached_before_the_cut_is_not_forgotten(plan_of, tmp_path):
    plan = plan_of("static-ultimate", {}, {r"^rate = .*$": 'rate = "100 Hz"'})
    whole = walk(plan, tmp_path / "whole", commits=COMMITS)
    assert whole.verdict.outcome == "ultimate"
    night = cut_off(plan, tmp_path / "cut", whole.entered("stopping") - 200)
    peak = point_of(night)["peak"][0]
    assert peak > 100e3
    goes_on = taken_up(plan, tmp_path / "on", night)
    assert goes_on.verdict.outcome == "ultimate"
    assert f"it had held {peak / 1e3:.2f} kN" in goes_on.verdict.why
    with read_journal(night.folder) as journal:
        kept = [r for r in journal.full_rate() if r.label == "ramp"]
    # Each minute of it was on the disk: what the broken specimen had shown.
    assert len(kept) > 5
    loads = np.hstack([record.values[record.channels.index("load")] for record in kept])
    assert loads.max() > 0.9 * peak
    frames = [record.first_frame for record in kept]
    assert np.diff(frames).tolist() == [6_000] * (len(kept) - 1)
