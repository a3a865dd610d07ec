"""A controller that was started anew under a test: its own count of cycles tells.

It lets go of the specimen at once, so that samples are often quicker than its word: a limit trips
on a load that falls, or the load is said to jump. Since power-on it has made no cycle.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rig.control.stop_now import StopNow
from rig.control.taken_up import Verdict
from rig.errors import DeviceError
from rig.ports import Actuator

CONTROLLER: Final = "device"
"""Cause of a stop by what a controller says of itself."""
DOUBT: Final = "feedback in doubt: "
"""How a stop begins of which it is known then why the load went as it did."""


class BegunAnew:
    """Whether a controller was started anew before a test was stopped, for what samples showed."""

    def __init__(self, actuator: Actuator) -> None:
        self._actuator = actuator
        self._counted = 0
        self._words = ""

    async def explained(self, stop: StopNow, counted: int | None = None) -> StopNow:
        """Ask the controller, once the rig is being stopped; return the stop with its true cause.

        `counted` is what its counter showed last before the stop. Only what samples stopped for is
        asked: anything else has named its cause. One that is away as it starts may answer later.
        A limit stays one: its evidence is yet to be looked at.
        """
        self._counted = self._counted or counted or 0
        asks = stop.trip is not None or stop.cause == "feedback"
        if asks and self._counted and not self._words and await self._count() == 0:
            self._words = (
                "the controller has been started anew or lost its supply: it counts 0 cycles "
                f"since power-on, and counted {self._counted:,} before"
            )
        if not self._words or stop.outcome != "fault" or stop.cause == CONTROLLER:
            return stop
        why = f"{self._words}; {stop.why.removeprefix(DOUBT)}"
        return StopNow(CONTROLLER, "fault", why, stop.cycles, stop.trip)

    async def _count(self) -> int | None:
        """Return what its counter shows, None where it does not answer."""
        try:
            return (await self._actuator.status()).counter
        except DeviceError:
            return None

    def of_limit(self, named: Verdict, text: str) -> Verdict:
        """Return the verdict after a limit tripped, by its `text`; a failure stays one."""
        if not self._words or named.outcome == "failure":
            return named
        return replace(named, outcome="fault", why=f"{self._words}; {text}", cause=CONTROLLER)
