"""Our Modbus driver against pymodbus's own server, over a pair of pseudo-terminals."""

from __future__ import annotations

import asyncio
import os
import select
import threading
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace

import pytest
from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers import modbus
from drivers.bus import Bus, Refused
from drivers.lines import SerialLine
from drivers.stations import ModbusDevices
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.ports import InputState
from rig.protocol.wire import ModbusDevice, Point, Port
from tests.drivers.modbus_rig import CABINET, WATER, wire

# The server is not paced: only the silence between frames takes its time.
BAUD = 115200


class Cable:
    """Two pseudo-terminals whose far ends are tied together by a thread."""

    def __init__(self) -> None:
        pairs = [os.openpty() for _ in range(2)]
        self._masters = [master for master, _ in pairs]
        self._slaves = [slave for _, slave in pairs]
        self.ends = [os.ttyname(slave) for slave in self._slaves]
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._relay, name="cable")
        self._thread.start()

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        for end in (*self._masters, *self._slaves):
            os.close(end)

    def _relay(self) -> None:
        one, other = self._masters
        while not self._over.is_set():
            for end in select.select(self._masters, [], [], 0.02)[0]:
                os.write(other if end == one else one, os.read(end, 4096))


@pytest.fixture
def cable() -> Iterator[Cable]:
    tied = Cable()
    yield tied
    tied.close()


def bits(*values: bool) -> SimData:
    return SimData(address=0, values=list(values), datatype=DataType.BITS)


def floats(*values: float) -> SimData:
    return SimData(address=0, values=list(values), datatype=DataType.FLOAT32)


def spare(count: int = 40) -> SimData:
    return SimData(address=0, count=count, values=0, datatype=DataType.REGISTERS)


def identity(product: str) -> ModbusDeviceIdentification:
    return ModbusDeviceIdentification(
        info_name={"VendorName": "nobody", "ProductCode": product, "MajorMinorRevision": "1"}
    )


NUMBERS = [
    SimData(address=0, values=[-2], datatype=DataType.INT16),
    SimData(address=1, values=[65534], datatype=DataType.UINT16),
    SimData(address=2, values=[-70000], datatype=DataType.INT32),
    SimData(address=4, values=[4000000000], datatype=DataType.UINT32),
    SimData(address=6, values=[-1.25], datatype=DataType.FLOAT32),
]


@pytest.fixture
async def server(cable: Cable) -> AsyncIterator[ModbusSerialServer]:
    water = (
        [bits(*[False] * 16)],
        [bits(*[False] * 16)],
        [spare()],
        [floats(1.5, 180.0, 40.0, 18.5)],
    )
    cabinet = (
        [bits(*[False] * 16)],
        [bits(True, True, True, True, *[False] * 12)],
        [spare()],
        [SimData(address=0, values=[385], datatype=DataType.INT16)],
    )
    kinds = ([bits(False)], [bits(False)], [spare()], NUMBERS)
    stations = {1: water, 2: cabinet, 3: kinds}
    served = ModbusSerialServer(
        [SimDevice(id=number, simdata=tables) for number, tables in stations.items()],
        framer=FramerType.RTU,
        port=cable.ends[1],
        baudrate=BAUD,
        identity=identity("an emulated pymodbus server"),
    )
    await served.serve_forever(background=True)
    yield served
    await served.shutdown()


@pytest.fixture
async def bus(cable: Cable, server: ModbusSerialServer) -> AsyncIterator[Bus]:
    del server
    clock = SystemClock()
    plan = Port("bus", cable.ends[0], BAUD, answer_within=5.0)
    opened = Bus(SerialLine(plan, clock), clock)
    opened.open()
    yield opened
    opened.close()


async def registers(bus: Bus, table: str, at: int, count: int) -> tuple[int, ...]:
    return modbus.registers((await bus.ask(1, modbus.read(table, at, count))).pdu)


async def test_every_function_is_answered_as_it_was_asked(bus: Bus) -> None:
    await bus.ask(1, modbus.write_bit(3, True))
    await bus.ask(1, modbus.write_bits(8, (True, False, True)))
    coils = modbus.bits((await bus.ask(1, modbus.read("coil", 0, 16))).pdu, 16)
    assert [at for at, on in enumerate(coils) if on] == [3, 8, 10]
    await bus.ask(1, modbus.write_register(5, 500))
    await bus.ask(1, modbus.write_registers(6, (1, 65535)))
    assert await registers(bus, "holding", 4, 5) == (0, 500, 1, 65535, 0)
    assert await registers(bus, "input", 0, 2) == (0x3FC0, 0)  # 1.5 by IEEE 754
    discrete = modbus.bits((await bus.ask(2, modbus.read("discrete", 0, 9))).pdu, 9)
    assert discrete == (True,) * 4 + (False,) * 5
    said = (await bus.ask(2, modbus.identify(1))).pdu
    assert modbus.identified(said, 1) == "an emulated pymodbus server"
    assert (bus.counts.bad, bus.counts.dropped) == (0, 0)


async def test_what_the_server_has_not_got_is_refused(bus: Bus) -> None:
    with pytest.raises(Refused, match=r"illegal data address \(2\)"):
        await registers(bus, "holding", 90, 1)
    assert await registers(bus, "holding", 0, 1) == (0,)


@pytest.mark.usefixtures("server")
async def test_pump_inputs_horn_and_slow_values_work_with_it(cable: Cable) -> None:
    plan = wire(WATER, CABINET, port=Port("bus", cable.ends[0], BAUD, answer_within=5.0))
    # How fast the computer is just now is not what this test is about.
    devices = ModbusDevices(replace(plan, stale_after=30.0), SystemClock())
    await devices.open()
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(devices.run())
        try:
            assert devices.emulated
            state = await devices.inputs.read()
            assert state == InputState(oil_temperature=pytest.approx(311.65))  # type: ignore[arg-type]
            assert devices.slow()["flow"] == pytest.approx(1.5e-3 / 60)
            assert devices.pump is not None
            assert devices.horn is not None
            await devices.pump.set(True)
            await devices.horn.set(True)
            await devices.horn.set(False)
            status = await devices.pump.status()
            assert (status.on, status.tank) == (False, pytest.approx(0.18))  # its own running bit
            await asyncio.sleep(0.2)
            assert devices.report()[0].bad == devices.report()[0].dropped == 0
        finally:
            reading.cancel()
            await devices.close()


@pytest.mark.usefixtures("server")
async def test_numbers_of_every_kind_come_as_the_server_has_them(cable: Cable) -> None:
    kinds = {0: "int16", 1: "uint16", 2: "int32", 4: "uint32", 6: "float32"}
    points = tuple(Point(f"strain_{at}", "input", at, kind) for at, kind in kinds.items())
    device = ModbusDevice("amplifier", "bus", 3, points)
    plan = wire(device, port=Port("bus", cable.ends[0], BAUD, answer_within=5.0))
    devices = ModbusDevices(plan, SystemClock())
    await devices.open()
    values = devices.slow()
    await devices.close()
    assert list(values.values()) == [-2.0, 65534.0, -70000.0, 4e9, -1.25]


@pytest.mark.usefixtures("server")
async def test_a_device_that_is_not_there_is_told_in_one_line(cable: Cable) -> None:
    # pymodbus answers for addresses it has not got with an exception of a gateway.
    lost = replace(CABINET, address=9)
    plan = wire(lost, port=Port("bus", cable.ends[0], BAUD, answer_within=5.0))
    devices = ModbusDevices(plan, SystemClock())
    with pytest.raises(DeviceError, match="cabinet: address 9") as error:
        await devices.open()
    assert len(str(error.value).splitlines()) == 1
