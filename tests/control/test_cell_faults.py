"""A load cell at fault is never pushed against: every fault in every phase of a test.

Each ends as a fault with the valve first; how far the rod went until then is printed and bounded by
the speed of the actuator.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.protocol.plan import Hold, Plan
from simulators.faults import Drifting, InLoop
from tests.control.cell_faults import CELLS, NOBODY_CAN_TELL, PHASES, carry_out, frame_in, plans

MOTIONS = ("move_", "cycle", "adjust", "end_cycling", "hold", "pressure high", "pressure low")
FARTHEST = 0.7e-3
"""Farthest way [m] of a rod that a cell at fault leads astray: some 30 mm/s for a tick of 20 ms.

The specimen takes 8 mm.
"""
FARTHER = {("another frame's", "build-up"): 0.8e-3}
"""Where a rod at its upper load goes on along the cracked specimen, which gives way more."""
QUICK = {
    ("flat", "ramp", False, True),
    ("flat", "static in deflection control", True, True),
    ("saturated", "approach", False, True),
    ("drifting", "hold", True, True),
    ("wrong sign", "approach", False, True),
    ("wrong sign", "cycling", True, False),
    ("another frame's", "approach", False, True),
    ("another frame's", "cycling", False, True),
    ("flat", "to mean load", True, True),
    ("flat", "build-up", False, True),
}
"""Of each kind one every time; of the others those where one cell has to do among the nights."""
ROWS = [
    (cell, phase, second, inside)
    for phase in PHASES
    for cell in CELLS
    for second in (False, True)
    for inside in (False, True)
]


def tier(cell: str, phase: str, second: bool, inside: bool) -> tuple[pytest.MarkDecorator, ...]:
    """Return the tier of a row: a second cell matters where nobody can tell without it."""
    if (cell, phase, second, inside) in QUICK:
        return (pytest.mark.xdist_group("cell-faults"),)  # their undisturbed test is made once
    further = second and cell != NOBODY_CAN_TELL
    # A fault in the loop moves the rod; one outside it is told alike in every phase.
    further = further or (not inside and phase not in ("approach", "cycling"))
    return (pytest.mark.endurance if further else pytest.mark.nights,)


@pytest.fixture(scope="module")
def plan_with(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("cells"))


@pytest.fixture(scope="module")
def undisturbed(plan_with):
    return carry_out(plan_with[False])


@pytest.mark.nights
def test_a_sound_cell_is_never_in_doubt(undisturbed, plan_with):
    assert undisturbed.outcome == "run-out"
    both = carry_out(plan_with[True])
    assert (both.outcome, both.entered) == (undisturbed.outcome, undisturbed.entered)


@pytest.mark.nights
def test_a_second_cell_in_the_place_of_the_first_does_not_matter(plan_with):
    # Plugs of load and load_2 changed over: both show the load, one of them 0.4 % more.
    assert carry_out(plan_with[True], swapped=True).outcome == "run-out"


@pytest.mark.nights
def test_a_load_that_drifts_at_rest_is_told(plan_with, undisturbed):
    plan = plan_with[False]
    longer = [replace(s, duration=40.0) if isinstance(s, Hold) else s for s in plan.stages]
    at = frame_in(undisturbed, "hold", plan.rig.rate)
    drifts = Drifting("load", at, at + 30_000, 100.0)
    ended = carry_out(replace(plan, stages=tuple(longer)), drifts)
    told = [(time, text) for time, kind, text in ended.events if kind == "sensor"]
    assert told[0][1].endswith("while net deflection stayed: a drifting load cell?")
    # 3 kN in all: told when it is over what a mean of a second explains.
    assert at / plan.rig.rate + 10 < told[0][0] < at / plan.rig.rate + 30


@pytest.mark.parametrize(
    ("cell", "phase", "second", "inside"),
    [pytest.param(*row, marks=tier(*row)) for row in ROWS],
)
def test_a_cell_at_fault_closes_the_valve(plan_with, undisturbed, cell, phase, second, inside):
    plan = plan_with[second]
    fault = CELLS[cell](frame_in(undisturbed, phase, plan.rig.rate))
    ended = carry_out(plan, InLoop(fault) if inside else fault)
    print(f"{phase}, {cell}{' in the loop' if inside else ''}, load_2 {second}: {ended.row}")

    if cell != NOBODY_CAN_TELL or second:
        assert ended.outcome == "fault"
    assert ended.outcome != "run-out"
    assert not [order for order in ended.orders if order.startswith(MOTIONS)]
    assert ended.orders[:2] == ("close_valve", "pressure off")
    assert ended.after == 0
    assert ended.load == pytest.approx(0, abs=1)
    assert ended.pushed <= plan.rig.actuator.speed * ended.waited
    if inside and phase != "approach" and cell != NOBODY_CAN_TELL:
        assert ended.pushed < FARTHER.get((cell, phase), FARTHEST)


def _quiet(plan: Plan) -> Plan:
    """Return the plan on a rig whose load cell shows no noise: a filtered one, in coarse steps."""
    channels = tuple(
        replace(c, noise=1.0, resolution=5.0) if c.name == "load" else c for c in plan.rig.channels
    )
    return replace(plan, rig=replace(plan.rig, channels=channels))


@pytest.fixture(scope="module")
def quietly(plan_with):
    return carry_out(_quiet(plan_with[False]))


@pytest.mark.nights
def test_a_sound_cell_without_noise_is_never_in_doubt(quietly):
    assert quietly.outcome == "run-out"


@pytest.mark.nights
@pytest.mark.parametrize("inside", [False, True])
@pytest.mark.parametrize(
    "phase",
    [
        "static in deflection control",
        pytest.param("ramp", marks=pytest.mark.nights),
        "to mean load",
        pytest.param("inspection check", marks=pytest.mark.nights),
    ],
)
def test_a_flat_cell_without_noise_is_not_pushed_against_either(plan_with, quietly, phase, inside):
    """Without noise it may stand still at a load that is held: it is known a little later."""
    plan = _quiet(plan_with[False])
    fault = CELLS["flat"](frame_in(quietly, phase, plan.rig.rate))
    ended = carry_out(plan, InLoop(fault) if inside else fault)
    print(f"{phase}, flat without noise{' in the loop' if inside else ''}: {ended.row}")
    assert ended.outcome == "fault"
    assert ended.orders[:2] == ("close_valve", "pressure off")
    assert ended.pushed < FARTHEST
