"""A driver for tests: simulated devices that need not answer as emulated.

It is copied into a folder as a distribution of its own and found there by its entry point. What
the people at its rig do is read from the JSON file that TRYOUT names: "emulated", "pace" (device
seconds in one real second), "button", "guard", "fail" (false, "raises" or "nonsense"), "slow" (it
opens only once this is false).
"""

from __future__ import annotations

import asyncio
import functools
import json
import os
import time
from dataclasses import replace
from pathlib import Path

from rig.assembly import simulation_setup
from rig.ports import InputState, Rig
from rig.protocol.load import load_plan
from simulators.rig import simulated_rig

FILE = Path(os.environ["TRYOUT"])


def told() -> dict:
    """Return what the file says now; it is read only where it has been written anew."""
    found = FILE.stat()
    return _read(found.st_ino, found.st_mtime_ns, found.st_size)


@functools.lru_cache(maxsize=1)
def _read(*_state: int) -> dict:
    return json.loads(FILE.read_text(encoding="utf-8"))


class FastClock:
    """Device time at a pace of its own."""

    def __init__(self, clock, pace: float) -> None:
        self._clock = clock
        self._pace = pace

    def now(self) -> float:
        return time.monotonic() * self._pace

    def utc(self):
        return self._clock.utc()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._pace)


class FileInputs:
    """Inputs as the file has them."""

    async def read(self) -> InputState:
        state = told()
        if state["fail"] == "raises":
            raise RuntimeError("the driver of the tests fails")
        if state["fail"]:  # what no driver may answer, so that the program itself stumbles on it
            return InputState(oil_temperature="nonsense")
        return InputState(guard_open=state["guard"], local_button=state["button"])


async def open_rig(plan, clock) -> Rig:
    """Open the rig of the files that the tests wrote beside TRYOUT."""
    state = told()
    while told()["slow"]:  # noqa: ASYNC110 - another process makes it so
        await asyncio.sleep(0.02)
    whole = load_plan(state["protocol"], state["rig"], lambda path: Path(path).read_text("utf-8"))
    assert whole.rig == plan
    # The watchdog watches a program that lives in real time.
    setup = replace(simulation_setup(whole), watchdog=0.5 * state["pace"])
    rig = simulated_rig(setup, 1, FastClock(clock, state["pace"]), paced=True)
    return replace(rig, inputs=FileInputs(), emulated=state["emulated"])
