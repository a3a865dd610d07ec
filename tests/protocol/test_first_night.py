"""The shipped first night: every kind of stage within about three minutes, rehearsed."""

from __future__ import annotations

import h5py
import pytest

from rig.assembly import rehearse
from rig.protocol.estimate import estimate
from rig.protocol.load import load_plan
from rig.protocol.plan import Approach, Cyclic, Hold, Plan, Ramp, Static
from tests.protocol.texts import RIG, shipped


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("first-night.toml", RIG, shipped)


@pytest.fixture(scope="module")
def result(plan, tmp_path_factory):
    return rehearse(plan, tmp_path_factory.mktemp("night") / "run", 1)


def test_it_has_every_kind_of_stage_once(plan):
    assert [type(s) for s in plan.stages] == [Approach, Static, Ramp, Hold, Cyclic]


@pytest.mark.xdist_group("first-night")
def test_it_ends_by_run_out_within_three_minutes_and_a_half(result):
    assert result.outcome == "run-out"
    assert result.cycles == 300
    assert 170 < result.test_s < 210


@pytest.mark.xdist_group("first-night")
def test_the_duration_that_check_tells_is_that_of_the_rehearsal(plan, result):
    assert estimate(plan).duration_s == pytest.approx(result.test_s, rel=0.1)


@pytest.mark.xdist_group("first-night")
def test_water_runs_in_confirmed_periods_while_it_cycles(result):
    with h5py.File(result.run) as run:
        assert run["spray"]["confirmed"].sum() >= 2
        wet = run["cycles/wet"][:]
    assert 0 < wet.sum() < len(wet)


@pytest.mark.xdist_group("first-night")
def test_its_inspection_goes_on_by_itself_and_reads_zeros(result):
    with h5py.File(result.run) as run:
        (inspection,) = run["inspections"][:]
        texts = [text.decode() for text in run["events"]["text"]]
        labels = {label.decode().split(":")[0] for label in run["zeros"]["text"]}
    assert inspection["cycle"] == 150
    assert any("nobody came" in text for text in texts)
    assert labels == {"start", "inspection at cycle 150", "end"}


@pytest.mark.xdist_group("first-night")
def test_nobody_is_asked_to_look_before_it_ends(plan, result):
    assert plan.attendance is not None
    assert min(plan.attendance.times) > result.test_s
    assert min(plan.attendance.cycles) > result.cycles
