"""Whole rehearsals through the assembly: outcomes, exact counts, equal bits, faults."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from rig.assembly import rehearse
from rig.errors import InputError
from rig.ports import InputState
from rig.record import read_journal, rebuild
from simulators.faults import Flat, InputChange, Missing, NoFlow, Spike

SHORT = {
    r"^at = .*$": 'at = ["10 cycles"]',
    r'^from = "2000 cycles"': 'from = "100 cycles"',
    r'^to = "3000 cycles"': 'to = "200 cycles"',
    r"^go_on_after = .*$": 'go_on_after = "1 s"',
    r"^repeats = 3$": "repeats = 1",
    r'^hold = "2 min"$': 'hold = "1 s"',
}
"""Changes that make a shipped protocol pass in seconds."""


BRISK = {
    r"^give_up_after = .*$": 'give_up_after = "10 mm"\nsettle = "1 s"',
    r'^speed = "0.2 mm/min"': 'speed = "4 mm/min"',
    r'^speed_after_crack = "0.5 mm/min"': 'speed_after_crack = "30 mm/min"',
    r'rate = "2 kN/s", repeats = 2, hold = "10 s"': 'rate = "40 kN/s", repeats = 1, hold = "1 s"',
}
"""Changes that take the slow stages fast: cracked after 44 s, cycling for good after 154 s."""


def run_out(cycles: int) -> dict[str, str]:
    return {**SHORT, **BRISK, r"^run_out = .*$": f'run_out = "{cycles} cycles"'}


WET = {
    **SHORT,
    r"^then_every = .*$": 'then_every = "600 cycles"',
    r"^begin = .*$": 'begin = "250 cycles"',
    r"^on = .*$": 'on = "40 s"',
    r"^every = .*$": 'every = "60 s"',
}
SHORT_LIFE = {r"^\[simulation\].*$": "[simulation]\nlife_scale = 0.002"}
"""Specimens that fail wet after some hundred cycles."""


def cycles_of(path):
    with h5py.File(path) as file:
        return {name: column[:] for name, column in file["cycles"].items()}


def events_of(path):
    with h5py.File(path) as file:
        return [(e["cycle"], e["kind"].decode(), e["text"].decode()) for e in file["events"][:]]


def same(a, b):
    assert a.keys() == b.keys()
    for name in a:
        np.testing.assert_array_equal(a[name], b[name], err_msg=name, strict=True)


@pytest.mark.nights
def test_a_sprayed_specimen_fails_and_the_record_says_why(plan_of, tmp_path):
    result = rehearse(
        plan_of("overnight-wet-prism", {**WET, **BRISK}, SHORT_LIFE), tmp_path / "run", 1
    )
    assert result.outcome == "failure"
    columns = cycles_of(result.run)
    assert columns["number"].tolist() == list(range(1, len(columns["number"]) + 1))
    assert np.all(np.diff(columns["time"]) > 0)
    # water only after its count, and both wet and dry cycles after it
    assert not columns["wet"][:250].any()
    assert set(columns["wet"][260:].tolist()) == {0, 1}
    assert result.cycles in columns["number"]


@pytest.mark.nights
def test_the_same_seed_gives_the_same_table_bit_for_bit_and_another_seed_another(plan_of, tmp_path):
    plan = plan_of("dry-short", run_out(250))
    first, again, other = (
        cycles_of(rehearse(plan, tmp_path / name, seed).run)
        for name, seed in (("a", 3), ("b", 3), ("c", 4))
    )
    same(first, again)
    assert not np.array_equal(first["load_max"], other["load_max"])


@pytest.mark.nights
def test_a_run_out_is_exact_and_what_runs_after_it_is_flagged(plan_of, tmp_path):
    result = rehearse(plan_of("dry-short", run_out(700)), tmp_path / "run", 2)
    assert (result.outcome, result.cycles) == ("run-out", 700)
    columns = cycles_of(result.run)
    after = (columns["flags"] & 32) != 0
    assert not after[:700].any()
    assert after[700:].all()


def assert_blocks_do_not_matter(plan, folder, seed):
    long = rehearse(plan, folder / "long", seed)
    short = rehearse(plan, folder / "short", seed, one_tick=True)
    assert (long.outcome, long.cycles, long.why) == (short.outcome, short.cycles, short.why)
    same(cycles_of(long.run), cycles_of(short.run))
    assert events_of(long.run) == events_of(short.run)
    assert long.outcome == "failure"
    return long.cycles


SCALED = {r"^\[simulation\].*$": "[simulation]\nlife_scale = 0.02"}
"""Specimens that fail between 3,000 and 10,000 cycles."""
QUICK = {
    **WET,
    **BRISK,
    r'^from = "2000 cycles"': 'from = "60 cycles"',
    r'^to = "3000 cycles"': 'to = "120 cycles"',
    r"^begin = .*$": 'begin = "130 cycles"',
    r"^on = .*$": 'on = "20 s"',
    r"^every = .*$": 'every = "30 s"',
    r"^then_every = .*$": 'then_every = "400 cycles"',
    r"^build_up = .*$": 'build_up = "40 cycles"',
    r'stop = "40 %", confirm = "100 cycles"': 'stop = "40 %", confirm = "10 cycles"',
}
"""A test with every kind of stage, two inspections and several wet periods before its failure."""


@pytest.mark.endurance
def test_long_blocks_give_what_blocks_of_one_tick_give(plan_of, tmp_path):
    life = {r"^\[simulation\].*$": "[simulation]\nlife_scale = 0.003"}
    plan = plan_of("overnight-wet-prism", QUICK, life)
    assert 401 <= assert_blocks_do_not_matter(plan, tmp_path, 1) <= 1_000
    with h5py.File(tmp_path / "long" / "run.h5") as run:
        assert len(run["inspections"]) == 2
        assert len(run["spray"]) >= 4


@pytest.mark.endurance
@pytest.mark.parametrize("seed", range(1, 6))
def test_long_blocks_give_what_blocks_of_one_tick_give_for_five_seeds(plan_of, tmp_path, seed):
    plan = plan_of("overnight-wet-prism", WET, SCALED)
    assert 3_000 <= assert_blocks_do_not_matter(plan, tmp_path, seed) <= 10_000


@pytest.mark.nights
def test_load_stays_on_target_after_build_up(plan_of, tmp_path):
    plan = plan_of("dry-short", run_out(600))
    columns = cycles_of(rehearse(plan, tmp_path / "run", 5).run)
    settled = slice(200, 600)
    wide = 0.01 * plan.loading.range
    assert np.abs(columns["load_max"][settled] - plan.loading.upper).max() < wide
    assert np.abs(columns["load_min"][settled] - plan.loading.lower).max() < wide
    assert columns["load_max"].max() < 1.02 * plan.loading.upper


def test_a_static_test_ends_at_its_ultimate_load(plan_of, tmp_path):
    plan = plan_of("static-ultimate")
    result = rehearse(plan, tmp_path / "run", 1)
    assert result.outcome == "ultimate"
    with h5py.File(result.run) as file:
        load = file["static/samples/load"][:]
    assert f"{load.max() / 1e3:.0f}"[:2] in result.why


@pytest.mark.parametrize(
    ("fault", "outcome", "phrase"),
    [
        (InputChange(165_000, InputState(emergency_stop=True)), "fault", "emergency stop"),
        (InputChange(165_000, InputState(guard_open=True)), "fault", "guard"),
        (InputChange(165_000, InputState(leak=True)), "fault", "water"),
        (InputChange(165_000, InputState(oil_pressure_low=True)), "fault", "oil"),
        (Missing("midspan", 165_000, 165_100), "limit", "midspan|deflection"),
        (Missing("load", 165_000, 165_100), "fault|limit", "load"),
    ],
    ids=["emergency stop", "guard", "leak", "oil", "mid-span missing", "load missing"],
)
@pytest.mark.endurance
def test_accidents_stop_the_rig_and_are_named(plan_of, tmp_path, fault, outcome, phrase):
    plan = plan_of("dry-short", run_out(5000))
    result = rehearse(plan, tmp_path / "run", 1, faults=(fault,))
    assert result.outcome in outcome.split("|")
    assert any(word in result.why for word in phrase.split("|"))
    assert 165 <= result.test_s < 165 + 120


@pytest.mark.nights
def test_a_flat_load_cell_is_a_fault_and_not_an_endless_wait(plan_of, tmp_path):
    flat = Flat("load", 145_000, 10**9)
    result = rehearse(plan_of("dry-short", run_out(5000)), tmp_path / "run", 1, faults=(flat,))
    assert result.outcome == "fault"
    assert "load" in result.why
    assert 145 <= result.test_s < 145 + 60


@pytest.mark.nights
def test_a_build_up_that_never_reaches_its_range_is_a_fault(plan_of, tmp_path):
    weak = {
        r"^servo_bandwidth.*\n": "",
        r"^\[simulation\].*$": '[simulation]\nservo_bandwidth = "2 Hz"',
    }
    result = rehearse(plan_of("dry-short", run_out(5000), weak), tmp_path / "run", 1)
    assert result.outcome == "fault"
    assert "build-up" in result.why
    assert result.cycles == 0


@pytest.mark.nights
def test_a_flat_watching_sensor_ends_a_rehearsal_that_nobody_can_look_at(plan_of, tmp_path):
    fault = Flat("midspan", 145_000, 10**9)
    result = rehearse(plan_of("dry-short", run_out(5000)), tmp_path / "run", 1, faults=(fault,))
    assert result.outcome == "fault"
    assert "midspan stays the same" in result.why


@pytest.mark.nights
def test_an_oil_fault_makes_the_whole_normal_stop_and_retracts(plan_of, tmp_path):
    fault = InputChange(145_000, InputState(oil_pressure_low=True))
    result = rehearse(plan_of("dry-short", run_out(5000)), tmp_path / "run", 1, faults=(fault,))
    assert result.outcome == "fault"
    assert not [text for _, kind, text in events_of(result.run) if kind == "stop"]
    with h5py.File(result.run) as file:
        row = file["full_rate/index"][-1]
        load = file["full_rate/load"][row["offset"] : row["offset"] + row["frames"]]
    # cycling before the stop, retracted and free of load after it
    assert load.max() > 80e3
    assert np.abs(load[-1000:]).max() < 200


@pytest.mark.nights
def test_a_restart_point_holds_what_a_resumption_needs(plan_of, tmp_path):
    rehearse(plan_of("overnight-wet-prism", {**WET, **BRISK}, SHORT_LIFE), tmp_path / "run", 1)
    with read_journal(tmp_path / "run") as journal:
        point = journal.restart_point
    assert point is not None
    needed = {"stage", "frame", "next_cycle", "cycling", "water", "rig", "recorded"}
    assert needed <= set(point)
    assert point["rig"]


@pytest.mark.nights
def test_one_spike_of_a_contactor_stops_nothing(plan_of, tmp_path):
    spike = Spike("load", 35_000, 60e3)
    result = rehearse(plan_of("dry-short", run_out(300)), tmp_path / "run", 1, faults=(spike,))
    assert (result.outcome, result.cycles) == ("run-out", 300)


@pytest.mark.nights
@pytest.mark.parametrize("changes", [WET, {**WET, **BRISK}], ids=["cycling", "building up"])
def test_a_pump_without_flow_ends_after_two_missed_periods(plan_of, tmp_path, changes):
    plan = plan_of("overnight-wet-prism", changes)
    result = rehearse(plan, tmp_path / "run", 1, faults=(NoFlow(0, 10**9),))
    assert result.outcome == "fault"
    assert "two periods missed" in result.why
    kinds = [text for _, kind, text in events_of(result.run) if kind == "water"]
    assert sum("will try again" in text for text in kinds) == 4


@pytest.mark.nights
def test_run_h5_made_again_from_the_journal_holds_the_same_rows(plan_of, tmp_path):
    result = rehearse(plan_of("dry-short", run_out(300)), tmp_path / "run", 1)
    before = cycles_of(result.run)
    result.run.unlink()
    same(before, cycles_of(rebuild(tmp_path / "run")))


def test_an_existing_folder_is_left_alone(plan_of, tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "mine.txt").write_text("kept", encoding="utf-8")
    with pytest.raises(InputError, match="exists"):
        rehearse(plan_of("dry-short", run_out(300)), tmp_path / "run", 1)
    assert [p.name for p in (tmp_path / "run").iterdir()] == ["mine.txt"]


@pytest.mark.nights
def test_full_rate_records_hold_the_first_cycles_and_the_stop(plan_of, tmp_path):
    result = rehearse(plan_of("dry-short", run_out(300)), tmp_path / "run", 1)
    with h5py.File(result.run) as file:
        index = file["full_rate/index"][:]
        load = file["full_rate/load"][:]
    labels = [row["label"].decode() for row in index]
    assert labels[-1] == "stop"
    assert {"cycles", "stop"} == set(labels)
    assert len(load) == sum(int(row["frames"]) for row in index)
    assert index["cycle"].min() == 1
