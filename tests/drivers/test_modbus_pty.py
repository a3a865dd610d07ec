"""The Modbus driver over real pseudo-terminals, in real time, with hand-written peers."""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from drivers import modbus
from drivers.bus import Bus, Silent
from drivers.lines import SerialLine
from drivers.stations import ModbusDevices
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.modbus_peer import Device, Later, PtyPeer, hexed, prompt
from tests.drivers.modbus_rig import BUS, cabinet, water, wire

NUMBERED = {a: 1000 + a for a in range(40)}


@contextlib.contextmanager
def opened(peer: PtyPeer, within: float = 5.0, baud: int = 115200) -> Iterator[Bus]:
    clock = SystemClock()
    bus = Bus(SerialLine(Port("bus", peer.path, baud, answer_within=within), clock), clock)
    try:
        bus.open()
        yield bus
    finally:
        bus.close()
        peer.close()


async def word(bus: Bus, at: int) -> int:
    return modbus.registers((await bus.ask(1, modbus.read("holding", at, 1))).pdu)[0]


@pytest.mark.parametrize("split", [False, True], ids=["whole", "byte by byte"])
async def test_replies_are_taken_with_garbage_around_them(split: bool) -> None:
    noises = iter(
        [("", ""), ("", ""), ("00", "FF"), ("01 03 FA", ""), ("", "A5 5A 00"), ("FF", "")]
    )
    device = Device(1, holding=NUMBERED)

    def peer(request: bytes) -> Later:
        reply = device.answer(request)
        assert reply is not None
        before, behind = next(noises, ("", ""))
        return [(0.0, hexed(before) + reply + hexed(behind))]

    with opened(PtyPeer(peer, split=split)) as bus:
        assert [await word(bus, at) for at in range(8)] == [1000 + at for at in range(8)]
        assert bus.counts.dropped == 0


async def late_replies(seed: int, questions: int) -> tuple[int, Bus]:
    """Ask a device that is late or silent as the seed has it; return how often it answered."""
    chance = random.Random(seed)
    within = 0.02
    device = Device(1, holding=NUMBERED, echoes=seed % 2 == 0)

    def peer(request: bytes) -> Later:
        reply = device.answer(request)
        delay = chance.choice([0.0, 0.0, 0.0, 0.015, 0.019, 0.02, 0.021, 0.03, 0.05, math.inf])
        return [] if reply is None or delay == math.inf else [(delay, reply)]

    said = 0
    with opened(PtyPeer(peer), within) as bus:
        for number in range(questions):
            at = number % 40
            with contextlib.suppress(Silent):
                assert await word(bus, at) == 1000 + at
                said += 1
    return said, bus


@pytest.mark.parametrize("seed", [1, 2])
async def test_a_late_reply_is_never_a_value_of_the_next_question(seed: int) -> None:
    said, bus = await late_replies(seed, 12)
    assert said > 0
    assert bus.counts.dropped > 0


FURTHER = [pytest.param(seed, marks=pytest.mark.endurance) for seed in (3, 5, 6, 7, 8)]


@pytest.mark.nights
@pytest.mark.parametrize("seed", [4, *FURTHER])  # with echoes; the odd ones without
async def test_a_late_reply_is_never_a_value_of_any_later_question(seed: int) -> None:
    said, bus = await late_replies(seed, 100)
    assert said > 5
    assert bus.counts.bad > 10


async def test_a_bus_is_unplugged_and_back(tmp_path: Path) -> None:
    path = tmp_path / "bus"
    first = PtyPeer(prompt(water(), cabinet(), after=0.0))
    path.symlink_to(first.path)
    plan = wire(port=Port("bus", str(path), 115200, answer_within=0.5), stale_after=5.0)
    devices = ModbusDevices(plan, SystemClock())
    await devices.open()
    second = PtyPeer(prompt(station := water(), cabinet(), after=0.0))
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(devices.run())
        try:
            first.close()
            while not devices.report()[0].trouble:  # noqa: ASYNC110 - nothing tells when
                await asyncio.sleep(0.01)
            assert devices.pump is not None
            with pytest.raises(DeviceError, match="unplugged"):
                await devices.pump.set(True)
            path.unlink()
            path.symlink_to(second.path)
            while devices.report()[0].trouble:  # noqa: ASYNC110 - as above
                await asyncio.sleep(0.01)
            assert station.holding == {0: 500}
            await devices.pump.set(True)
            assert station.coils == {0: True}
        finally:
            reading.cancel()
            await devices.close()
            second.close()


@pytest.mark.endurance
@pytest.mark.parametrize(
    "baud", [9600, *(pytest.param(b, marks=pytest.mark.endurance) for b in (19200, 115200))]
)
async def test_a_paced_bus_keeps_its_inputs_fresh(baud: int) -> None:
    # 11 bits a byte; the device turns round after 3.5 characters and 5 ms.
    character = 11 / baud
    silence = max(3.5 * character, 1.75e-3)
    peer = PtyPeer(prompt(water(), cabinet(), after=silence + 0.005), pace=character)
    clock = SystemClock()
    devices = ModbusDevices(wire(port=replace(BUS, path=peer.path, baud=baud)), clock)
    ages: list[float] = []
    try:
        await devices.open()
        async with asyncio.TaskGroup() as group:
            reading = group.create_task(devices.run())
            await asyncio.sleep(0.5)
            for _ in range(150):
                await asyncio.sleep(0.02)
                await devices.inputs.read()  # raises for anything older than 250 ms
                inputs = devices.held("leak", "guard_open")
                ages += [clock.now() - held.asked for _, held in inputs]
            reading.cancel()
    finally:
        await devices.close()
        peer.close()
    (report,) = devices.report()
    ages.sort()
    middle, oldest = 1e3 * ages[len(ages) // 2], 1e3 * ages[-1]
    print(f"{baud} baud: inputs {middle:.0f} ms old at the median, {oldest:.0f} ms at most")
    print(report)
    assert (report.trouble, report.dropped) == ("", 0)


async def test_a_port_that_is_not_there_is_one_line_or_only_told(tmp_path: Path) -> None:
    plan = wire(port=Port("bus", str(tmp_path / "none"), 19200))
    with pytest.raises(DeviceError, match="there is no such port") as error:
        await ModbusDevices(plan, SystemClock()).open()
    assert len(str(error.value).splitlines()) == 1
    asking = ModbusDevices(plan, SystemClock(), asks_only=True)
    await asking.open()
    async with asyncio.timeout(5.0):
        await asking.run()  # nothing to read
    (report,) = asking.report()
    await asking.close()
    assert report.trouble == str(error.value)
    assert report.who == ""
    assert not asking.emulated
    assert all(math.isnan(value) for value in asking.slow().values())
