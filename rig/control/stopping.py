"""Stopping: the first act, the way to rest, and what is kept of the time after it.

Every step is tried whatever became of the one before: a device that does not answer must not
keep the valve open, the pressure on or the pump running.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from rig.control.station import NOT_OFF, OFF_WITHIN, Station
from rig.control.stop_now import StopNow
from rig.control.zeros import ZERO_TIME, write_end
from rig.errors import DeviceError
from rig.judging.looking import Judge

AGAIN: Final = 1.0  # [s] between tries to close a valve whose controller does not answer


class Stopping:
    """The steps of a stop on one station. `run_down` lets a cyclic stage's amplitude fall."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._rig, self._stream, self._book = station.rig, station.stream, station.book
        self.lacking = False  # the valve did not close, or the pressure not go off
        self._said: set[str] = set()
        self.run_down: Callable[[bool], Awaitable[None]] | None = None

    async def stand_still(self) -> None:
        """Stop without a record: whatever happened here, the rig must not go on."""
        await self._try("the valve does not close", self._rig.actuator.close_valve())
        await self._try("the pressure stays on", self._station.set_pressure("off"))
        if self._rig.pump is not None:
            await self._try("the pump does not stop", self._rig.pump.set(False))
        await self._try("the horn does not end", self._station.horn(False))

    async def _try(self, failing: str, act: Awaitable[None]) -> bool:
        """Do one thing of a stop; a device that fails must not keep the others from it."""
        try:
            await act
        except Exception as error:  # noqa: BLE001 - a driver may raise anything; the next step must follow
            text = f"{failing}: {error}; use the emergency stop"
            if text not in self._said:  # it is tried over and over
                self._said.add(text)
                self._book.event("stop", text)
            return False
        return True

    async def first_act(self, valve_first: bool, *, standing: bool) -> bool:
        """Do what cannot wait; False when the valve was closed and nothing will move."""
        if not valve_first:
            try:
                if standing:
                    await self._station.horn(True)
                else:
                    await self._station.begin_fall()
                    if self._stream.pressed and not self._station.cycling:
                        # The pump on its slow bus comes next: the rod must not go on meanwhile.
                        await self._rig.actuator.hold()
                return True
            except DeviceError as error:
                self._book.event("stop", f"while stopping: {error}; valve closed")
        await self._valve_first()
        return False

    async def _valve_first(self) -> None:
        """Close the valve and take the pressure away."""
        shut = await self._try("the valve does not close", self._rig.actuator.close_valve())
        off = await self._try("the pressure stays on", self._station.set_pressure("off"))
        self.lacking = not (shut and off)

    async def controlled(self, *, ending: bool, standing: bool) -> bool:
        """Make the normal stop; whatever gets in its way closes the valve: then False.

        `ending` tells that a verdict has fallen: the cycles on the way are flagged after-end.
        """
        station = self._station
        try:
            if standing:
                await station.warned()
                await station.set_pressure("high")
            if station.cycling and self.run_down is not None:
                await self.run_down(ending)
            await station.normal_stop()
        except (StopNow, DeviceError) as again:
            await self._valve_first()
            self._book.event("stop", f"while stopping: {again}; valve closed")
            return False
        return True

    async def after(self, stopped: int, *, retracted: bool) -> None:
        """Keep the samples after the stop; nothing moves by command any more."""
        station = self._station
        self._stream.disarm()
        self._stream.inputs_matter = False
        try:
            after = station.plan.full_rate.after_stop
            if station.retracted is not None:
                after = max(after, ZERO_TIME)
            judge: Judge = station.averaged()
            while self.lacking and after > AGAIN:
                judge, after = await station.wait(AGAIN, judge), after - AGAIN
                await self._valve_first()
            judge = await station.wait(after, judge)
            write_end(station, judge)
        except (StopNow, DeviceError) as missing:
            self._book.event("stop", f"no samples after the stop: {missing}")
        if not retracted:
            await self._surely_off()
        await self._try("the horn does not end", station.horn(False))
        station.water.finish(self._stream.now)
        water = station.water.summary()
        if water:
            self._book.event("water", water)
        await self._book.around_stop(stopped)

    async def _surely_off(self) -> None:
        """See that the pressure is off; go on trying for a while where the controller is away.

        A cable that comes back in time finds somebody who takes the pressure away.
        """
        station, again = self._station, round(OFF_WITHIN / AGAIN)
        while self.lacking and again > 0:
            again -= 1
            try:
                await station.wait(AGAIN)
            except (StopNow, DeviceError):
                await asyncio.sleep(AGAIN)  # the samples came over the same hub
            await self._valve_first()
        try:
            await station.pressure_off()
        except (StopNow, DeviceError) as error:
            self._book.event("pressure", f"{NOT_OFF} ({error})")
