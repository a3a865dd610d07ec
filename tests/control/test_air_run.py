"""An air run: the whole order of a test with nothing in the rig, in virtual time."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import numpy as np
import pytest

from rig.assembly.looking_back import look_back
from rig.control.air_station import MARGIN
from rig.control.checklist import checklist
from rig.control.levels import RETRACT
from rig.control.states import STAGES
from rig.errors import InputError
from rig.protocol.air import AIR
from rig.protocol.in_the_air import ALL_OF_IT, TRAVEL, in_the_air
from rig.record import read_journal
from simulators.faults import Drifting, Moved, NoFlow
from tests.control.asking import QUICK, said
from tests.control.night import Accidents, walk

STROKE = {
    r"^\[pump\]$": '[[channel]]\nname = "stroke"\nresolution = "1 um"\nnoise = "2 um"\n'
    'range = ["-60 mm", "60 mm"]\n\n[pump]'
}
BEHIND = TRAVEL + RETRACT + MARGIN


def in_contact_at(plan, gap: float):
    """Return an air plan on a simulated rig that has a specimen all the same, at a stroke [m]."""
    return replace(plan, rig=replace(plan.rig, simulation={**plan.rig.simulation, "gap": gap}))


@pytest.fixture(scope="module")
def first_air(tmp_path_factory):
    """Return the air run of the first night when nothing disturbs it."""
    from tests.control.conftest import plan_in

    plan = in_the_air(plan_in(tmp_path_factory.mktemp("files"), "first-night", QUICK, STROKE))
    return walk(plan, tmp_path_factory.mktemp("air") / "w", commits=500)


def kept_samples(walked, channel):
    """Return all samples of a channel that the record has at full rate."""
    with read_journal(walked.folder) as journal:
        records = list(journal.full_rate())
    return np.concatenate([r.values[r.channels.index(channel)] for r in records])


@pytest.mark.xdist_group("first-air")
def test_every_stage_inspection_and_stop_comes_in_its_order(first_air):
    entered = [to for _, _, to in first_air.path]
    assert entered == [
        *("starting", "approach", "static", "ramp", "hold", "build-up", "cycling"),
        *("inspection", "waiting", "starting", "build-up", "cycling"),
        *("stopping", "stopped"),
    ]


@pytest.mark.xdist_group("first-air")
def test_it_ends_as_an_air_run_without_a_cycle_that_could_be_taken_for_a_life(first_air):
    verdict = first_air.verdict
    assert (verdict.outcome, verdict.cycles) == ("run-out", 0)
    assert verdict.why.startswith("air run: all stages and 200 motions")
    with read_journal(first_air.folder) as journal:
        assert journal.rows("cycles") == journal.rows("build_up") == 0
        assert not list(journal.static())


def test_a_static_test_has_an_air_run_too(plan_of, tmp_path):
    walked = walk(in_the_air(plan_of("static-ultimate")), tmp_path / "w")
    assert walked.verdict.outcome == "run-out"
    assert walked.verdict.why == "air run: all stages without a specimen"
    assert [to for _, _, to in walked.path] == [
        *("starting", "approach", "ramp", "stopping", "stopped")
    ]


@pytest.mark.xdist_group("first-air")
def test_the_record_says_first_that_it_was_an_air_run(first_air):
    [text] = first_air.events("air")
    assert "without a specimen" in text
    assert "limits not armed: deflection" in text


@pytest.mark.xdist_group("first-air")
def test_the_rod_stays_behind_where_it_stood_and_moves_all_of_its_way(first_air):
    shown = [s for s in first_air.statuses if s[1].state in (*STAGES, "cycling", "inspection")]
    assert len(shown) > 20
    stroke = kept_samples(first_air, "stroke")
    assert stroke.max() < 2e-4
    assert stroke.min() > -BEHIND
    assert stroke.min() < -TRAVEL - RETRACT + 1e-3  # the normal stop draws it back


@pytest.mark.xdist_group("first-air")
def test_limits_on_load_and_stroke_lie_about_the_air_in_the_controller_too(first_air):
    limits = asyncio.run(first_air.rig.actuator.read_limits())
    assert limits["load"] == (-2000.0, 2000.0)
    assert limits["stroke"] == pytest.approx((-BEHIND, MARGIN))


def test_a_limit_on_what_is_not_mounted_is_not_armed(plan_of, tmp_path):
    more = '[limits]\nmidspan = ["1 mm", "2 mm"]\nstroke = ["-30 mm", "30 mm"]'
    air = in_the_air(plan_of("first-night", rig={**STROKE, r"^\[limits\]$": more}))
    assert air.air.unarmed == ("deflection", "midspan")
    walked = walk(air, tmp_path / "w", script=[(20_000, said("stop"))])
    assert walked.verdict.outcome == "operator"
    assert {limit.channel for limit in walked.shown("static")[0].limits} == {"load", "stroke"}


@pytest.mark.nights
def test_a_cell_that_shows_the_same_zero_all_the_time_is_no_doubt(plan_of, tmp_path):
    still = {**STROKE, r'^noise = "40 N"$': 'noise = "0 N"'}
    walked = walk(in_the_air(plan_of("first-night", QUICK, still)), tmp_path / "w")
    assert walked.verdict.outcome == "run-out"


@pytest.mark.nights
def test_a_deflection_sensor_that_hangs_loose_is_no_doubt(plan_of, tmp_path):
    loose = Accidents(faults=(Drifting("midspan", 16_000, 30_000, 1e-4),))
    air = in_the_air(plan_of("first-night", QUICK, STROKE))
    walked = walk(air, tmp_path / "w", accidents=loose)
    assert walked.verdict.outcome == "run-out"


@pytest.mark.xdist_group("first-air")
def test_water_runs_and_is_confirmed(first_air):
    with read_journal(first_air.folder) as journal:
        spray = journal.entries("spray")
    assert any(confirmed for *_, confirmed in spray)
    assert "no period missed" in first_air.events("water")[-1]


@pytest.mark.xdist_group("first-air")
def test_it_is_not_taken_up_again(first_air, tmp_path):
    found = look_back(first_air.folder)
    marked = replace(found, header=replace(found.header, texts={**found.header.texts, AIR: "x"}))
    with pytest.raises(InputError, match="was an air run, which is not taken up again"):
        marked.refuse_unreadable()


@pytest.mark.xdist_group("first-air")
def test_people_are_told_what_moves_and_what_comes(first_air):
    [cycling, *_] = first_air.shown("cycling")
    assert cycling.means == "moves back and forth, without a specimen"
    assert {coming.what for coming in cycling.coming} >= {"inspection", "end of the air run"}


@pytest.mark.nights
@pytest.mark.parametrize(
    "gap",
    [pytest.param(2e-3, id="2 mm"), pytest.param(1e-4, id="0.1 mm", marks=pytest.mark.nights)],
)
def test_a_specimen_left_in_the_frame_is_never_touched(plan_of, tmp_path, gap):
    plan = in_contact_at(in_the_air(plan_of("first-night", QUICK, STROKE)), gap)
    walked = walk(plan, tmp_path / "w")
    assert walked.verdict.outcome == "run-out"
    assert np.abs(kept_samples(walked, "load")).max() < 400  # noise


def test_a_specimen_that_the_rod_presses_on_stops_it_before_there_is_pressure(plan_of, tmp_path):
    plan = in_contact_at(in_the_air(plan_of("first-night", QUICK)), -1e-3)
    walked = walk(plan, tmp_path / "w")
    assert walked.verdict.outcome == "limit"
    assert "look what is in the rod's way" in walked.verdict.why
    assert walked.acts[0] == "close_valve"
    assert "pressure high" not in walked.acts


def test_a_load_in_motion_closes_the_valve_and_the_rod_stands_within_a_fifth_of_a_millimetre(
    plan_of, tmp_path
):
    at = 40_000
    hit = Accidents(faults=(Moved("load", at, 3e3),))
    walked = walk(in_the_air(plan_of("first-night", QUICK, STROKE)), tmp_path / "w", accidents=hit)
    assert walked.verdict.outcome == "limit"
    assert walked.acts[:3] == ["pressure high", "close_valve", "pressure off"]
    assert walked.act_frames["close_valve"] <= at + 20
    with read_journal(walked.folder) as journal:
        [after] = [r for r in journal.full_rate() if r.first_frame <= at]
    stroke = after.values[after.channels.index("stroke")][at - after.first_frame :]
    assert np.ptp(stroke) < 0.2e-3 + 5e-5  # 20 ms at 10 mm/s, and noise


def test_a_rod_without_room_behind_it_moves_nothing(plan_of, tmp_path):
    plan = in_the_air(plan_of("first-night", QUICK, {r'"-60 mm", "60 mm"': '"-5 mm", "60 mm"'}))
    walked = walk(plan, tmp_path / "w")
    assert (walked.verdict.outcome, walked.verdict.cause) == ("fault", "fault")
    assert "the rod stands 5.0 mm before the end of its stroke" in walked.verdict.why
    assert "pressure high" not in walked.acts


PAUSED, UNLOADED = 60_000, 75_000


@pytest.mark.nights
def test_it_pauses_goes_on_is_drawn_back_and_comes_forward_again(plan_of, tmp_path):
    script = [
        (PAUSED, said("pause")),
        (PAUSED + 5_000, said("continue")),
        (UNLOADED, said("unload")),
        (UNLOADED + 25_000, said("continue")),
    ]
    walked = walk(in_the_air(plan_of("first-night", QUICK, STROKE)), tmp_path / "w", script=script)
    assert walked.verdict.outcome == "run-out"
    states = [to for _, _, to in walked.path]
    begin = states.index("pausing")
    assert states[begin : begin + 4] == ["pausing", "paused", "starting", "build-up"]
    begin = states.index("unloading")
    assert states[begin : begin + 5] == [
        *("unloading", "unloaded", "starting", "approach"),
        "build-up" if states[begin - 1] in ("cycling", "build-up") else states[begin - 1],
    ]
    assert walked.conductor.book.counted == 200


@pytest.mark.nights
def test_a_stop_ends_it_with_the_normal_stop(plan_of, tmp_path):
    plan = in_the_air(plan_of("first-night", QUICK))
    walked = walk(plan, tmp_path / "w", script=[(PAUSED, said("stop"))])
    assert (walked.verdict.outcome, walked.verdict.cycles) == ("operator", 0)
    assert walked.verdict.why.startswith("air run: stopped by")
    assert walked.acts == ["pressure high", "close_valve", "pressure off"]


@pytest.mark.nights
def test_water_that_does_not_come_is_found_out_in_the_air(plan_of, tmp_path):
    plan = in_the_air(plan_of("first-night"))
    dry = Accidents(faults=(NoFlow(0, 10**9),))
    walked = walk(plan, tmp_path / "w", accidents=dry)
    assert (walked.verdict.outcome, walked.verdict.cause) == ("fault", "spray")
    assert "two periods missed" in walked.verdict.why


def test_the_checklist_asks_for_an_empty_frame(plan_of):
    plan = plan_of("first-night")
    more = set(checklist(in_the_air(plan))) - set(checklist(plan))
    assert more == {"no specimen is in the frame, and nothing lies in the rod's way"}


@pytest.mark.nights
@pytest.mark.parametrize(
    "name",
    [
        *("dry-short", "static-ultimate"),
        *(
            pytest.param(name, marks=pytest.mark.endurance)
            for name in ("overnight-wet-prism", "dry-run-out", "submerged-prism")
        ),
    ],
)
def test_a_whole_protocol_takes_about_ten_minutes(plan_of, tmp_path, name):
    walked = walk(in_the_air(plan_of(name)), tmp_path / "w", emulated=True)
    assert walked.verdict.outcome == "run-out"
    assert walked.conductor.book.time < 1.1 * ALL_OF_IT
    if walked.conductor._plan.cyclic is not None:
        assert walked.conductor.book.time > 0.85 * ALL_OF_IT
