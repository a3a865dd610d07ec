"""What people are told of Modbus devices and buses, and how fresh the inputs on a bus are."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace

import pytest

from drivers.stations import ModbusDevices
from rig.clock import VirtualClock
from rig.errors import DeviceError
from tests.drivers.modbus_peer import Later, Peer, prompt, with_crc
from tests.drivers.modbus_rig import (
    ALL_WELL,
    BUS,
    CABINET,
    WATER,
    Bench,
    Lines,
    cabinet,
    functions,
    running,
    water,
    wire,
)

pytestmark = pytest.mark.virtual


async def test_all_that_is_missing_is_told_together() -> None:
    bench = Bench()
    bench.mute |= {1, 2}
    lines = Lines(bench)
    devices = ModbusDevices(wire(), VirtualClock(), new_line=lines)
    with pytest.raises(DeviceError) as error:
        await devices.open()
    first, second = str(error.value).splitlines()
    assert first.startswith('water station: address 1 on port "bus" does not answer within 100 ms')
    assert second.startswith('cabinet: address 2 on port "bus" does not answer within 100 ms')
    assert "is it switched on" in first
    assert lines.made[0].closed
    # Asked again once each, as the plan says.
    assert functions(bench.requests(1), 1) == [8, 8]


async def test_one_who_only_asks_writes_nothing_and_raises_nothing() -> None:
    bench = Bench()
    bench.mute.add(2)
    async with running(bench, asks_only=True) as (devices, _):
        await asyncio.sleep(3.0)
        assert set(functions(bench.requests(1), 1)) <= {1, 2, 3, 4, 8, 43}
        (report,) = devices.report()
        assert report.who == "water station (emulated water station)"
        assert report.trouble.startswith('cabinet: address 2 on port "bus" does not answer')
        assert report.remedy == "look at its supply, its address and its wires"
        assert devices.slow()["tank"] == pytest.approx(0.18)
        assert math.isnan(devices.slow()["temperature_oil"])


async def test_a_report_says_who_answers_how_often_and_how_fast() -> None:
    async with running(Bench()) as (devices, _):
        await asyncio.sleep(10.0)
        devices.slow()
        (report,) = devices.report()
    assert (report.port, report.path, report.kind) == ("bus", "nowhere", "Modbus RTU")
    assert report.who == "water station (emulated water station), cabinet (emulated cabinet)"
    assert report.good > 300
    assert (report.bad, report.dropped, report.trouble, report.remedy) == (0, 0, "", "")
    assert report.round_trip is not None
    assert 0.01 < report.round_trip[0] <= report.round_trip[1] < 0.05
    assert report.skew is not None
    assert report.skew < 1.1


@pytest.mark.parametrize(
    ("says", "remedy"),
    [
        ([], "nothing comes: are the devices switched on"),
        ([(0.003, b"\xf3\x1e\x86\x00")], "bytes come but none fit: 19200 baud, parity even"),
    ],
    ids=["nothing comes", "wrong speed"],
)
async def test_a_bus_on_which_nobody_answers_says_what_to_try(says: Later, remedy: str) -> None:
    async with running(lambda _request: says, asks_only=True) as (devices, _):
        await asyncio.sleep(1.0)
        (report,) = devices.report()
    assert report.who == ""
    assert report.remedy.startswith(remedy)


async def test_emulated_is_what_all_devices_say_on_a_pseudo_terminal() -> None:
    async with running(Bench()) as (devices, lines):
        assert devices.emulated
        lines.made[0].is_terminal = False
        assert not devices.emulated
    async with running(Bench(water(), cabinet(product="cabinet 7"))) as (devices, _):
        assert not devices.emulated
    async with running(Bench(water(), cabinet(product=""))) as (devices, _):
        assert not devices.emulated


async def test_real_devices_are_not_asked_who_they_are() -> None:
    bench = Bench()
    lines = Lines(bench)
    devices = ModbusDevices(wire(), VirtualClock(), new_line=lines)
    lines.made[0].is_terminal = False
    await devices.open()
    await devices.close()
    assert 43 not in functions(bench.requests(1), 1)
    assert not devices.emulated
    assert devices.report()[0].who == "water station, cabinet"


async def test_a_bus_that_is_unplugged_is_told_and_comes_back() -> None:
    bench = Bench()
    async with running(bench) as (devices, lines):
        lines.made[0].unplug()
        await asyncio.sleep(1.0)
        with pytest.raises(DeviceError, match="unplugged"):
            await devices.inputs.read()
        assert devices.report()[0].trouble == "the line was unplugged"
        lines.made[0].plug()
        bench.water.holding[0] = 0
        await asyncio.sleep(0.6)
        assert await devices.inputs.read() == ALL_WELL
        assert bench.water.holding == {0: 500}
        assert devices.report()[0].trouble == ""


async def test_two_buses_are_read_beside_each_other() -> None:
    other = replace(BUS, name="second")
    plan = replace(wire(WATER, replace(CABINET, port="second")), ports=(BUS, other))
    bench = Bench()
    async with running(bench, plan) as (devices, _):
        bench.mute.add(1)
        await asyncio.sleep(2.0)
        first, second = devices.report()
        assert first.trouble
        assert (second.port, second.trouble, second.dropped) == ("second", "", 0)


# How fresh inputs are at 19200 baud with parity: bytes counted by hand, then measured.

CHARACTER = 11 / 19200
"""A start bit, eight bits, parity, a stop bit (V1.02, section 2.5.1)."""


def round_trip(reply: int) -> float:
    """Return how long [s] a question of 8 bytes and its reply are on the line, silences included.

    The device is silent for 3.5 characters and takes 5 ms more, as the emulated ones do.
    """
    return (8 + reply + 3.5 + 3.5) * CHARACTER + 0.005


async def test_a_full_round_of_both_devices_keeps_inputs_fresher_than_a_quarter_second() -> None:
    turn = 3.5 * CHARACTER + 0.005

    def paced(request: bytes) -> Later:
        return [(turn, reply) for _, reply in both(request)]

    both: Peer = prompt(water(), cabinet())
    # Discrete inputs of both: 6 bytes each; 8 registers: 21; one: 7 (V1.1b3, sections 6.2, 6.4).
    whole = 2 * round_trip(6) + round_trip(21) + round_trip(7)
    assert whole == pytest.approx(0.0773, abs=1e-4)
    async with running(paced) as (devices, _):
        await asyncio.sleep(0.5)
        oldest = 0.0
        for _ in range(3000):
            await asyncio.sleep(0.0023)
            await devices.inputs.read()
            now = asyncio.get_running_loop().time()
            inputs = devices.held("leak", "guard_open")
            oldest = max(oldest, *(now - held.asked for _, held in inputs))
        assert oldest < 0.05 + whole
        assert devices.report()[0].dropped == 0


async def test_a_frame_of_an_unknown_device_on_the_bus_is_counted_and_dropped() -> None:
    bench = Bench()
    async with running(bench) as (devices, lines):
        await asyncio.sleep(0.5)
        stranger = with_crc(bytes([9, 4, 2, 0, 1]))
        lines.made[0].say(stranger, asyncio.get_running_loop().time())
        await asyncio.sleep(0.5)
        assert await devices.inputs.read() == ALL_WELL
        assert devices.report()[0].bad == 1
