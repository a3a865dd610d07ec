"""Closing a rig that was at work."""

from __future__ import annotations

import asyncio
from typing import Final

from drivers.contract.bench import Bench
from drivers.contract.place import promise
from drivers.contract.traces import nothing_left
from rig.errors import DeviceError

ENDS_WITHIN: Final = 3.0
"""Time [s] in which whoever waits for samples must know that none come."""


async def test_a_rig_at_work_closes(bench: Bench) -> None:
    """Closing leaves nothing behind after work either, and lets nobody wait for ever."""
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(_until_closed(bench))
        await bench.pause(0.1)
        await bench.end()
        done, _ = await asyncio.wait([reading], timeout=ENDS_WITHIN)
        reading.cancel()
    promise(bool(done), "whoever waits for samples while the rig is closed waits for ever")
    await bench.place.close(bench.rig)  # twice does no harm
    await nothing_left(bench.before)


async def _until_closed(bench: Bench) -> None:
    """Wait for samples; being told that none come any more is as good as being given them."""
    frames = max(round(bench.plan.rate), 1)
    try:
        await bench.rig.acquisition.read(frames)
    except DeviceError:
        return
