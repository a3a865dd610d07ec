"""All devices of an emulated rig, on one machine with one clock, at the ends of their lines."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.clock import Clock
from rig.errors import InputError
from rig.ports import Inputs
from simulators.actuator import SimulatedActuator
from simulators.devices import SimulatedHorn, SimulatedInputs, SimulatedPump
from simulators.sensors import slow_readings
from simulators.setup import SimulationSetup
from simulators.state import World
from simulators.wire.bus import ModbusBus, WatchedStation
from simulators.wire.controller import controller
from simulators.wire.instrument import thermometer
from simulators.wire.panel import PanelInputs, panel_open
from simulators.wire.rig_text import SERVED
from simulators.wire.samples import SampleDevice, Shunt
from simulators.wire.stations import Cabinet, WaterStation
from simulators.wire.terminal import Device, Terminal
from simulators.wire.troubled import TroubledLine, disturb
from simulators.wire.troubles import Script
from simulators.wire.truth import Tell, WatchedMachine, nobody
from simulators.wire.uart import Framing

PORTS: Final = ("servo", "samples", "bus", "thermometer")
"""Names of the ports, of their links, and of the ports in the rig file."""

_SERVO: Final = Framing(115200)
_BUS: Final = Framing(19200, "none", 2)
"""Two stop bits in place of parity, as the guide of Modbus over serial line allows (V1.02, 2.5.1).

A pseudo-terminal has no parity: newer systems refuse to open one a second time with it.
"""
_THERMOMETER: Final = Framing(9600)
_SAMPLE_SPEEDS: Final = (921600, 2_000_000, 4_000_000)
_SAMPLE_SHARE: Final = 0.8
"""Share of the line's bytes that samples may need."""


@dataclass(frozen=True, slots=True)
class Emulation:
    """A rig that runs: its machine, its ports by name, and the devices at them."""

    machine: WatchedMachine
    terminals: Mapping[str, Terminal]
    devices: Mapping[str, Device]

    @property
    def paths(self) -> dict[str, str]:
        """What a host opens, by port."""
        return {name: terminal.path for name, terminal in self.terminals.items()}


def framings(rate: float, sampled: int) -> dict[str, Framing]:
    """Return how each port is set, for a rig with so many sampled channels at a rate [Hz].

    Raises InputError where no line is quick enough.
    """
    samples = Framing(_SAMPLE_SPEEDS[0])
    # A frame is 13 bytes and 4 a channel, at most one more for each 254, and its end.
    frame = 13 + 4 * sampled
    wanted = rate * (frame + frame // 254 + 2) * samples.bits / _SAMPLE_SHARE
    for speed in _SAMPLE_SPEEDS:
        if wanted <= speed:
            return {
                "servo": _SERVO,
                "samples": Framing(speed),
                "bus": _BUS,
                "thermometer": _THERMOMETER,
            }
    raise InputError(
        f"{sampled} sampled channels at {rate:g} Hz do not fit the emulated line of "
        f"{_SAMPLE_SPEEDS[-1]} baud; give the simulated rig fewer channels or a lower rate"
    )


@asynccontextmanager
async def emulation(
    setup: SimulationSetup,
    seed: int,
    clock: Clock,
    folder: Path,
    *,
    tell: Tell = nobody,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    trouble: Script | None = None,
    panel: Path | None = None,
    shunts: Mapping[str, float] | None = None,
) -> AsyncIterator[Emulation]:
    """Run the devices of a simulated rig behind ports linked in a folder, until the block ends.

    It begins at power-on: unloaded, pressure off, samples flowing. `tell` is called with all that
    happens, as `simulators.wire.truth` says, and with crossings of `bounds` by channel [SI].
    `trouble` is what happens on the lines. At the socket `panel` the rig's inputs are operated, as
    `simulators.wire.panel` says; `shunts` are what channels show more with their shunt resistor on
    [SI]. Raises InputError, and OSError where no port or socket can be made.
    """
    machine = WatchedMachine(World(setup, seed), seed, clock, tell, bounds)
    sampled = sum(not channel.slow for channel in setup.channels)
    set_as = framings(setup.rate, sampled)
    terminals: dict[str, Terminal] = {}
    troubled: tuple[TroubledLine, ...] = ()
    try:
        for name in PORTS:
            whole = name == "bus"
            terminals[name] = Terminal(set_as[name], clock, folder / name, whole=whole)
        inputs = PanelInputs(SimulatedInputs(machine), machine)
        devices = _devices(machine, terminals, clock, inputs, Shunt(shunts or {}))
        for name, device in devices.items():
            terminals[name].on_bytes = device.take
        if trouble is not None:
            troubled = disturb(trouble, terminals, clock)
        async with panel_open(panel, inputs), _running(devices.values()):
            yield Emulation(machine, terminals, devices)
    finally:
        for line in troubled:
            line.close()
        for terminal in terminals.values():
            terminal.close()
        machine.close()


@asynccontextmanager
async def _running(devices: Iterable[Device]) -> AsyncIterator[None]:
    """Let devices do what they do by themselves. An error of one, or of the block, ends all."""
    try:
        async with asyncio.TaskGroup() as tasks:
            running = [tasks.create_task(device.run()) for device in devices]
            try:
                yield
            finally:
                for task in running:
                    task.cancel()
    except BaseExceptionGroup as several:
        # The group only wraps what went wrong first.
        raise several.exceptions[0] from None


def _devices(
    machine: WatchedMachine,
    terminals: Mapping[str, Terminal],
    clock: Clock,
    inputs: Inputs,
    shunt: Shunt,
) -> dict[str, Device]:
    world = machine.world
    pump = SimulatedPump(machine) if world.setup.pump_flow > 0 else None

    def read_slow() -> dict[str, float]:
        machine.arrive()
        return slow_readings(tuple(SERVED), world, machine.state)

    async def slow() -> dict[str, float]:
        return read_slow()

    stations: list[WatchedStation] = [
        WaterStation(pump, inputs, slow, clock, machine.tell),
        Cabinet(
            SimulatedHorn(machine), inputs, slow, clock, machine.tell, shunt if shunt.by else None
        ),
    ]
    bus = terminals["bus"]
    return {
        "servo": controller(
            SimulatedActuator(machine), world.setup.watchdog, terminals["servo"].send
        ),
        "samples": SampleDevice(machine, clock, terminals["samples"].send, shunt),
        "bus": ModbusBus(stations, clock, bus.framing.baud, bus.send),
        "thermometer": thermometer(
            lambda: read_slow()["temperature_air"], terminals["thermometer"].send
        ),
    }
