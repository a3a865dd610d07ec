"""The pump's switch: what the pump does not do is told and counts as no flow; nothing is raised.

A pump that is lost makes a dry test, not a dangerous one: only its schedule has to know.
"""

from __future__ import annotations

import math
from typing import Final, Protocol

from rig.errors import DeviceError
from rig.ports import Pump

OFF_AGAIN: Final = 10.0  # [s] between tries to switch off; common practice, no source
BY_HAND: Final = "close the water by hand"


class Told(Protocol):
    """Where the pump's troubles are written down: `Book`, as far as they need it."""

    def event(self, kind: str, text: str, /) -> None:
        """Write an event."""


class PumpSwitch:
    """Switches a pump, or none, at frames of `rate` [Hz]; never raises DeviceError.

    `off_due` is the frame at which switching off is to be tried again, None while the pump does
    as it was told. `seen_flow` [m3/s] (NaN before the first look since it was switched)
    and `tank` [m3] are what it told last.
    """

    def __init__(self, pump: Pump | None, book: Told, rate: float) -> None:
        self._pump = pump
        self._book = book
        self._rate = rate
        self.off_due: int | None = None
        self.seen_flow = math.nan
        self.tank: float | None = None

    async def set(self, now: int, *, on: bool) -> bool:
        """Switch the pump; return whether it did. That it does not go off is told once."""
        self.seen_flow = math.nan
        try:
            if self._pump is not None:
                await self._pump.set(on)
        except DeviceError as error:
            self._failed(now, error, on=on)
            return False
        if self.off_due is not None and not on:
            self._book.event("water", "the pump is off at last")
        self.off_due = None
        return True

    def _failed(self, now: int, error: DeviceError, *, on: bool) -> None:
        if on:
            self.off_due = None
            self._book.event("water", f"the pump does not switch on: {error}")
            return
        if self.off_due is None:
            self._book.event("water", f"the pump does not switch off: {error}; {BY_HAND}")
        self.off_due = now + round(OFF_AGAIN * self._rate)

    async def flow(self) -> float | None:
        """Return the flow [m3/s], None where nothing measures it.

        A pump that stands still gives none, meter or not, nor does one that does not answer.
        """
        if self._pump is None:
            return 0.0
        try:
            status = await self._pump.status()
        except DeviceError as error:
            self._book.event("water", f"the pump does not answer: {error}")
            self.seen_flow = math.nan
            return 0.0
        self.tank = status.tank
        flow = status.flow if status.on else 0.0
        self.seen_flow = math.nan if flow is None else flow
        return flow

    def finish(self) -> None:
        """Tell that the pump may still run when nobody tries any more."""
        if self.off_due is not None:
            self._book.event("water", f"the pump may still run; {BY_HAND}")
            self.off_due = None
