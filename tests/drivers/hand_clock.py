"""A clock for drivers over real ports: the waits of a driver take no time, answers take theirs."""

from __future__ import annotations

import asyncio

from rig.clock import SystemClock


class StandingClock(SystemClock):
    """It only goes on where it is waited for, or moved by hand."""

    def __init__(self) -> None:
        self._now = 1000.0

    def now(self) -> float:
        return self._now

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(0)
        self._now += seconds

    def jump(self, seconds: float) -> None:
        self._now += seconds
