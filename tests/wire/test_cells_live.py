"""A load cell that fails in the loop of an emulated rig: the valve closes as its samples arrive."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from rig.assembly.devices import close, open_rig
from rig.assembly.emulation import emulated_setup
from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.sentry import Sentry
from rig.guards.limits import LimitSetup
from rig.judging.arming import feedback_setup
from rig.ports import Rig
from rig.protocol.plan import Plan
from simulators.faults import Foreign, InLoop, Scaled, SensorFault
from simulators.wire.emulation import emulation, framings
from simulators.wire.rig_text import rig_text
from tests.control.cell_faults import EVER, plans

TICK = 20
AT = 9_000
"""Frame of the device at which the cell fails; by then it holds the load."""
HELD = 40e3
CELLS: dict[str, SensorFault] = {
    "wrong sign": Scaled("load", AT, EVER, -1.0),
    "another frame's": Foreign("load", AT, EVER, 10e3, 5e3, 2.0),
}


async def held(rig: Rig) -> None:
    """Bring the specimen to the load that is held, reading on as the conductor does."""
    actuator = rig.actuator
    await actuator.pressure("high")
    await passed(rig, 0.5)
    await actuator.move_stroke(2.3e-3, 5e-3)
    await passed(rig, 1.0)
    await actuator.move_load(HELD, 50e3)
    await passed(rig, 1.5)


async def passed(rig: Rig, seconds: float) -> None:
    for _ in range(round(seconds * rig.acquisition.rate / TICK)):
        block = await rig.acquisition.read(TICK)
        await rig.acquisition.keep(block.frames)
        await rig.actuator.heartbeat()


def armed(plan: Plan) -> Sentry:
    """Return a sentry that knows of the load what the conductor's would."""
    known = feedback_setup(plan, plan.rig.rate)
    sentry = Sentry(c.name for c in plan.rig.sampled)
    wide = {"load": (-200e3, 250e3)}
    sentry.arm(LimitSetup(wide, plan.rig.rate, 3, ends=known.ends, apart=known.apart))
    return sentry


@pytest.mark.endurance
@pytest.mark.parametrize(
    "cell",
    [
        pytest.param(cell, marks=[pytest.mark.endurance] if more else [])
        for more, cell in enumerate(CELLS)
    ],
)
async def test_a_cell_that_fails_in_the_loop_closes_the_valve_before_a_block_is_whole(
    tmp_path: Path, cell: str
) -> None:
    plan = plans(tmp_path)[True]
    clock, told = SystemClock(), []
    setup = replace(emulated_setup(plan), faults=(InLoop(CELLS[cell]),))
    set_as = framings(setup.rate, len(plan.rig.sampled))
    async with emulation(setup, 1, clock, tmp_path, tell=told.append) as emulated:
        (tmp_path / "wire.toml").write_text(rig_text(plan.rig, emulated.paths, set_as), "utf-8")
        wired = load(str(tmp_path / "p.toml"), str(tmp_path / "wire.toml"))
        rig = await open_rig(wired, 1, clock)
        try:
            await held(rig)
            stood = (await rig.actuator.status()).stroke
            sentry = armed(wired)
            assert rig.post is not None
            rig.post.stand(sentry.glance)
            assert emulated.machine.frame < AT
            # Nobody reads, nobody asks: the thread that brings the samples closes the valve.
            while emulated.machine.frame < AT + 400:
                emulated.machine.arrive()
                await rig.actuator.heartbeat()
                await asyncio.sleep(0.01)
            left = (await rig.actuator.status()).stroke
        finally:
            rig.post.stand(None)
            await close(rig)
    shut = [t for t in told if (t["what"], t["value"]) == ("valve", "closed")]
    closed = next(t for t in shut if t["frame"] >= AT)
    pushed = closed["stroke_m"] - stood
    late = closed["frame"] - AT
    print(f"{cell}: valve closed {late} ms after the fault, the rod {pushed * 1e3:+.2f} mm on")
    assert sentry.seen is not None
    assert sentry.seen.trip is not None
    assert (sentry.seen.trip.kind, sentry.seen.trip.frame) == ("feedback", AT + 2)
    assert 2 <= late < 400
    assert abs(pushed) <= plan.rig.actuator.speed * late / plan.rig.rate
    assert left == pytest.approx(closed["stroke_m"], abs=1e-6)
