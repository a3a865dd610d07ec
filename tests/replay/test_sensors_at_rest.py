"""What people do to sensors of a rig that stands is nothing that a replay ends a test for."""

from __future__ import annotations

import numpy as np
import pytest

from rig.channels import Channel
from rig.protocol.plan import Plan
from rig.record import Event
from rig.replay import timeline
from rig.replay.by_samples import SampleSetup, Watch
from rig.replay.stretches import Piece
from rig.samples import SampleBlock
from tests.control.conftest import plan_in

RATE = 1000.0
REST = {"load": 2e3, "load_2": 2e3}


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    second = """
[[channel]]
name = "load_2"
resolution = "5 N"
noise = "5 N"
range = ["-20 kN", "250 kN"]

[[channel]]
name = "midspan"
"""
    folder = tmp_path_factory.mktemp("files")
    return plan_in(folder, "dry-short", {}, {r'^\[\[channel\]\]\nname = "midspan"\n': second})


def ended(plan: Plan, state: str, wrong: dict[str, float]) -> str:
    """Return why a replay ends where channels are wrong for a second in a state, or ""."""
    line = timeline.timeline(
        [Event(0.0, 0, "state", "static, stage"), Event(1.0, 0, "state", f"{state}, asked")], RATE
    )
    channels = plan.rig.sampled
    values = np.array([np.full(4000, REST.get(c.name, 0.0)) for c in channels], np.float32)
    values += noise_of(channels, values.shape[1])
    for row, channel in enumerate(channels):
        values[row, 2000:3000] += np.float32(wrong.get(channel.name, 0.0))
    watch = Watch(SampleSetup(plan, RATE, line, lambda tick: 0))
    watch.take(Piece(SampleBlock(0, RATE, tuple(c.name for c in channels), values), True))
    end = watch.close().end
    return end.why if end is not None else ""


def noise_of(channels: tuple[Channel, ...], frames: int) -> np.ndarray:
    rng = np.random.default_rng(5)
    return np.array([rng.normal(0.0, c.noise, frames) for c in channels], np.float32)


@pytest.mark.parametrize("state", ["waiting", "locked", "paused", "unloaded"])
def test_a_load_that_jumps_where_people_may_be_ends_nothing(plan: Plan, state: str) -> None:
    jumps = {"load": 6e3, "load_2": 6e3}
    assert "the load jumps from" in ended(plan, "static", jumps)
    assert ended(plan, state, jumps) == ""


@pytest.mark.parametrize("state", ["locked", "unloaded"])
def test_a_transducer_that_people_unplug_ends_nothing(plan: Plan, state: str) -> None:
    gone = {"midspan": np.nan}
    assert "no valid value" in ended(plan, "static", gone)
    assert ended(plan, state, gone) == ""
    assert "no valid value" in ended(plan, state, {"load": np.nan})


@pytest.mark.parametrize("state", ["unloaded", "starting"])
def test_a_second_cell_is_asked_only_under_pressure(plan: Plan, state: str) -> None:
    another = {"load_2": 9e3}
    assert "further apart" in ended(plan, "static", another)
    assert "further apart" in ended(plan, "paused", another)
    assert ended(plan, state, another) == ""
