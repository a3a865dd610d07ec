"""The water station and the cabinet on their bus: tables, scales, watchdog, an independent host."""

from __future__ import annotations

import asyncio
import contextlib
import math
import struct
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace

import pytest
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from rig.clock import Clock, SystemClock, VirtualClock
from rig.ports import InputState, Rig
from simulators.faults import InputChange, Lost, Stuck
from simulators.rig import simulated_rig
from simulators.wire.bus import ModbusBus
from simulators.wire.rtu import with_crc
from simulators.wire.stations import CABINET, WATER, Cabinet, WaterStation
from simulators.wire.terminal import Terminal
from simulators.wire.uart import Framing
from tests.simulators.driving import QUIET, SLOW, setup

BAUD = 19200
TEMPERATURES = tuple(
    replace(SLOW[0], name=f"temperature_{name}", unit="K") for name in ("water", "oil")
)
CHANNELS = (*QUIET, *SLOW, *TEMPERATURES)


@dataclass
class Bus:
    """Both stations on a line, and what they sent and told."""

    rig: Rig
    clock: Clock
    device: ModbusBus
    sent: list[tuple[float, bytes]] = field(default_factory=list)
    told: list[tuple[str, str]] = field(default_factory=list)

    async def ask(self, address: int, question: str, within: float = 0.1) -> str | None:
        """Return the reply without address and CRC, in hexadecimal; None for silence."""
        before = len(self.sent)
        self.device.take(with_crc(bytes((address,)) + bytes.fromhex(question)))
        await self.clock.sleep(within)
        if len(self.sent) == before:
            return None
        assert len(self.sent) == before + 1
        data = self.sent[-1][1]
        assert with_crc(data[:-2]) == data
        assert data[0] == address
        return data[1:-2].hex(" ").upper()

    async def floats(self) -> list[float]:
        """Return flow, tank, level and temperature of the water."""
        reply = await self.ask(WATER, "04 00 00 00 08")
        assert reply is not None
        assert reply.startswith("04 10 ")
        return list(struct.unpack(">4f", bytes.fromhex(reply)[2:]))


def made(**changes: object) -> Rig:
    """Return a rig with a water pump."""
    values = {"channels": CHANNELS, "exposure": "spray", "tank": 1.0, "pump_run_up": 0.2}
    return simulated_rig(setup(**{**values, **changes}), 1, VirtualClock(), paced=True)


@contextlib.asynccontextmanager
async def running(rig: Rig, clock: Clock, terminal: Terminal | None = None) -> AsyncIterator[Bus]:
    """Let the stations of a rig run, on a real port where one is given."""
    told: list[tuple[str, str]] = []
    sent: list[tuple[float, bytes]] = []

    def tell(what: str, how: str) -> None:
        told.append((what, how))

    slow = rig.acquisition.slow
    stations = (
        WaterStation(rig.pump, rig.inputs, slow, clock, tell),
        Cabinet(rig.horn, rig.inputs, slow, clock, tell),
    )

    def send(data: bytes, at: float) -> None:
        sent.append((at, data))
        if terminal is not None:
            terminal.send(data, at)

    device = ModbusBus(stations, clock, BAUD, send)
    if terminal is not None:
        terminal.on_bytes = device.take
    task = asyncio.ensure_future(device.run())
    try:
        await clock.sleep(0)
        yield Bus(rig, clock, device, sent, told)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await rig.acquisition.close()  # type: ignore[attr-defined]


@pytest.mark.virtual
async def test_the_pump_runs_and_its_water_is_measured():
    async with running(made(), VirtualClock()) as bus:
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 00"
        flow, tank, level, temperature = await bus.floats()
        assert (flow, tank) == (0.0, 1000.0)
        assert math.isnan(level)  # this rig has no such sensor
        assert temperature == pytest.approx(19.5, abs=0.6)
        assert await bus.ask(WATER, "05 00 00 FF 00") == "05 00 00 FF 00"
        await bus.clock.sleep(60.0)
        assert await bus.ask(WATER, "01 00 00 00 01") == "01 01 01"
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 01"
        flow, tank, _, _ = await bus.floats()
        assert flow == pytest.approx(1.5)  # the pump's 2.5e-5 m3/s in L/min
        assert tank == pytest.approx(998.5, abs=0.02)
        assert await bus.ask(WATER, "0F 00 00 00 01 01 00") == "0F 00 00 00 01"
        assert (await bus.floats())[0] == 0.0
        assert bus.told == [("pump output", "on"), ("pump output", "off")]


@pytest.mark.virtual
async def test_a_submerged_specimen_has_its_level_in_millimetres():
    async with running(
        made(exposure="submerged", channels=(*CHANNELS, LEVEL)), VirtualClock()
    ) as b:
        assert (await b.floats())[2] == pytest.approx(300.0)


LEVEL = replace(SLOW[0], name="level", unit="m")


@pytest.mark.virtual
async def test_what_the_rig_does_not_know_is_no_number():
    change = InputChange(0, InputState())
    async with running(made(channels=QUIET, faults=(change,)), VirtualClock()) as bus:
        flow, tank, level, temperature = await bus.floats()
        assert (flow, tank) == (0.0, 1000.0)  # the pump itself knows
        assert math.isnan(level)
        assert math.isnan(temperature)
        assert await bus.ask(CABINET, "04 00 00 00 01") == "04 02 80 00"


INPUTS = {
    "all well": (InputState(), "0F", "00"),
    "emergency stop": (InputState(emergency_stop=True), "0E", "00"),
    "guard": (InputState(guard_open=True), "0D", "00"),
    "oil": (InputState(oil_pressure_low=True), "0B", "00"),
    "mains": (InputState(mains_lost=True), "07", "00"),
    "button": (InputState(local_button=True), "1F", "00"),
    "leak": (InputState(leak=True), "0F", "02"),
}


@pytest.mark.virtual
@pytest.mark.parametrize(("state", "contacts", "water"), INPUTS.values(), ids=INPUTS)
async def test_contacts_open_when_something_is_wrong(state, contacts, water):
    async with running(made(faults=(InputChange(10, state),)), VirtualClock()) as bus:
        assert await bus.ask(CABINET, "02 00 00 00 05") == "02 01 0F"
        assert await bus.ask(CABINET, "02 00 00 00 05") == f"02 01 {contacts}"
        assert await bus.ask(WATER, "02 00 00 00 02") == f"02 01 {water}"


@pytest.mark.virtual
@pytest.mark.parametrize(("kelvin", "register"), [(335.15, "02 6C"), (263.14, "FF 9C")])
async def test_the_oil_is_measured_in_tenths_of_a_degree(kelvin, register):
    change = InputChange(10, InputState(oil_temperature=kelvin))
    async with running(made(faults=(change,)), VirtualClock()) as bus:
        assert await bus.ask(CABINET, "04 00 00 00 01") == "04 02 01 7C"  # 38.0 degrees
        assert await bus.ask(CABINET, "04 00 00 00 01") == f"04 02 {register}"


@pytest.mark.virtual
async def test_the_horn_is_switched_and_read_back():
    async with running(made(), VirtualClock()) as bus:
        assert await bus.ask(CABINET, "05 00 00 FF 00") == "05 00 00 FF 00"
        assert await bus.ask(CABINET, "01 00 00 00 01") == "01 01 01"
        assert await bus.ask(CABINET, "05 00 00 00 00") == "05 00 00 00 00"
        assert [on for _, on in bus.rig.horn.switched] == [True, False]
        assert bus.told == [("horn output", "on"), ("horn output", "off")]


@pytest.mark.virtual
async def test_without_a_pump_there_is_no_coil_to_switch():
    async with running(made(pump_flow=0.0), VirtualClock()) as bus:
        assert await bus.ask(WATER, "05 00 00 FF 00") == "85 02"
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 00"


@pytest.mark.virtual
@pytest.mark.parametrize(("address", "output"), [(WATER, "pump"), (CABINET, "horn")])
async def test_a_station_that_is_not_asked_any_more_lets_go_of_its_output(address, output):
    async with running(made(), VirtualClock()) as bus:
        assert await bus.ask(address, "03 00 00 00 01") == "03 02 00 00"  # none at power-on
        assert await bus.ask(address, "06 00 00 01 F4") == "06 00 00 01 F4"
        await bus.ask(address, "05 00 00 FF 00")
        for _ in range(5):
            await bus.clock.sleep(0.39)
            asked = bus.clock.now()
            assert await bus.ask(address, "01 00 00 00 01") == "01 01 01"
        other = CABINET if address == WATER else WATER
        for _ in range(3):  # that another one is asked is no comfort to it
            await bus.ask(other, "01 00 00 00 01")
        assert bus.told == [(f"{output} output", "on")]
        await bus.clock.sleep(0.11)
        last, watchdog, off = bus.told[1:]
        assert last[0].startswith("last request to emulated")
        assert float(last[1]) == pytest.approx(asked)
        assert watchdog == (last[0].replace("last request to", "watchdog of"), "let go")
        assert off == (f"{output} output", "off")
        assert await bus.ask(address, "01 00 00 00 01") == "01 01 00"
        await bus.ask(address, "05 00 00 FF 00")  # and it obeys again
        assert await bus.ask(address, "01 00 00 00 01") == "01 01 01"
        await bus.clock.sleep(0.6)
        assert await bus.ask(address, "01 00 00 00 01") == "01 01 00"


@pytest.mark.virtual
async def test_without_a_watchdog_an_output_stays_and_one_that_is_off_is_let_be():
    async with running(made(), VirtualClock()) as bus:
        await bus.ask(WATER, "05 00 00 FF 00")
        await bus.ask(CABINET, "06 00 00 00 64")
        await bus.clock.sleep(3600.0)
        assert await bus.ask(WATER, "01 00 00 00 01") == "01 01 01"
        assert bus.told == [("pump output", "on")]


@pytest.mark.virtual
async def test_an_answer_comes_after_silence_and_turn_round():
    async with running(made(), VirtualClock()) as bus:
        asked = bus.clock.now()
        await bus.ask(WATER, "01 00 00 00 01")
        # 3.5 characters of 11 bits and 5 ms.
        assert bus.sent[0][0] - asked == pytest.approx(3.5 * 11 / BAUD + 5e-3, abs=1e-6)


@pytest.mark.virtual
async def test_a_request_that_only_silence_ends_is_answered_too():
    async with running(made(), VirtualClock()) as bus:
        assert await bus.ask(WATER, "08 00 00 A5 37 12 34") == "08 00 00 A5 37 12 34"
        assert await bus.ask(CABINET, "07") == "87 01"


@pytest.mark.virtual
async def test_garbage_and_other_addresses_are_not_answered():
    async with running(made(), VirtualClock()) as bus:
        assert await bus.ask(7, "01 00 00 00 01") is None
        bus.device.take(b"\x01\x05\x00\x00\xff\x00\x8c\x3b")  # the CRC would be 8C 3A
        await bus.clock.sleep(0.1)
        assert await bus.ask(WATER, "01 00 00 00 01") == "01 01 00"
        assert await bus.ask(0, "05 00 00 FF 00") is None
        assert bus.told == [("pump output", "on"), ("horn output", "on")]


@pytest.mark.virtual
async def test_a_pump_that_is_lost_does_not_take_the_leak_with_it():
    async with running(made(faults=(Lost("pump", 0, 10**9),)), VirtualClock()) as bus:
        assert await bus.ask(WATER, "05 00 00 FF 00") is None
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 00"
        assert (await bus.floats())[:2] == [0.0, 1000.0]  # the meters are others than the pump


@pytest.mark.virtual
async def test_a_pump_that_sticks_is_switched_and_does_not_run():
    async with running(made(faults=(Stuck("pump", 0, 10**9),)), VirtualClock()) as bus:
        assert await bus.ask(WATER, "05 00 00 FF 00") == "05 00 00 FF 00"
        assert await bus.ask(WATER, "01 00 00 00 01") == "01 01 01"
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 00"


@pytest.mark.virtual
async def test_lost_inputs_are_silent_and_lost_meters_are_no_numbers():
    faults = (Lost("inputs", 0, 10**9), Lost("slow", 0, 10**9))
    async with running(made(faults=faults), VirtualClock()) as bus:
        assert await bus.ask(CABINET, "02 00 00 00 05") is None
        assert await bus.ask(WATER, "02 00 00 00 02") is None
        flow, tank, level, temperature = await bus.floats()
        assert (flow, tank) == (0.0, 1000.0)
        assert math.isnan(level)
        assert math.isnan(temperature)


@pytest.mark.virtual
async def test_a_station_that_hangs_answers_late_and_holds_up_nobody_else():
    hangs = Lost("pump", 100, 300, acts=("set",), hangs=True)  # 0.5 s to 1.5 s at 200 Hz
    async with running(made(faults=(hangs,)), VirtualClock()) as bus:
        assert await bus.ask(WATER, "02 00 00 00 02") == "02 01 00"
        await bus.clock.sleep(0.6)
        assert await bus.ask(WATER, "05 00 00 FF 00") is None
        assert await bus.ask(CABINET, "01 00 00 00 01") == "01 01 00"
        assert await bus.ask(WATER, "01 00 00 00 01") is None  # waits its turn
        assert await bus.ask(WATER, "02 00 00 00 02") is None  # no room for it
        await bus.clock.sleep(1.0)
        late = [data.hex(" ").upper() for _, data in bus.sent[2:]]
        assert [text[:8] for text in late] == ["01 05 00", "01 01 01"]


async def test_an_independent_host_reads_and_writes_through_a_real_port(tmp_path):
    clock = SystemClock()
    rig = simulated_rig(setup(channels=CHANNELS, exposure="spray"), 1, clock, paced=True)
    terminal = Terminal(Framing(115200), clock, tmp_path / "bus")
    async with running(rig, clock, terminal):
        host = AsyncModbusSerialClient(terminal.path, baudrate=115200, timeout=0.3, retries=0)
        try:
            assert await host.connect()
            await speak(host)
        finally:
            host.close()
            terminal.close()


async def speak(host: AsyncModbusSerialClient) -> None:
    """Do all that a host can do."""
    number = host.DATATYPE
    assert (await host.write_register(0, 2000, device_id=WATER)).registers == [2000]
    assert (await host.read_holding_registers(0, count=1, device_id=WATER)).registers == [2000]
    assert not (await host.write_registers(0, [2500], device_id=WATER)).isError()
    assert (await host.write_coil(0, value=True, device_id=WATER)).bits[0]
    assert (await host.read_coils(0, count=1, device_id=WATER)).bits[0]
    assert (await host.read_discrete_inputs(0, count=2, device_id=WATER)).bits[:2] == [True, False]
    words = (await host.read_input_registers(0, count=8, device_id=WATER)).registers
    flow, tank, _, water = (
        host.convert_from_registers(words[k : k + 2], number.FLOAT32) for k in (0, 2, 4, 6)
    )
    assert 0 < flow <= 1.5
    assert tank == pytest.approx(1000.0, abs=0.1)
    assert water == pytest.approx(19.5, abs=0.1)
    contacts = await host.read_discrete_inputs(0, count=5, device_id=CABINET)
    assert contacts.bits[:5] == [True, True, True, True, False]
    oil = (await host.read_input_registers(0, count=1, device_id=CABINET)).registers
    assert host.convert_from_registers(oil, number.INT16) == 380
    assert not (await host.write_coils(0, [True], device_id=CABINET)).isError()
    assert (await host.diag_query_data(b"\xa5\x37", device_id=CABINET)).message == b"\xa5\x37"
    who = await host.read_device_information(read_code=1, object_id=0, device_id=CABINET)
    assert who.information == {0: b"nightrig", 1: b"emulated cabinet", 2: b"1.0"}
    refused = await host.read_coils(1, count=1, device_id=WATER)
    assert refused.exception_code == 2
    with pytest.raises(ModbusIOException):
        await host.read_coils(0, count=1, device_id=9)
