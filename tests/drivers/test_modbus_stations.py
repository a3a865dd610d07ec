"""Pump, inputs, horn and slow values of Modbus devices, in virtual time with hand-written peers."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from drivers.stations import ModbusDevices
from rig.clock import VirtualClock
from rig.errors import DeviceError
from rig.ports import InputState
from rig.protocol.wire import Point, Scaling
from tests.drivers.modbus_peer import Device, Later, Peer, prompt, with_crc
from tests.drivers.modbus_rig import (
    BUS,
    CABINET,
    WATER,
    Lines,
    cabinet,
    functions,
    running,
    water,
    wire,
    words_of,
)

pytestmark = pytest.mark.virtual

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


async def test_inputs_are_there_at_once_and_follow_the_contacts() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        assert await devices.inputs.read() == ALL_WELL
        bench.cabinet.discrete.update({0: False, 4: True})
        bench.water.discrete[1] = True
        await asyncio.sleep(0.15)
        state = await devices.inputs.read()
        assert state.emergency_stop
        assert state.local_button
        assert state.leak
        assert not any((state.guard_open, state.oil_pressure_low, state.mains_lost))


@pytest.mark.parametrize("pause", [0.0, 2.0])
async def test_inputs_are_waited_for_where_other_devices_took_long_to_open(pause: float) -> None:
    bench = Bench()
    devices = ModbusDevices(wire(), VirtualClock(), new_line=Lines(bench))
    await devices.open()
    await asyncio.sleep(pause)
    bench.cabinet.discrete[4] = True
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(devices.run())
        assert (await devices.inputs.read()).local_button
        reading.cancel()
    await asyncio.sleep(0.3)
    with pytest.raises(DeviceError, match="not heard for"):
        await devices.inputs.read()
    await devices.close()


async def test_inputs_that_nobody_reads_are_an_error() -> None:
    devices = ModbusDevices(wire(), VirtualClock(), new_line=Lines(Bench()))
    await devices.open()
    await asyncio.sleep(0.3)
    with pytest.raises(DeviceError, match="not heard for"):
        await devices.inputs.read()
    await devices.close()


@pytest.mark.parametrize("name", ["emergency_stop", "guard_open", "oil_pressure_low", "mains_lost"])
async def test_a_chain_that_opens_is_the_bad_case(name: str) -> None:
    bench = Bench()
    at = next(p.at for p in CABINET.points if p.what == name)
    bench.cabinet.discrete[at] = False
    async with running(bench) as (devices, _):
        state = await devices.inputs.read()
    assert state == replace(ALL_WELL, **{name: True})


async def test_slow_values_come_in_si() -> None:
    async with running(Bench()) as (devices, _):
        assert devices.slow() == {
            "flow": pytest.approx(1.5e-3 / 60),
            "tank": pytest.approx(0.18),
            "level": pytest.approx(0.04),
            "temperature_water": pytest.approx(291.65),
            "temperature_oil": pytest.approx(311.65),
        }


async def test_a_value_out_of_its_limits_is_nan_and_told_once() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        bench.water.inputs.update(words_of(7.2))
        await asyncio.sleep(5.0)
        assert math.isnan(devices.slow()["flow"])
        assert devices.slow()["tank"] == pytest.approx(0.18)
        (told,) = devices.told()
        assert told == "water station: flow says 7.2 L/min, allowed is 0 to 5 L/min"
        bench.water.inputs.update(words_of(1.4))
        await asyncio.sleep(5.0)
        assert devices.slow()["flow"] == pytest.approx(1.4e-3 / 60)
        assert devices.told() == ("water station: flow is a value again",)


async def test_the_pump_is_switched_and_read_back() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        assert devices.pump is not None
        await devices.pump.set(True)
        assert bench.water.coils == {0: True}
        written = functions(bench.requests(1), 1).index(5)
        assert 1 in functions(bench.requests(1), 1)[written:]
        await devices.pump.set(False)
        assert bench.water.coils == {0: False}


async def test_a_coil_that_does_not_do_as_it_is_told_is_an_error() -> None:
    bench = Bench(water(sticks=True), cabinet())
    async with running(bench, wire(replace(WATER, watchdog=None), CABINET)) as (devices, _):
        assert devices.pump is not None
        with pytest.raises(DeviceError, match="pump was switched on and reads off"):
            await devices.pump.set(True)


async def test_an_output_that_is_on_at_zero_is_switched_the_other_way_round() -> None:
    points = tuple(replace(p, true_is=False) if p.what == "horn" else p for p in CABINET.points)
    bench = Bench()
    async with running(bench, wire(WATER, replace(CABINET, points=points))) as (devices, _):
        assert devices.horn is not None
        await devices.horn.set(False)
        assert bench.cabinet.coils == {0: True}
        await devices.horn.set(True)
        assert bench.cabinet.coils == {0: False}


async def test_a_device_without_the_functions_for_one_is_written_by_those_for_several() -> None:
    bench = Bench(water(without=frozenset({5, 6})), cabinet())
    async with running(bench) as (devices, _):
        assert devices.pump is not None
        await devices.pump.set(True)
        assert bench.devices[0].coils == {0: True}
        assert bench.devices[0].holding == {0: 500}


async def test_pump_status_is_what_the_device_says_now() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        assert devices.pump is not None
        assert not (await devices.pump.status()).on
        bench.water.discrete[0] = True
        bench.water.inputs.update(words_of(1.2, 170.0))
        status = await devices.pump.status()
        assert status.on
        assert status.flow == pytest.approx(1.2e-3 / 60)
        assert status.tank == pytest.approx(0.17)
        bench.water.inputs.update(words_of(9.9))
        flow = (await devices.pump.status()).flow
        assert flow is not None
        assert math.isnan(flow)


async def test_a_pump_that_does_not_tell_whether_it_runs_is_known_by_its_coil() -> None:
    points = tuple(p for p in WATER.points if p.what in ("pump", "leak"))
    bench = Bench()
    async with running(bench, wire(replace(WATER, points=points), CABINET)) as (devices, _):
        assert devices.pump is not None
        await devices.pump.set(True)
        status = await devices.pump.status()
        assert (status.on, status.flow, status.tank) == (True, None, None)
        bench.water.coils[0] = False
        assert not (await devices.pump.status()).on


async def test_a_rig_without_pump_horn_and_inputs_has_none() -> None:
    points = tuple(p for p in WATER.points if p.what == "tank")
    async with running(Bench(), wire(replace(WATER, points=points))) as (devices, _):
        assert devices.pump is None
        assert devices.horn is None
        assert await devices.inputs.read() == InputState()
        assert devices.slow() == {"tank": pytest.approx(0.18)}


# The watchdog, and devices that come and go.


async def test_the_watchdog_is_written_and_read_back_before_anything_is_read() -> None:
    bench = Bench()
    async with running(bench):
        assert bench.water.holding == {0: 500}
        assert functions(bench.requests(1), 1)[:3] == [8, 6, 3]
        assert 6 not in functions(bench.requests(2), 2)


async def test_a_watchdog_that_does_not_take_its_time_is_an_error() -> None:
    bench = Bench(water(sticks=True), cabinet())
    with pytest.raises(DeviceError, match=r"watchdog \(register 0\) was set to 500 and reads 0"):
        async with running(bench):
            pass


async def test_a_device_is_asked_often_enough_for_its_watchdog() -> None:
    bench = Bench()
    alone = replace(WATER, points=tuple(p for p in WATER.points if p.what in ("pump", "tank")))
    async with running(bench, wire(alone)):
        await asyncio.sleep(5.0)
    times = [when for when, request in bench.asked if request[0] == 1]
    assert max(b - a for a, b in pairwise(times)) < 0.25


async def test_a_device_that_is_back_has_its_watchdog_set_again_and_its_outputs_left_alone() -> (
    None
):
    bench = Bench()
    async with running(bench) as (devices, _):
        assert devices.pump is not None
        await devices.pump.set(True)
        bench.mute.add(1)
        await asyncio.sleep(3.0)
        bench.water.holding[0] = 0
        bench.water.coils[0] = False  # it has been without power
        bench.mute.clear()
        await asyncio.sleep(3.0)
        assert bench.water.holding == {0: 500}
        assert bench.water.coils == {0: False}  # nothing starts again by itself
        assert (await devices.inputs.read()) == ALL_WELL
        lost, back, counts = devices.told()
        assert "replies: " in counts
        assert lost.startswith('water station: address 1 on port "bus" does not answer')
        assert back.startswith("water station answers again after ")


async def test_inputs_of_a_silent_device_are_an_error_once_they_are_stale() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        await asyncio.sleep(1.0)
        bench.mute.add(2)
        await asyncio.sleep(0.15)
        assert await devices.inputs.read() == ALL_WELL
        await asyncio.sleep(0.15)
        with pytest.raises(DeviceError, match=r'inputs of "cabinet" not heard for \d+ ms'):
            await devices.inputs.read()
        bench.mute.clear()
        await asyncio.sleep(2.2)
        assert await devices.inputs.read() == ALL_WELL


async def test_slow_values_of_a_silent_device_are_none_after_three_periods() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        bench.mute.add(1)
        await asyncio.sleep(2.0)
        assert devices.slow()["tank"] == pytest.approx(0.18)
        await asyncio.sleep(3.0)
        assert math.isnan(devices.slow()["tank"])
        assert devices.slow()["temperature_oil"] == pytest.approx(311.65)


@pytest.mark.parametrize("within", [0.1, 0.2, 1.0])
@pytest.mark.parametrize("dead", [1, 2])
async def test_a_silent_device_never_makes_the_inputs_of_the_other_stale(
    dead: int, within: float
) -> None:
    other = {1: CABINET, 2: WATER}[dead]
    extra = replace(WATER, name="third", address=3, points=WATER.points[2:3], watchdog=None)
    plan = wire(WATER, CABINET, extra, port=replace(BUS, answer_within=within))
    bench = Bench(water(), cabinet(), water(address=3))
    async with running(bench, plan) as (devices, _):
        contacts = devices.fresh_contacts
        await asyncio.sleep(1.0)
        bench.mute |= {dead, 3}  # two fall silent at once
        oldest = 0.0
        for _ in range(500):
            await asyncio.sleep(0.005)
            held = [h for s, h in devices.held("leak", "guard_open") if s.device is other]
            age = asyncio.get_running_loop().time() - held[0].asked
            oldest = max(oldest, age)
        assert 0.05 < oldest < 0.25
        with pytest.raises(DeviceError, match="not heard"):
            contacts()


async def test_who_switches_a_silent_pump_is_told_and_the_other_inputs_stay_fresh() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        assert devices.pump is not None
        await asyncio.sleep(1.0)
        bench.mute.add(1)
        for _ in range(5):
            with pytest.raises(DeviceError, match=r"water station: address 1 .* does not answer"):
                await devices.pump.set(False)
            with pytest.raises(DeviceError, match="water station"):
                await devices.pump.status()
            (held,) = (h for s, h in devices.held("guard_open"))
            assert asyncio.get_running_loop().time() - held.asked < 0.25
        # Told at once, not waited for, once it is known to be lost.
        before = len(bench.requests(1))
        with pytest.raises(DeviceError, match="does not answer"):
            await devices.pump.status()
        assert len(bench.requests(1)) == before


async def test_a_dead_device_is_asked_less_and_less_often() -> None:
    bench = Bench()
    async with running(bench):
        bench.mute.add(1)
        await asyncio.sleep(5.0)
        since = len(bench.requests(1))
        await asyncio.sleep(20.0)
        # It is asked for an echo every two seconds, and for nothing else.
        assert functions(bench.requests(1)[since:], 1) in ([8] * 9, [8] * 10)


async def test_a_device_that_is_late_for_a_while_never_says_what_was_asked_before() -> None:
    # Both groups of input registers have the same length: only their order tells them apart.
    flow = Point("flow", "input", 0, "uint16", Scaling(), 0.0, 1e6)
    tank = Point("tank", "input", 9, "uint16", Scaling(), 0.0, 1e6)
    bench = Bench(water(inputs={0: 1000, 9: 9000}), cabinet())
    points = (WATER.points[2], replace(flow, every=0.1), replace(tank, every=0.1))
    count = 0

    def slower(request: bytes, said: Later) -> Later:
        nonlocal count
        count += request[0] == 1
        late = 0.02 * (count % 13) if request[0] == 1 else 0.005
        return [(late, reply) for _, reply in said]

    async with running(bench, wire(replace(WATER, points=points), CABINET)) as (devices, _):
        bench.change = slower
        seen = {"flow": set[float](), "tank": set[float]()}
        for _ in range(500):
            await asyncio.sleep(0.05)
            for what, values in seen.items():
                values.add(devices.slow()[what])
        numbers = {what: {v for v in values if v == v} for what, values in seen.items()}
        assert numbers == {"flow": {1000.0}, "tank": {9000.0}}
        assert devices.report()[0].dropped > 10


async def test_a_device_that_refuses_a_point_is_told_with_its_map() -> None:
    bench = Bench(water(inputs={0: 0}), cabinet())
    with pytest.raises(DeviceError, match=r"illegal data address \(2\); does the map in the rig"):
        async with running(bench):
            pass


async def test_a_point_that_is_refused_later_leaves_the_others_and_is_told_once() -> None:
    bench = Bench()
    async with running(bench) as (devices, _):
        kept = dict(bench.water.inputs)
        bench.water.inputs.clear()
        before = functions(bench.requests(1), 1).count(4)
        await asyncio.sleep(6.0)
        assert functions(bench.requests(1), 1).count(4) - before < 8
        assert math.isnan(devices.slow()["tank"])
        assert await devices.inputs.read() == ALL_WELL
        (told,) = devices.told()
        assert "illegal data address" in told
        assert devices.report()[0].trouble == told
        bench.water.inputs.update(kept)
        await asyncio.sleep(2.0)
        assert devices.slow()["tank"] == pytest.approx(0.18)
        assert devices.report()[0].trouble == ""


# What people are told.


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
