"""A driver for tests: that of `tryout`, which says at its end how its samples were fetched.

It writes into the file that TIMED names: frames that came, holes between blocks, and how late [s]
each block was taken, against the one taken soonest after its last frame existed; so too how late
the event loop came back to a timer that is due every 5 ms.
"""

from __future__ import annotations

import asyncio
import json
import os
import time
from dataclasses import replace
from pathlib import Path

import tryout

EVERY = 0.005
BEGIN = 1.0  # [s] after which the program has started up


class Timed:
    """An acquisition whose blocks are noted."""

    def __init__(self, acquisition, pace: float) -> None:
        self._inner = acquisition
        self._pace = pace
        self.taken: list[tuple[float, float]] = []
        self.frames = 0
        self.holes = 0
        self._next = None

    def __getattr__(self, name: str):
        return getattr(self._inner, name)

    async def read(self, frames: int):
        block = await self._inner.read(frames)
        self.taken.append((time.monotonic(), block.end / block.rate / self._pace))
        self.holes += self._next is not None and block.first != self._next
        self._next = block.end
        self.frames += block.frames
        return block


def late(taken: list[tuple[float, float]]) -> list[float]:
    settled = [t - device for t, device in taken if t - taken[0][0] > BEGIN]
    soonest = min(settled, default=0.0)
    return [each - soonest for each in settled]


def told(values: list[float]) -> dict[str, float]:
    ordered = sorted(values) or [0.0]
    return {
        "count": len(values),
        "p99": ordered[int(0.99 * (len(ordered) - 1))],
        "max": ordered[-1],
        "over_20_ms": sum(each > 0.02 for each in values),
    }


async def open_rig(plan, clock):
    rig = await tryout.open_rig(plan, clock)
    timed = Timed(rig.acquisition, tryout.told()["pace"])
    loop = asyncio.get_running_loop()
    timers: list[float] = []
    began = loop.time()

    def tick(due: float) -> None:
        now = loop.time()
        if now - began > BEGIN:
            timers.append(now - due)
        nonlocal timer
        timer = loop.call_at(now + EVERY, tick, now + EVERY)

    timer = loop.call_at(began + EVERY, tick, began + EVERY)
    ending = rig.closing

    async def close() -> None:
        timer.cancel()
        figures = {"frames": timed.frames, "holes": timed.holes, "loop": told(timers)}
        figures["blocks"] = told(late(timed.taken))
        Path(os.environ["TIMED"]).write_text(json.dumps(figures))
        if ending is not None:
            await ending()

    return replace(rig, acquisition=timed, closing=close)
