"""What the samples say while a test goes on."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from drivers.contract.place import Broken, promise
from rig.clock import Clock
from rig.ports import Rig
from rig.samples import FloatArray, SampleBlock

BLOCK: Final = 0.02
"""Length of a block [s], as a live test reads them."""
SILENT: Final = 1.0
"""Longest time [s] without a sample."""
BEAT: Final = 0.1
KEPT: Final = 4.0
"""How much of the samples [s] can be looked back at."""
LONGEST: Final = 60.0
"""How long [s] samples that nobody reads must be kept."""


class Watch:
    """The newest samples of a rig that is read all the while; `beating` sends heartbeats."""

    def __init__(self, rig: Rig, clock: Clock) -> None:
        self._rig = rig
        self._clock = clock
        self._rate = rig.acquisition.rate
        self._tick = max(round(self._rate * BLOCK), 1)
        self._blocks: deque[SampleBlock] = deque(maxlen=max(round(KEPT / BLOCK), 1))
        self._beat = -BEAT
        self.beating = True
        self.over = False

    @property
    def channels(self) -> tuple[str, ...]:
        """The sampled channels."""
        return self._blocks[-1].channels

    async def catch_up(self) -> None:
        """Read what has waited, until the samples are those of now."""
        for _ in range(round(LONGEST / BLOCK) + 1):
            began = self._clock.now()
            await self._read()
            if self._clock.now() - began > BLOCK / 4:
                return

    async def follow(self) -> None:
        """Read until it is over."""
        while not self.over:
            await self._read()
            if self.beating and self._clock.now() - self._beat >= BEAT:
                self._beat = self._clock.now()
                await self._rig.actuator.heartbeat()

    async def fresh(self) -> None:
        """Wait for samples that were taken from now on."""
        end = self._blocks[-1].end
        await self.until(
            lambda: self._blocks[-1].end >= end + 2 * self._tick, SILENT, "no sample has come"
        )

    def value(self, channel: str) -> float:
        """Return the mean of a channel [SI] in the last block, NaN where it has no value."""
        row = self._blocks[-1].of(channel)
        finite = row[np.isfinite(row)]
        return float(finite.mean()) if len(finite) else float("nan")

    def last(self, channel: str, seconds: float) -> FloatArray:
        """Return a channel's values [SI] of the last time [s], those that are missing left out."""
        blocks = list(self._blocks)[-max(round(seconds / BLOCK), 1) :]
        row = np.concatenate([block.of(channel) for block in blocks]).astype(np.float64)
        return row[np.isfinite(row)]

    async def until(self, claim: Callable[[], bool], within: float, otherwise: str) -> None:
        """Wait until the samples show something; raises Broken after `within` [s]."""
        began = self._clock.now()
        while not claim():
            promise(self._clock.now() - began < within, f"{otherwise} within {within:g} s")
            await self._clock.sleep(BLOCK / 2)

    async def _read(self) -> None:
        try:
            async with asyncio.timeout(SILENT):
                block = await self._rig.acquisition.read(self._tick)
        except TimeoutError:
            raise Broken(f"no sample has come for {SILENT:g} s") from None
        await self._rig.acquisition.keep(block.frames)
        # A driver may use the memory of a block again.
        self._blocks.append(replace(block, values=block.values.copy()))
