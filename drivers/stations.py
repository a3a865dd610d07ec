"""The Modbus devices of a rig: pump, inputs, horn and slow values, on one bus or several."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping
from statistics import median
from typing import Final

from drivers.bus import Bus, Line
from drivers.lines import SerialLine
from drivers.points import point_of
from drivers.polling import Poller
from drivers.station import Held, Station
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import Horn, Inputs, InputState, LineReport, Pump, PumpStatus, Switch
from rig.protocol.wire import ROLES, Port, Wire

STALE_PERIODS: Final = 3.0
"""Periods after which a slow value that does not come again is none."""
LOOK_EVERY: Final = 0.01
"""Time [s] between two looks whether the inputs have been read for the first time."""
EMULATED: Final = "emulated"
"""What the product's name of a device contains that is none."""

_CONTACTS: Final = (
    "emergency_stop",
    "guard_open",
    "leak",
    "oil_pressure_low",
    "mains_lost",
    "local_button",
)


class ModbusDevices:
    """All devices on the buses of a rig file.

    `open` makes sure that all are there, `run` reads them until it is cancelled, `close` ends
    threads and ports and switches nothing: a device's watchdog lets go of its outputs. With
    `asks_only` nothing is written, not even a watchdog's time, and what is missing is only told
    by `report`. `new_line` makes the line of a port.
    """

    pump: Pump | None
    inputs: Inputs
    horn: Horn | None
    shunt: Switch | None

    def __init__(
        self,
        wire: Wire,
        clock: Clock,
        *,
        asks_only: bool = False,
        new_line: Callable[[Port, Clock], Line] = SerialLine,
    ) -> None:
        self._clock = clock
        self._stale_after = wire.stale_after
        self._asks_only = asks_only
        self._told: list[str] = []
        self._counted: dict[str, tuple[int, int]] = {}  # replies missing and bad, as told last
        names = dict.fromkeys(device.port for device in wire.modbus)
        self._buses = {name: Bus(new_line(wire.port(name), clock), clock) for name in names}
        self._stations = tuple(
            Station(device, self._buses[device.port], clock, self._told.append, asks_only=asks_only)
            for device in wire.modbus
        )
        self._missing: dict[str, str] = {}
        self._opened = math.inf
        self._oldest: dict[str, float] = {}
        self._contacts = self.held(*_CONTACTS)
        self.pump = _Pump(self) if self.holds("pump") else None
        self.horn = _Output(self, "horn") if self.holds("horn") else None
        self.shunt = _Output(self, "shunt") if self.holds("shunt") else None
        self.inputs = _Inputs(self)

    @property
    def emulated(self) -> bool:
        """Whether every device said that it is emulated, on a pseudo-terminal."""
        return all(
            station.bus.line.is_terminal and EMULATED in station.product
            for station in self._stations
        )

    async def open(self) -> None:
        """Open the ports, find every device, read everything once.

        Raises DeviceError with one line for each that is missing.
        """
        for name, bus in self._buses.items():
            try:
                bus.open()
            except DeviceError as error:
                self._missing[name] = str(error)
        problems = list(self._missing.values())
        for station in self._stations:
            if station.device.port in self._missing:
                continue
            try:
                await station.start()
            except DeviceError as error:
                problems.append(str(error))
        if problems and not self._asks_only:
            await self.close()
            raise DeviceError("\n".join(problems))
        self._opened = self._clock.now()

    async def run(self) -> None:
        """Read all devices over and over, until cancelled."""
        async with asyncio.TaskGroup() as group:
            for name, bus in self._buses.items():
                if name not in self._missing:
                    on_it = [s for s in self._stations if s.bus is bus]
                    poller = Poller(bus, on_it, self._clock, self._stale_after)
                    group.create_task(poller.run())

    async def close(self) -> None:
        """End threads and ports; safe to call twice."""
        for bus in self._buses.values():
            bus.close()

    def slow(self) -> dict[str, float]:
        """Return the slow values [SI], NaN for one that is out of its limits or too old."""
        values: dict[str, float] = {}
        for station in self._stations:
            port = station.device.port
            for held in station.held:
                slow = [p.what for p in held.group.points if p.what not in ROLES]
                values |= {what: self.value(held, what) for what in slow}
                if slow and self._lasts(held):
                    age = self._clock.now() - held.asked
                    self._oldest[port] = max(age, self._oldest.get(port, 0.0))
        return values

    def report(self) -> tuple[LineReport, ...]:
        """Return what is known of each bus. `skew` is the age of the oldest slow value given."""
        return tuple(self._reported(name, bus) for name, bus in self._buses.items())

    def told(self) -> tuple[str, ...]:
        """Return what has happened since this was asked last."""
        told = [*self._told]
        self._told.clear()
        for name, bus in self._buses.items():
            counts = (bus.counts.dropped, bus.counts.bad)
            before = self._counted.get(name, (0, 0))
            missing, bad = (n - was for n, was in zip(counts, before, strict=True))
            if missing or bad:
                told.append(
                    f'port "{name}" ({bus.line.plan.path}): replies: {missing} did not come, '
                    f"{bad} did not fit"
                )
            self._counted[name] = counts
        return tuple(told)

    # What pump, inputs and horn stand on.

    def holds(self, what: str) -> bool:
        """Return whether a device has a point of this kind."""
        return any(point_of(station.device, what) for station in self._stations)

    def with_point(self, what: str) -> Station:
        """Return the device that has a point. Raises StopIteration where none has."""
        return next(s for s in self._stations if point_of(s.device, what))

    def held(self, *names: str) -> list[tuple[Station, Held]]:
        """Return the groups that hold one of several points, each once."""
        return [
            (station, held)
            for station in self._stations
            for held in station.held
            if any(point.what in names for point in held.group.points)
        ]

    def value(self, held: Held, what: str) -> float:
        """Return a slow value [SI], NaN where it is none or too old."""
        return held.said[what].value if self._lasts(held) else math.nan

    def fresh_contacts(self) -> Mapping[str, bool]:
        """Return all contacts. Raises DeviceError where one is older than `stale_after`."""
        now = self._clock.now()
        contacts: dict[str, bool] = {}
        for station, held in self._contacts:
            age = now - held.asked
            if age > self._stale_after:
                raise DeviceError(self._stale(station, held, age))
            contacts |= {w: bool(r.value) for w, r in held.said.items() if w in _CONTACTS}
        return contacts

    async def first_look(self) -> None:
        """Wait until the inputs have been read since all was opened, as long as they may age.

        Other devices may have taken their time to open meanwhile.
        """
        until = self._clock.now() + self._stale_after
        while any(held.asked <= self._opened for _, held in self._contacts):
            if self._clock.now() >= until:
                return
            await self._clock.sleep(LOOK_EVERY)

    def _lasts(self, held: Held) -> bool:
        most = max(self._stale_after, STALE_PERIODS * held.group.every)
        return self._clock.now() - held.asked <= most

    def _stale(self, station: Station, held: Held, age: float) -> str:
        since = f"for {1e3 * age:.0f} ms" if math.isfinite(age) else "yet"
        why = station.trouble or "the bus is too slow for what is on it"
        # Why comes first: it is what the top line of a screen has room for.
        return (
            f'{why}: inputs of "{station.device.name}" not heard {since}, allowed are '
            f"{1e3 * self._stale_after:.0f} ms"
        )

    def _reported(self, name: str, bus: Bus) -> LineReport:
        stations = [station for station in self._stations if station.bus is bus]
        counts, trips = bus.counts, bus.counts.trips
        trouble = self._missing.get(name) or bus.line.trouble
        trouble = trouble or "; ".join(s.trouble for s in stations if s.trouble)
        return LineReport(
            port=name,
            path=bus.line.plan.path,
            kind="Modbus RTU",
            who=", ".join(station.who for station in stations if station.who),
            good=counts.good,
            bad=counts.bad,
            dropped=counts.dropped,
            round_trip=(median(trips), counts.longest) if trips else None,
            skew=self._oldest.get(name),
            trouble=trouble,
            remedy="" if self._missing.get(name) else _remedy(bus, trouble),
        )


class _Pump:
    def __init__(self, devices: ModbusDevices) -> None:
        self._devices = devices
        self._station = devices.with_point("pump")

    async def set(self, on: bool) -> None:
        """Switch the pump and read its coil back."""
        await _switch(self._station, "pump", on)

    async def status(self) -> PumpStatus:
        """Ask whether it runs, and for flow and tank; NaN for a value out of its limits."""
        said: dict[str, float] = {}
        for station, held in self._devices.held("pump_running", "flow", "tank"):
            await station.read_now(held)
            said |= {what: reading.value for what, reading in held.said.items()}
        running = said.get("pump_running")
        if running is None:
            point = point_of(self._station.device, "pump")
            running = point is not None and await self._station.is_on(point)
        return PumpStatus(bool(running), said.get("flow"), said.get("tank"))


class _Output:
    def __init__(self, devices: ModbusDevices, what: str) -> None:
        self._station = devices.with_point(what)
        self._what = what

    async def set(self, on: bool) -> None:
        """Switch it and read its coil back."""
        await _switch(self._station, self._what, on)


class _Inputs:
    def __init__(self, devices: ModbusDevices) -> None:
        self._devices = devices
        self._oil = [held for _, held in devices.held("temperature_oil")]

    async def read(self) -> InputState:
        """Return what was read last; raises DeviceError where that is too old."""
        await self._devices.first_look()
        contacts = self._devices.fresh_contacts()
        values = (self._devices.value(held, "temperature_oil") for held in self._oil)
        oil = next((value for value in values if not math.isnan(value)), None)
        return InputState(**contacts, oil_temperature=oil)


async def _switch(station: Station, what: str, on: bool) -> None:
    point = point_of(station.device, what)
    if point is not None:
        await station.switch(point, on)


def _remedy(bus: Bus, trouble: str) -> str:
    """Return what to try, "" where nothing is wrong."""
    if not trouble:
        return ""
    plan = bus.line.plan
    if bus.line.trouble:
        return "look at the plug"
    if bus.counts.good:
        return "look at its supply, its address and its wires"
    if bus.line.traffic.received:
        speed = f"{plan.baud} baud, parity {plan.parity}"
        return f"bytes come but none fit: {speed} in the rig file; are they the devices'?"
    return "nothing comes: are the devices switched on, are A and B of the bus crossed?"
