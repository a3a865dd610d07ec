"""The load of a specimen behind a moving mass, over real serial lines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.assembly.devices import close, open_rig
from rig.assembly.emulation import emulated_setup
from rig.clock import SystemClock
from rig.commands.files import load
from rig.ports import Rig
from rig.protocol.trust import Trust
from simulators.motion import Cycling
from simulators.wire.emulation import Emulation, emulation, framings
from simulators.wire.rig_text import rig_text
from tests.control.test_true_force import changed_rig, moving

ROOT = Path(__file__).resolve().parents[2] / "protocols"
PROTOCOL = ROOT / "dry-short.toml"
TICK = 20


async def passed(rig: Rig, seconds: float) -> list[np.ndarray]:
    """Let time pass as the conductor does; return the loads that were read, with their frames."""
    found = []
    for _ in range(round(seconds * rig.acquisition.rate / TICK)):
        block = await rig.acquisition.read(TICK)
        await rig.acquisition.keep(block.frames)
        await rig.actuator.heartbeat()
        frames = np.arange(block.first, block.end)
        found.append(np.stack([frames, block.of("load").astype(np.float64)]))
    return found


def true_load(emulated: Emulation, frames: np.ndarray) -> np.ndarray:
    """Return what the specimen carries at frames of the cycling that goes on for ever."""
    stretch = emulated.machine._stretch
    motion = stretch.state.motion
    assert isinstance(motion, Cycling)
    assert motion.steady(int(frames[0]))
    return stretch.signals(frames).load


@pytest.mark.endurance
@pytest.mark.parametrize("cell", ["moving", "fixed"])
async def test_over_serial_lines_the_true_load_comes_back_within_a_thousandth_of_the_range(
    tmp_path: Path, cell: str
) -> None:
    (tmp_path / "simulated.toml").write_text(changed_rig(moving(400.0, cell)), "utf-8")
    plan = load(str(PROTOCOL), str(tmp_path / "simulated.toml"))
    assert plan.loading is not None
    clock, setup = SystemClock(), emulated_setup(plan)
    set_as = framings(setup.rate, len(plan.rig.sampled))
    async with emulation(setup, 5, clock, tmp_path) as emulated:
        (tmp_path / "wire.toml").write_text(rig_text(plan.rig, emulated.paths, set_as), "utf-8")
        wired = load(str(PROTOCOL), str(tmp_path / "wire.toml"))
        assert wired.rig.trust.frame == plan.rig.trust.frame
        errors = []
        for known in (wired, replace(wired, rig=replace(wired.rig, trust=Trust()))):
            rig = await open_rig(known, 1, clock)
            try:
                errors.append(await _error(rig, emulated, known))
            finally:
                await close(rig)
    corrected, shown = (error / plan.loading.range for error in errors)
    print(f"{cell}: off by {corrected:.3%} of the range, as shown by {shown:.3%}")
    assert corrected < 0.001
    assert shown > 0.01


async def _error(rig: Rig, emulated: Emulation, plan) -> float:
    """Return the largest error of a sample [N] over three seconds of cycling."""
    loading, actuator = plan.loading, rig.actuator
    await actuator.pressure("high")
    await passed(rig, 1.0)
    stroke = (await actuator.status()).stroke
    await actuator.move_stroke(max(stroke, 3e-3), 5e-3)
    await passed(rig, 1.0)
    await actuator.move_load(loading.upper, 50e3)
    await passed(rig, 3.0)
    await actuator.move_load(loading.mean, 50e3)
    await passed(rig, 2.0)
    await actuator.cycle(loading.mean, loading.range / 2, loading.frequency, 2.0)
    await passed(rig, 4.0)
    found = np.concatenate(await passed(rig, 3.0), axis=1)
    off = np.abs(found[1] - true_load(emulated, found[0].astype(np.int64)))
    await actuator.end_cycling(2.0)
    await passed(rig, 2.5)
    await actuator.move_load(loading.lower, 50e3)
    await passed(rig, 2.0)
    await actuator.close_valve()
    await actuator.pressure("off")
    await passed(rig, 0.5)
    return float(off.max())
