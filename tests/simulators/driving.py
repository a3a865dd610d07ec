"""Driving a simulated rig through its ports, for the tests of its rooms."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from rig.channels import Channel
from rig.clock import Clock
from rig.ports import ActuatorRange, Rig
from rig.protocol.load import load_specimen
from simulators.rig import simulated_rig
from simulators.setup import SimulationSetup, SpecimenTruth
from simulators.wear_tables import WearTables, wear_tables

TRUTH = SpecimenTruth(
    stiffness=60e6,
    cracked_stiffness=20e6,
    decompression_load=40e3,
    cracking_load=55e3,
    yield_load=115e3,
    ultimate_load=130e3,
    ultimate_deflection=12e-3,
    span=1.2,
)
UPPER = 0.7 * TRUTH.ultimate_load
LOWER = 0.1 * UPPER
MEAN, AMPLITUDE = (UPPER + LOWER) / 2, (UPPER - LOWER) / 2
CHANNELS = (
    Channel("load", "N", 2.0, -20e3, 250e3, 20.0),
    Channel("midspan", "m", 1e-7, -5e-3, 60e-3, 2e-7),
    Channel("support_left", "m", 1e-7, -5e-3, 60e-3, 2e-7),
)
QUIET = (
    Channel("load", "N", 0.0, -20e3, 250e3),
    Channel("deflection", "m", 0.0, -5e-3, 60e-3),
    Channel("stroke", "m", 0.0, -0.1, 0.1),
    Channel("support_left", "m", 0.0, -5e-3, 60e-3),
)
SLOW = tuple(Channel(n, u, 0.0, 0, 1e9, slow=True) for n, u in (("flow", "m3/s"), ("tank", "m3")))


@cache
def tables() -> WearTables:
    """Return how cycles between these loads wear the shipped small prism."""
    path = resources.files("protocols") / "specimens" / "prism-small.toml"
    text = path.read_text(encoding="utf-8")
    return wear_tables(load_specimen("prism-small.toml", lambda _path: text), LOWER, UPPER)


def setup(**changes: Any) -> SimulationSetup:
    """Return a small quick rig; lives of a few thousand cycles."""
    values: dict[str, Any] = {
        "rate": 200.0,
        "channels": QUIET,
        "actuator": ActuatorRange(-5e3, 200e3, -0.05, 0.08, 0.1, 10.0),
        "truth": TRUTH,
        "upper_load": UPPER,
        "servo_bandwidth": 18.0,
        "tables": tables(),
        "life_dry": 40e6,
        "life_scale": 1e-4,
    }
    return SimulationSetup(**{**values, **changes})


class HandClock:
    """A clock moved by hand: `sleep` takes no time at all, `jump` moves it while nobody waits."""

    def __init__(self) -> None:
        self._now = 1000.0

    def now(self) -> float:
        return self._now

    def utc(self) -> datetime:
        return datetime(2001, 1, 1, tzinfo=UTC) + timedelta(seconds=self._now)

    async def sleep(self, seconds: float) -> None:
        self._now += seconds

    def jump(self, seconds: float) -> None:
        self._now += seconds


def drive(
    made: SimulationSetup,
    job: Callable[[Rig], Awaitable[Any]],
    seed: int = 1,
    pace: Clock | None = None,
) -> Any:
    """Run a job on a rig, paced if there is a clock to pace it, and end its noise thread."""

    async def run() -> Any:
        rig = simulated_rig(made, seed, pace, paced=pace is not None)
        try:
            return await job(rig)
        finally:
            await rig.acquisition.close()  # type: ignore[attr-defined]

    return asyncio.run(run())


async def take(rig: Rig, frames: int, block: int = 1000, feed: bool = True) -> np.ndarray:
    """Keep so many frames; return them."""
    parts = []
    while frames:
        got = await rig.acquisition.read(min(block, frames))
        parts.append(got.values.copy())
        await rig.acquisition.keep(got.frames)
        frames -= got.frames
        if feed:
            await rig.actuator.heartbeat()
    return np.concatenate(parts, axis=1)


async def finish(rig: Rig, block: int = 5000) -> np.ndarray:
    """Keep frames until nothing moves."""
    parts = []
    while (await rig.actuator.status()).moving:
        parts.append(await take(rig, block, block))
    return np.concatenate(parts, axis=1)


async def contact(rig: Rig, block: int = 5000) -> None:
    """Pressure on, down to a load of about 2 kN, then load control."""
    await rig.actuator.pressure("high")
    await rig.actuator.move_stroke(2.08e-3, 1e-3)
    await finish(rig, block)
    await rig.actuator.move_load(2e3, 1e3)
    await finish(rig, block)


async def fatigue(rig: Rig, over: float = 2.0, frequency: float = 4.0, block: int = 5000) -> None:
    """Crack the specimen once and begin to cycle."""
    await contact(rig, block)
    await rig.actuator.move_load(UPPER, 20e3)
    await finish(rig, block)
    await rig.actuator.move_load(MEAN, 20e3)
    await finish(rig, block)
    await rig.actuator.cycle(MEAN, AMPLITUDE, frequency, over)


Script = list[tuple[int, Callable[[Rig], Awaitable[None]]]]


async def play(rig: Rig, todo: Script, cuts: list[tuple[int, int]], total: int) -> np.ndarray:
    """Play commands by frame; blocks of `read` frames of which `keep` are kept, over and over."""
    parts, at, turn, todo = [], 0, 0, list(todo)
    begin = None
    while at < total:
        while todo and todo[0][0] == at:
            await todo.pop(0)[1](rig)
        read, keep = cuts[turn % len(cuts)]
        turn += 1
        block = await rig.acquisition.read(read)
        begin = block.first if begin is None else begin
        assert block.first == begin + at
        bound = todo[0][0] if todo else total
        kept = min(keep, block.frames, bound - at)
        parts.append(block.values[:, :kept].copy())
        await rig.acquisition.keep(kept)
        await rig.actuator.heartbeat()
        at += kept
    return np.concatenate(parts, axis=1)
