"""Virtual time: timers in their order, each at its own time, and no time for work in threads."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime, timedelta

import pytest

from rig.clock import VIRTUAL_EPOCH, VirtualClock


@pytest.mark.virtual
async def test_each_timer_fires_at_its_own_time_in_the_order_of_the_times():
    clock, woken = VirtualClock(), []

    async def wait(seconds: float) -> None:
        await clock.sleep(seconds)
        woken.append(clock.now() - begun)

    begun = clock.now()
    waits = [3600.005, 3600.001, 7.0, 3600.003, 1e-6]
    async with asyncio.TaskGroup() as group:
        for seconds in waits:
            group.create_task(wait(seconds))
    assert woken == pytest.approx(sorted(waits), abs=1e-8)


@pytest.mark.virtual
async def test_a_thread_takes_no_virtual_time_even_where_a_timer_waits():
    clock = VirtualClock()
    async with asyncio.TaskGroup() as group:
        group.create_task(clock.sleep(10.0))
        await asyncio.sleep(0)
        begun = clock.now()
        await asyncio.to_thread(time.sleep, 0.02)
        assert clock.now() == begun
    assert clock.now() == pytest.approx(begun + 10.0)


@pytest.mark.virtual
async def test_the_calendar_of_a_rehearsal_goes_by_its_seconds():
    clock = VirtualClock()
    assert clock.utc() == VIRTUAL_EPOCH + timedelta(seconds=clock.now())
    begun = clock.utc()
    await clock.sleep(13.5 * 3600)
    assert clock.utc() - begun == timedelta(hours=13.5)
    assert datetime(2001, 1, 1, 18, tzinfo=UTC) == VIRTUAL_EPOCH
