"""Which stops can be proven on a rig, and how far the rod may go."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.assembly.stop_rows import ROWS, bounds_of, moving, rows_of, trial_plan
from rig.commands.rig_alone import load_rig_alone
from tests.commands.surveys import wired_plan

RIG = load_rig_alone(None).rig


def left_out(rig):
    return {one.cause: one.why for one in rows_of(rig)[1]}


def test_a_rig_with_everything_has_every_row():
    sampled = (*RIG.channels, replace(RIG.channels[1], name="stroke"))
    rows, left = rows_of(replace(RIG, channels=sampled))
    assert (rows, left) == (ROWS, ())


def test_what_is_not_sampled_has_no_limit_of_ours():
    assert left_out(RIG) == {"limit on stroke": "stroke is not sampled"}
    loads = tuple(c for c in RIG.channels if c.name == "load")
    assert set(left_out(replace(RIG, channels=loads))) == {
        "limit on stroke",
        "limit on deflection",
    }


def test_a_controller_without_limits_has_none_to_prove():
    soft = replace(RIG, actuator=replace(RIG.actuator, limits="software only"))
    lacking = "the controller has no limits of its own"
    assert left_out(soft)["controller's limit on load"] == lacking
    assert left_out(soft)["controller's limit on stroke"] == lacking
    assert "stroke" not in bounds_of(soft, moving(soft, None, None))


def test_an_input_that_is_not_wired_is_left_out():
    rig = wired_plan()
    assert set(left_out(rig)) == {"limit on stroke"}
    wire = rig.wire
    bus = tuple(
        replace(d, points=tuple(p for p in d.points if p.what != "leak")) for d in wire.modbus
    )
    limits = {"load": wire.controller.limits["load"]}
    wire = replace(wire, modbus=bus, controller=replace(wire.controller, limits=limits))
    less = replace(rig, wire=wire)
    assert left_out(less) == {
        "limit on stroke": "stroke is not sampled",
        "leak": "the rig file has no such input",
        "controller's limit on stroke": "the controller has no such limit",
    }
    assert "stroke" not in bounds_of(less, moving(less, None, None))


@pytest.mark.parametrize(
    ("limit", "up_to", "highest"),
    [(250e3, None, 50e3), (30e3, None, 30e3), (250e3, 80e3, 80e3), (60e3, 80e3, 60e3)],
)
def test_the_beam_is_never_loaded_beyond_the_rigs_own_limit(limit, up_to, highest):
    rig = replace(RIG, limits={"load": (-20e3, limit)})
    how = moving(rig, None, up_to)
    assert how.up_to == highest
    assert bounds_of(rig, how)["load"] == (-20e3, highest)
    assert 500.0 <= how.contact < how.up_to / 4


def test_a_slow_actuator_is_not_asked_for_more():
    slow = replace(RIG, actuator=replace(RIG.actuator, speed=2e-4))
    assert moving(slow, None, None).speed == 2e-4
    assert moving(RIG, None, None).speed == 5e-4
    assert moving(RIG, 1e-4, None).speed == 1e-4


def test_a_trial_sprays_nothing_cycles_nothing_and_judges_nothing():
    plan, how = load_rig_alone(None), moving(RIG, None, None)
    bounds = bounds_of(RIG, how)
    trial = trial_plan(plan, ROWS[0], bounds, how)
    assert (trial.spray, trial.inspections, trial.loading, trial.cyclic) == (None,) * 4
    assert not trial.failure.armed
    assert not trial.limits.learned.armed
    assert trial.limits.fixed == bounds
