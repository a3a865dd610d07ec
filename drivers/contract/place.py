"""Where a driver is tried: the rig file, a clock, and an event loop that outlives each test."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import replace
from typing import Any, Final, TypeVar

from rig.assembly.devices import close, open_rig
from rig.clock import Clock, SystemClock, VirtualClock, VirtualLoop
from rig.errors import DeviceError
from rig.ports import Rig
from rig.protocol.plan import Plan, RigPlan

T = TypeVar("T")

OPENS_WITHIN: Final = 30.0
"""Time [s] in which a rig must be open."""
SIMULATED: Final = "simulated"
"""The driver inside the program: it needs no real time, so it is tried in virtual time."""


class Broken(AssertionError):
    """A promise that a driver does not keep, in a sentence."""


def promise(kept: bool, otherwise: str) -> None:
    """Raise Broken with a sentence unless a promise is kept."""
    if not kept:
        raise Broken(otherwise)


class Place:
    """One rig file, tried on one event loop from the first test to the last."""

    def __init__(self, plan: Plan) -> None:
        self.whole = plan
        self.virtual = plan.rig.driver == SIMULATED
        self.clock: Clock = VirtualClock() if self.virtual else SystemClock()
        self._runner = asyncio.Runner(loop_factory=VirtualLoop if self.virtual else None)

    @property
    def plan(self) -> RigPlan:
        """What the rig file says."""
        return self.whole.rig

    def run(self, trying: Coroutine[Any, Any, T]) -> T:
        """Run to the end what a test does; of several errors at once the first is raised."""
        try:
            return self._runner.run(trying)
        except BaseExceptionGroup as several:
            raise _first(several) from None

    def end(self) -> None:
        """End the event loop."""
        self._runner.close()

    async def open(self, plan: RigPlan | None = None) -> Rig:
        """Return the rig, or that of another plan, opened by its driver. Raises RigError."""
        whole = self.whole if plan is None else replace(self.whole, rig=plan)
        try:
            async with asyncio.timeout(OPENS_WITHIN):
                return await open_rig(whole, 1, self.clock)
        except TimeoutError:
            raise DeviceError(
                f'driver "{self.plan.driver}" has not opened the rig within {OPENS_WITHIN:.0f} s'
            ) from None

    async def close(self, rig: Rig) -> None:
        """Close a rig as the program does."""
        await close(rig)


def _first(several: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = several
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
