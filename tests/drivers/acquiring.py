"""An acquisition over real pseudo-terminals, and what the test device measured meanwhile."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from itertools import pairwise

import numpy as np

from drivers.acquisition import FrameAcquisition
from rig.clock import SystemClock
from rig.samples import SampleBlock
from tests.drivers.sample_device import (
    RATE,
    StreamingDevice,
    channels_of,
    port_plan,
    sources,
    values_of,
)


@contextmanager
def plugged(device: StreamingDevice) -> Iterator[StreamingDevice]:
    try:
        yield device
    finally:
        device.close()


@asynccontextmanager
async def opened(
    path: str,
    *,
    reopen: bool = True,
    on_stop: Callable[[], object] | None = None,
    clock: SystemClock | None = None,
) -> AsyncIterator[FrameAcquisition]:
    """Give an open acquisition of one port."""
    plan = port_plan(path, reopen=reopen)
    acquisition = FrameAcquisition(
        {"samples": sources()},
        (plan,),
        channels_of(),
        RATE,
        clock or SystemClock(),
        on_stop=on_stop,
    )
    try:
        await acquisition.open()
        yield acquisition
    finally:
        await acquisition.close()


async def blocks(acquisition: FrameAcquisition, count: int, frames: int = 20) -> SampleBlock:
    """Read and keep blocks one after the other, and return them as one."""
    parts = []
    for _ in range(count):
        parts.append(await acquisition.read(frames))
        await acquisition.keep(frames)
    for before, after in pairwise(parts):
        assert after.first == before.end
    values = np.concatenate([part.values for part in parts], axis=1)
    return SampleBlock(parts[0].first, parts[0].rate, parts[0].channels, values)


def expected(
    block: SampleBlock, missing: Callable[[int], bool] = lambda _number: False
) -> np.ndarray:
    """Return what the test device measured in the frames of a block."""
    rows = [
        [np.nan] * len(block.channels) if missing(n) else values_of(n)[: len(block.channels)]
        for n in range(block.first, block.end)
    ]
    return np.array(rows, np.float32).T


def holes(number: int) -> bool:
    """Tell which frames get lost: one, three and thirty in each hundred."""
    return number % 100 in {5, 20, 21, 22, *range(50, 80)}


async def until(happened: Callable[[], object]) -> None:
    """Wait for what another thread does."""
    give_up = time.monotonic() + 20
    while not happened():
        assert time.monotonic() < give_up
        await asyncio.sleep(0.005)
