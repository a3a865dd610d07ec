"""After a run-out: the same specimen is inspected and broken, and the run-out stays the outcome."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.assembly import rehearse
from rig.clock import VirtualClock
from rig.ports import InputState
from rig.record import read_journal
from rig.samples import Flag
from simulators.faults import InputChange, Lost, Moved
from tests.control.asking import said
from tests.control.conftest import COMMITS, SHORT_NIGHT, plan_in
from tests.control.night import Accidents, Again, walk
from tests.control.taken import (
    cut_off,
    exactly_as,
    listed,
    point_of,
    recorded_later,
    table,
    taken_up,
)
from tests.control.test_rehearsal import BRISK, SHORT_LIFE, WET

RUN_OUT = 160
AGAIN = """[[stage]]
name = "contact anew"
kind = "approach"
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "5 mm"
settle = "1 s"

"""
BREAK = """[[stage]]
name = "to ultimate"
kind = "ramp"
control = "deflection"
until = "ultimate"
speed = "10 mm/min"

"""
WIDER = """[limits.residual]
load = ["-2 kN", "{most} kN"]
deflection = ["-0.5 mm", "40 mm"]

"""


def broken_after(stages: str = BREAK, most: int = 200, **changes: str) -> dict[str, str]:
    """Return the changes that let a protocol go on after its run-out."""
    return {
        **SHORT_NIGHT,
        r"^\[spray\]": f"{stages}[spray]",
        r"^\[full_rate\]": f"{WIDER.format(most=most)}[full_rate]",
        **changes,
    }


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plan_in(tmp_path_factory.mktemp("files"), "first-night", broken_after(AGAIN + BREAK))


@pytest.fixture(scope="module")
def whole(plan, tmp_path_factory):
    """Return a night that nothing disturbs, its status taken twice a second."""
    return walk(plan, tmp_path_factory.mktemp("night") / "whole", commits=500)


def broken(verdict):
    """Return the residual test of a run-out at its exact count."""
    assert (verdict.outcome, verdict.cycles) == ("run-out", RUN_OUT)
    assert verdict.why == f"no failure in {RUN_OUT} cycles"
    return verdict.residual


@pytest.mark.xdist_group("broken-in-the-end")
def test_a_run_out_stays_the_outcome_and_the_static_test_has_its_own(whole):
    after = broken(whole.verdict)
    assert after.outcome == "ultimate"
    assert f"ultimate load {after.load / 1e3:.5g} kN" in after.why
    assert 100e3 < after.load < 160e3
    assert whole.verdict.cause == "ultimate"


@pytest.mark.xdist_group("broken-in-the-end")
def test_it_unloads_inspects_makes_contact_anew_and_breaks_in_that_order(whole):
    states = [to for _, _, to in whole.path]
    begin = len(states) - states[::-1].index("cycling")
    assert states[begin:] == [
        *("inspection", "waiting", "starting", "approach", "ramp", "stopping", "stopped")
    ]
    assert whole.events("caution") == [
        "nobody within reach from 79.2 kN on: a breaking specimen throws pieces"
    ]


@pytest.mark.xdist_group("broken-in-the-end")
def test_cycles_after_the_run_out_are_flagged_and_checks_carry_its_count(whole):
    rows = table(whole)
    after = rows["flags"].astype(int) & Flag.AFTER_END != 0
    assert not after[:RUN_OUT].any()
    assert after[RUN_OUT:].all()
    with read_journal(whole.folder) as journal:
        cycles = [head["cycle"] for head in journal.sample_heads("static")]
    assert cycles[-2:] == [RUN_OUT, RUN_OUT]
    assert [row[1] for row in listed(whole, "inspections")] == [60, RUN_OUT]


@pytest.mark.nights
def test_its_own_limits_are_armed_while_it_is_broken_and_not_before(plan, tmp_path):
    night = walk(plan, tmp_path / "night", looks=500)

    def upper(state):
        limits = [limit for status in night.shown(state) for limit in status.limits]
        return {round(limit.high / 1e3) for limit in limits if limit.channel == "load"}

    assert upper("inspection") == upper("waiting") == {83}
    # As the stage is entered it is shown before its own are armed.
    assert upper("ramp") - {83} == {200}


@pytest.mark.nights
def test_a_specimen_that_failed_is_not_broken_once_more(plan_of, tmp_path):
    stages = BREAK.replace("10 mm/min", "0.5 mm/min")
    changes = {
        **WET,
        **BRISK,
        r"^\[spray\]": f"{stages}[spray]",
        r"^\[full_rate\]": f"{WIDER.format(most=200)}[full_rate]",
    }
    result = rehearse(plan_of("overnight-wet-prism", changes, SHORT_LIFE), tmp_path / "run", 1)
    assert (result.outcome, result.residual) == ("failure", None)
    with read_journal(tmp_path / "run") as journal:
        told = [e.text for e in journal.events() if e.kind == "skipped"]
    assert told == ["residual capacity: the specimen has failed"]


@pytest.mark.nights
def test_its_load_limit_ends_the_static_test_and_not_the_run_out(plan_of, tmp_path):
    plan = plan_of("first-night", broken_after(most=110))
    after = broken(walk(plan, tmp_path / "night").verdict)
    assert after.outcome == "limit"
    assert after.load == pytest.approx(110e3, rel=0.01)
    assert "load" in after.why


@pytest.mark.endurance
@pytest.mark.parametrize(
    ("state", "after"),
    [
        ("ramp", 15_000),
        ("inspection", 1_000),
        ("inspection", 6_000),
        ("waiting", 2_000),
        ("starting", 1_000),
        pytest.param("approach", 2_000, marks=pytest.mark.endurance),
        ("approach", 9_000),
        pytest.param("ramp", 500, marks=pytest.mark.endurance),
        ("stopping", 500),
    ],
)
def test_one_cut_off_anywhere_after_its_run_out_goes_on_to_be_broken(
    plan, whole, tmp_path, state, after
):
    last = [f for f, (_, _, to) in zip(whole.frames, whole.path, strict=True) if to == state][-1]
    night = cut_off(plan, tmp_path / "cut", last + after)
    assert night.verdict is None
    goes_on = taken_up(plan, tmp_path / "on", night)
    assert broken(goes_on.verdict).outcome == "ultimate"
    assert {status.cycles for _, status in goes_on.statuses} == {RUN_OUT}
    exactly_as(whole, goes_on, RUN_OUT)
    assert len(goes_on.events("residual")) == 1
    assert "cycling" not in [to for _, _, to in goes_on.path]
    again = ("static", "go on", "inspection") in goes_on.path
    assert again == (state in ("inspection", "waiting", "starting"))


@pytest.mark.endurance
def test_what_it_held_before_it_was_cut_off_is_its_residual_capacity(plan, whole, tmp_path):
    late = whole.entered("stopping") - 4_500  # beyond its peak, before the fall counts
    night = cut_off(plan, tmp_path / "cut", late)
    held = point_of(night)["peak"][0]
    goes_on = taken_up(plan, tmp_path / "on", night)
    after = broken(goes_on.verdict)
    assert after.load >= held


@pytest.mark.endurance
def test_one_cut_off_twice_in_its_static_test_goes_on(plan, whole, tmp_path):
    first = cut_off(plan, tmp_path / "one", whole.entered("ramp", 1) + 10_000)
    second = taken_up(plan, tmp_path / "two", first)
    again = Accidents(cut=second.entered("ramp") + 10_000)
    cut = taken_up(plan, tmp_path / "cut", first, accidents=again)
    assert cut.verdict is None
    assert broken(taken_up(plan, tmp_path / "on", cut).verdict).outcome == "ultimate"


@pytest.mark.endurance
def test_a_run_out_that_only_rows_behind_the_restart_point_tell_goes_on(plan, whole, tmp_path):
    night = cut_off(plan, tmp_path / "cut", whole.entered("inspection", 1) - 2_000)
    known = len(table(night)["number"])
    assert known < RUN_OUT
    rows = {name: column[known : RUN_OUT + 2] for name, column in table(whole).items()}
    recorded_later(night, rows)
    goes_on = taken_up(plan, tmp_path / "on", night, again=Again(night, real=True))
    assert broken(goes_on.verdict).outcome == "ultimate"
    assert table(goes_on)["number"].tolist() == list(range(1, RUN_OUT + 3))
    assert ("static", "go on", "inspection") in goes_on.path


@pytest.mark.nights
@pytest.mark.parametrize(
    ("state", "after"), [("ramp", 8_000), pytest.param("waiting", 1_000, marks=pytest.mark.nights)]
)
def test_a_stop_in_it_is_the_operators_and_the_run_out_stays(plan, whole, tmp_path, state, after):
    last = [f for f, (_, _, to) in zip(whole.frames, whole.path, strict=True) if to == state][-1]
    night = walk(plan, tmp_path / "night", script=((last + after, said("stop", "supper")),))
    ended = broken(night.verdict)
    assert (ended.outcome, "supper" in ended.why) == ("operator", True)
    assert (ended.load is None) == (state == "waiting")


@pytest.mark.endurance
def test_an_emergency_stop_in_it_is_a_fault_and_the_run_out_stays(plan, whole, tmp_path):
    pressed = InputChange(whole.entered("ramp", 1) + 8_000, InputState(emergency_stop=True))
    night = walk(plan, tmp_path / "night", accidents=Accidents(faults=(pressed,)))
    ended = broken(night.verdict)
    assert ended.outcome == "fault"
    assert ended.load > 20e3
    assert 0 <= night.act_frames["close_valve"] - pressed.frame <= 20


@pytest.mark.nights
def test_a_controller_that_is_silent_as_the_run_out_falls_does_not_undo_it(plan, whole, tmp_path):
    falls = whole.entered("inspection", 1)
    gone = Lost("actuator", falls - 100, falls + 5_000, acts=("end_cycling",))
    night = walk(plan, tmp_path / "night", accidents=Accidents(faults=(gone,)))
    ended = broken(night.verdict)
    assert (ended.outcome, ended.load) == ("fault", None)
    assert len(night.events("residual")) == 1


@pytest.mark.endurance
def test_cycles_after_the_run_out_are_flagged_also_where_a_fault_stops_the_fall(
    plan, whole, tmp_path
):
    falls = whole.entered("inspection", 1) + 400
    hot = InputChange(falls, InputState(oil_temperature=340.0))
    night = walk(plan, tmp_path / "night", accidents=Accidents(faults=(hot,)))
    assert broken(night.verdict).outcome == "fault"
    rows, whole_rows = table(night), table(whole)
    assert rows["number"].tolist() == whole_rows["number"].tolist()
    assert (rows["flags"][RUN_OUT:].astype(int) & Flag.AFTER_END != 0).all()


@pytest.mark.endurance
def test_one_cut_off_beyond_the_limits_of_its_cycles_goes_on_to_be_broken(plan, whole, tmp_path):
    narrow = replace(plan.limits, fixed={**plan.limits.fixed, "deflection": (-5e-4, 2.5e-3)})
    plan = replace(plan, limits=narrow)
    night = cut_off(plan, tmp_path / "cut", whole.entered("stopping") - 4_500)
    goes_on = taken_up(plan, tmp_path / "on", night, again=Again(night, real=True))
    assert broken(goes_on.verdict).outcome == "ultimate"
    assert "ramp" in [to for _, _, to in goes_on.path]


@pytest.mark.nights
def test_a_load_that_no_specimen_held_is_never_its_residual_capacity(plan, whole, tmp_path):
    jumps = Moved("load", whole.entered("ramp", 1) + 8_000, 60e3)
    night = walk(plan, tmp_path / "night", accidents=Accidents(faults=(jumps,)), commits=COMMITS)
    ended = broken(night.verdict)
    assert (ended.outcome, ended.load, ended.deflection) == ("fault", None, None)
    assert "feedback in doubt" in ended.why
    after = broken(taken_up(plan, tmp_path / "on", night).verdict)
    assert after.outcome == "ultimate"
    assert after.load == pytest.approx(whole.verdict.residual.load, rel=1e-3)
    assert "had held" not in after.why


@pytest.mark.nights
def test_a_live_rig_stands_until_somebody_has_it_broken(plan, whole, tmp_path):
    begin = whole.entered("waiting", 1)
    script = ((begin + 900_000, said("continue")),)
    night = walk(plan, tmp_path / "night", script=script, clock=VirtualClock())
    assert broken(night.verdict).outcome == "ultimate"
    waited = night.entered("waiting", 1)
    starting = min(f for f in night.frames if f > waited)
    assert starting - waited > 600_000
    (status,) = night.shown("waiting")[-1:]
    assert status.asks == "map the cracks, then nightrig continue to have it broken"
    assert status.means == "at lower load until somebody has it broken"


@pytest.mark.endurance
def test_the_more_a_specimen_has_suffered_the_less_is_left_of_it(plan_of, tmp_path):
    changes = {
        **WET,
        **BRISK,
        r"^\[spray\]": f"{BREAK}[spray]",
        r"^\[full_rate\]": f"{WIDER.format(most=200)}[full_rate]",
    }
    whole = rehearse(plan_of("overnight-wet-prism", changes, SHORT_LIFE), tmp_path / "whole", 1)
    assert whole.outcome == "failure"
    left = []
    for share in (0.4, 0.95):
        cycles = round(share * whole.cycles)
        changes[r"^run_out = .*$"] = f'run_out = "{cycles} cycles"'
        plan = plan_of("overnight-wet-prism", changes, SHORT_LIFE)
        result = rehearse(plan, tmp_path / str(cycles), 1)
        assert (result.outcome, result.cycles) == ("run-out", cycles)
        left.append(result.residual.load)
    assert left[1] < 0.95 * left[0]
