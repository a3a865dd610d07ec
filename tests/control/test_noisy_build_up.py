"""A build-up with a load so noisy that noise counts for cycles: the cell is named, not the rig."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulators.faults import Weak
from simulators.spoiled import Noisy
from tests.control.fault_nights import Night, carry_out, plans
from tests.control.fault_scenarios import EVER

BUILD_UP = 100
"""Cycles, 25 s: the amplitude is long no larger than the noise."""
SHORT = "95% of the load range not reached in build-up"
"""What is said of a rig that does not reach its range: the pump, the valve, the gain."""


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    plan = plans(tmp_path_factory.mktemp("noisy"))["plain"]
    stages = tuple(replace(stage, build_up=BUILD_UP) for stage in plan.stages)
    return replace(plan, stages=stages)


@pytest.mark.parametrize("ticks", [False, True])
def test_noise_that_is_counted_for_cycles_is_the_cells(plain, ticks):
    noisy = Noisy("load", 0, EVER, 1e3)
    ended = carry_out(plain, Night(setup={"spoiled": (noisy,)}, ticks=ticks))
    assert ended.outcome == "fault"
    assert ended.why.startswith(f"{SHORT}: the load is noisy and swings more than twice as often")
    assert ended.left == set()


def test_a_rig_that_does_not_reach_its_range_is_not_called_noisy(plain):
    ended = carry_out(plain, Night(faults=(Weak(0, EVER, 0.5),)))
    assert (ended.outcome, ended.why) == ("fault", SHORT)
