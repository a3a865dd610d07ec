"""The two Modbus devices of a small rig, as a rig file says them and as they are; invented data."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest

from drivers.stations import ModbusDevices
from rig.clock import Clock, VirtualClock
from rig.ports import InputState
from rig.protocol.wire import ModbusDevice, Point, Port, Scaling, Wire
from tests.drivers.modbus_peer import Device, Later, Peer, QuickLine, prompt

BUS = Port("bus", "nowhere", 19200, parity="even", answer_within=0.1)
L_PER_MIN = Scaling(1e-3 / 60)

WATER = ModbusDevice(
    "water station",
    "bus",
    1,
    (
        Point("pump", "coil", 0, "bit"),
        Point("pump_running", "discrete", 0, "bit"),
        Point("leak", "discrete", 1, "bit"),
        Point("flow", "input", 0, "float32", L_PER_MIN, 0.0, 5e-3 / 60),
        Point("tank", "input", 2, "float32", Scaling(1e-3)),
        Point("level", "input", 4, "float32", Scaling(1e-3)),
        Point("temperature_water", "input", 6, "float32", Scaling(1.0, 273.15)),
    ),
    watchdog=(0, 500),
)
CABINET = ModbusDevice(
    "cabinet",
    "bus",
    2,
    (
        Point("horn", "coil", 0, "bit"),
        Point("emergency_stop", "discrete", 0, "bit", true_is=False),
        Point("guard_open", "discrete", 1, "bit", true_is=False),
        Point("oil_pressure_low", "discrete", 2, "bit", true_is=False),
        Point("mains_lost", "discrete", 3, "bit", true_is=False),
        Point("local_button", "discrete", 4, "bit"),
        Point("temperature_oil", "input", 0, "int16", Scaling(0.1, 273.15)),
    ),
)


def wire(*devices: ModbusDevice, port: Port = BUS, stale_after: float = 0.25) -> Wire:
    chosen = devices or (WATER, CABINET)
    return Wire((port,), None, (), chosen, (), stale_after)


def words_of(*values: float) -> dict[int, int]:
    """Return registers from 0 on that hold float32, high word first."""
    words = struct.unpack(f">{2 * len(values)}H", struct.pack(f">{len(values)}f", *values))
    return dict(enumerate(words))


def water(**more: object) -> Device:
    """Return a water station: 1.5 L/min, 180 L, 40 mm, 18.5 degC, all well."""
    return replace(
        Device(
            1,
            coils={0: False},
            discrete={0: False, 1: False},
            holding={0: 0},
            inputs=words_of(1.5, 180.0, 40.0, 18.5),
            product="emulated water station",
        ),
        **more,
    )


def cabinet(**more: object) -> Device:
    """Return a cabinet whose chains are closed; oil at 38.5 degC."""
    return replace(
        Device(
            2,
            coils={0: False},
            discrete={0: True, 1: True, 2: True, 3: True, 4: False},
            holding={0: 0},
            inputs={0: 385},
            product="emulated cabinet",
        ),
        **more,
    )


class Lines:
    """Makes quick lines for the ports of a rig and keeps them."""

    def __init__(self, peer: Peer) -> None:
        self.peer = peer
        self.made: list[QuickLine] = []

    def __call__(self, plan: Port, _clock: Clock) -> QuickLine:
        self.made.append(QuickLine(plan, self.peer, bytewise=False))
        return self.made[-1]


@asynccontextmanager
async def running(
    peer: Peer, plan: Wire | None = None, **more: bool
) -> AsyncIterator[tuple[ModbusDevices, Lines]]:
    """Open devices in virtual time and read them until the end of the block."""
    lines = Lines(peer)
    devices = ModbusDevices(plan or wire(), VirtualClock(), new_line=lines, **more)
    await devices.open()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(devices.run())
        try:
            yield devices, lines
        finally:
            task.cancel()
            await devices.close()


def functions(requests: Sequence[bytes], address: int) -> list[int]:
    """Return the functions asked of one address, in order."""
    return [request[1] for request in requests if request[0] == address]


ALL_WELL = InputState(oil_temperature=pytest.approx(311.65))  # type: ignore[arg-type]


class Bench:
    """Both devices and what can happen to them: `mute` ones do not answer at all."""

    def __init__(self, *devices: Device) -> None:
        self.water, self.cabinet = water(), cabinet()
        self.devices = devices or (self.water, self.cabinet)
        self.mute: set[int] = set()
        self.asked: list[tuple[float, bytes]] = []
        self.change: Callable[[bytes, Later], Later] = lambda _request, said: said

    def __call__(self, request: bytes) -> Later:
        self.asked.append((asyncio.get_running_loop().time(), request))
        if request[0] in self.mute:
            return []
        return self.change(request, prompt(*self.devices)(request))

    def requests(self, address: int) -> list[bytes]:
        return [request for _, request in self.asked if request[0] == address]
