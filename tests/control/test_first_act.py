"""The first act of a stop: what moves stands still before anything else is talked to."""

from __future__ import annotations

import pytest

from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.fault_nights import Night, carry_out, plans

MAINS = InputState(mains_lost=True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("first"))


@pytest.mark.parametrize("frame", [12_500, 17_000], ids=["closing the gap", "seating"])
def test_a_slow_motion_is_held_before_the_way_to_rest_begins(folder, frame):
    ended = carry_out(folder["approach"], Night(faults=(InputChange(frame, MAINS),)))
    assert (ended.path[-2][0], ended.outcome) == ("approach", "fault")
    orders = [order for at, order in ended.orders if at >= ended.stopped]
    assert orders[0] == "hold"
    assert orders[-1] == "pressure off"


def test_nothing_is_held_before_the_pressure_is_on(folder):
    ended = carry_out(folder["approach"], Night(faults=(InputChange(2_000, MAINS),)))
    assert ended.path[-2][0] == "starting"
    assert "hold" not in [order for _, order in ended.orders]


def test_cycles_that_fall_are_not_held_in_the_middle(folder):
    ended = carry_out(folder["plain"], Night(faults=(InputChange(8000, MAINS),)))
    orders = [order for frame, order in ended.orders if frame >= ended.stopped]
    assert orders[0] == "end_cycling"
    assert "hold" not in orders
