"""From a true excess to the emulated valve closed, and how far the rod travels after it.

The rod drives into the specimen at a speed until the load is beyond its limit; once the
controller has that limit itself, and once ours alone holds it. When the load was truly beyond,
when the valve closed and where the rod was then is the emulated machine's own account.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.assembly.devices import close, open_rig
from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.sentry import Sentry
from rig.guards.limits import LimitSetup
from rig.ports import ActuatorStatus, Rig
from rig.protocol.plan import Plan
from tests.assembly.nights import COMMAND, PROTOCOL, QUICKER, ROOT, eventually

LIMIT = (-2e3, 55e3)
"""The protocol's limits on load [N]: the emulated machine tells when the true load crosses them."""
FAR = (-20e3, 250e3)
REPEATS = int(os.environ.get("NIGHTRIG_REPEATS", "20"))
SPEEDS = {"10 mm/s": 0.010, "100 mm/s": 0.100}
"""The speed of a rig whose controller has no limits (practice), and that of the actuator."""
PATIENCE = 20.0
"""Longest time [s] for a motion: a rod that meets nothing never reaches the limit."""
BACK, DEEPEST = 0.0, 0.055
"""Strokes [m] out of contact, and far beyond it: each closed valve leaves contact deeper."""


@contextmanager
def emulated(folder: Path) -> Iterator[tuple[Plan, Path]]:
    """Run the emulated rig of a short test; yield its plan and the file of its truth."""
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    (folder / "protocol.toml").write_text(PROTOCOL.format(specimen=specimen, run_out=1000))
    rig = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text()
    for slow, quick in QUICKER.items():
        rig = rig.replace(slow, quick)
    (folder / "simulated.toml").write_text(rig)
    options = ["--rig", "simulated.toml", "--ports", "ports", "--out", "rig.toml"]
    child = subprocess.Popen(
        [*COMMAND, "devices", "--emulate", "protocol.toml", *options, "--truth", "truth.jsonl"],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        eventually((folder / "rig.toml").exists, "the emulated rig")
        yield load(str(folder / "protocol.toml"), str(folder / "rig.toml")), folder / "truth.jsonl"
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait()


async def accidents(plan: Plan, truth: Path, own: bool, speed: float) -> list[tuple[float, float]]:
    """Drive into the limit again and again; return times [s] and travels [m] after the excess."""
    clock = SystemClock()
    rig = await open_rig(plan, 1, clock)
    assert rig.post is not None
    sentry = Sentry(c.name for c in plan.rig.sampled)
    sentry.arm(LimitSetup(bounds={"load": LIMIT}, persist=3, rate=plan.rig.rate))
    rig.post.stand(sentry.glance)
    found = []
    try:
        async with asyncio.TaskGroup() as group:
            alive = group.create_task(_stay_alive(rig))
            await rig.actuator.write_limits({"load": LIMIT if own else FAR})
            for _ in range(REPEATS):
                found += [await _accident(rig, truth, speed)]
            alive.cancel()
    finally:
        rig.post.stand(None)
        await close(rig)
    return found


async def _stay_alive(rig: Rig) -> None:
    """Read the samples and feed the watchdog, as the conductor does."""
    while True:
        block = await rig.acquisition.read(20)
        await rig.acquisition.keep(block.frames)
        await rig.actuator.heartbeat()


async def _accident(rig: Rig, truth: Path, speed: float) -> tuple[float, float]:
    before = len(_lines(truth))
    await rig.actuator.pressure("high")
    await rig.actuator.move_stroke(DEEPEST, speed)
    await _until(rig, lambda status: status.mode == "off")
    await asyncio.sleep(0.2)  # the machine has told all
    rest = (await rig.actuator.status()).stroke
    told = _lines(truth)[before:]
    excess = next(t for t in told if (t["what"], t["value"]) == ("outside", "load"))
    closed = next(
        t
        for t in told
        if (t["what"], t["value"]) == ("valve", "closed") and t["frame"] >= excess["frame"]
    )
    await rig.actuator.pressure("high")
    await rig.actuator.move_stroke(BACK, 0.02)
    await _until(rig, lambda status: not status.moving)
    return closed["clock_s"] - excess["clock_s"], rest - excess["stroke_m"]


async def _until(rig: Rig, true: Callable[[ActuatorStatus], bool]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not true(await rig.actuator.status()):  # noqa: ASYNC110 - only the device knows
            await asyncio.sleep(0.02)


def _lines(truth: Path) -> list[dict[str, Any]]:
    text = truth.read_text("utf-8").splitlines(keepends=True)
    return [json.loads(line) for line in text if line.endswith("\n")]


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("whose", ["the controller's own", "ours alone"])
def test_travel_after_an_excess(benchmark: Any, tmp_path: Path, whose: str, speed: str) -> None:
    own = whose == "the controller's own"
    sys.setswitchinterval(0.0005)  # as the runner does

    def all_of_them() -> list[tuple[float, float]]:
        with emulated(tmp_path) as (plan, truth):
            return asyncio.run(accidents(plan, truth, own, SPEEDS[speed]))

    found = np.array(benchmark.pedantic(all_of_them, rounds=1))
    seconds, metres = found[:, 0] * 1e3, found[:, 1] * 1e3
    benchmark.extra_info.update(
        {
            "n": len(found),
            "closed_p50_ms": float(np.median(seconds)),
            "closed_worst_ms": float(seconds.max()),
            "travel_p50_mm": float(np.median(metres)),
            "travel_worst_mm": float(metres.max()),
        }
    )
