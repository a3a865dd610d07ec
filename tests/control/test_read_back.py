"""Limits are read back from the controller: as near as it can keep them, and no further."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tests.control.fault_nights import Night, carry_out, plans
from tests.control.fault_scenarios import Bad


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    short = plans(tmp_path_factory.mktemp("limits"))["short"]
    both = {**short.rig.limits, "stroke": (-0.0123, 0.0456)}
    return replace(short, rig=replace(short.rig, limits=both))


def started(plan, change):
    """Return how a test begins whose controller reads its limits back changed."""

    async def read_limits(found):
        return {name: change(name, low, high) for name, (low, high) in (await found()).items()}

    bad = {"actuator": lambda actuator: Bad(actuator, 0, {"read_limits": read_limits})}
    return carry_out(plan, Night(bad=bad, script=((500, "stop"),)))


def step(plan, name):
    """Return the smallest change that a channel shows; a millionth of its range without one."""
    found = [c.resolution for c in plan.rig.channels if c.name == name]
    low, high = plan.rig.actuator.stroke
    return found[0] if found else 1e-6 * (high - low)


@pytest.mark.parametrize("name", ["load", "stroke"])
@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize(("steps", "cause"), [(0.9, "stop"), (-0.9, "stop"), (1.5, "fault")])
def test_a_limit_reads_back_within_the_channels_resolution(plan, name, side, steps, cause):
    off = steps * step(plan, name)

    def near(channel, *pair):
        if channel != name:
            return pair
        return tuple(value + off * (at == side) for at, value in enumerate(pair))

    ended = started(plan, near)
    assert ended.path[-2][1:] == (cause, "stopping")
    if cause == "fault":
        assert f"the controller did not take the limit on {name}: it was given" in ended.why
        assert "pressure high" not in [order for _, order in ended.orders]


@pytest.mark.parametrize("answer", [(math.nan, math.nan), (math.inf, math.inf)])
def test_a_limit_that_reads_back_as_no_number_is_not_taken(plan, answer):
    ended = started(plan, lambda *_limit: answer)
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "did not take the limit" in ended.why
