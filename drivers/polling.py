"""In which order the devices of a bus are asked, so that one that is silent starves no other.

Whatever is due longest is asked next. A device that does not answer costs the whole time for
which it is waited: so all inputs of the others are read before anything else then, and a device is
waited for no longer than these inputs may age.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final

from drivers.bus import GAP, Bus, Refused
from drivers.station import Held, Station
from rig.clock import Clock
from rig.errors import DeviceError

TURN: Final = 0.01
"""Time [s] a device takes to turn round, at the usual most. Common practice, no source."""
LEAST: Final = 0.03
"""A device is waited for at least so long [s], whatever the others need."""


class Poller:
    """Reads all points of the devices on one bus, over and over."""

    def __init__(
        self, bus: Bus, stations: Sequence[Station], clock: Clock, stale_after: float
    ) -> None:
        self.stations = tuple(station for station in stations if station.held)
        self._bus = bus
        self._clock = clock
        self._stale_after = stale_after

    def patience(self, station: Station) -> float:
        """Return how long [s] a device may be waited for now without others going stale."""
        most = self._bus.line.plan.answer_within
        others = [held for other, held in self._inputs() if other is not station]
        if not others:
            return most
        reserve = GAP + sum(self._bus.takes(held.group.characters) + TURN for held in others)
        age = self._clock.now() - min(held.asked for held in others)
        return min(most, max(LEAST, self._stale_after - age - reserve))

    async def run(self) -> None:
        """Ask one after the other until cancelled. A bus without points has nothing to do."""
        for station in self.stations:
            station.patience = partial(self.patience, station)
        while self.stations:
            due, station, held = self._next()
            wait = due - self._clock.now()
            if wait > 0:
                await self._clock.sleep(wait)
            await self._look(station, held)

    def _inputs(self) -> list[tuple[Station, Held]]:
        """Return the inputs of the devices that answer."""
        return [
            (station, held)
            for station in self.stations
            if station.answers
            for held in station.held
            if held.group.is_input
        ]

    def _next(self) -> tuple[float, Station, Held | None]:
        """Return what is due first: when, which device, which of its groups; None for a look."""
        left = [
            (held.asked, s, held) for s, held in self._inputs() if held.asked < self._bus.waited
        ]
        if left:
            return min(left, key=_first)
        due: list[tuple[float, Station, Held | None]] = [
            (held.due, station, held)
            for station in self.stations
            if station.answers
            for held in station.held
        ]
        due += [(station.again, station, None) for station in self.stations if not station.answers]
        return min(due, key=_first)

    async def _look(self, station: Station, held: Held | None) -> None:
        """Read a group, or look whether a device that did not answer is back."""
        try:
            if held is None:
                await station.come_back()
            else:
                await station.read(held)
        except Refused as error:
            station.refused(error, *(station.held if held is None else (held,)))
        except DeviceError:
            return  # the device itself remembers when it is to be asked again


def _first(one: tuple[float, Station, Held | None]) -> float:
    return one[0]
