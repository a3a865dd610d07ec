"""Modbus devices that come and go: watchdogs, values that grow old, what is refused."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace
from itertools import pairwise

import pytest

from rig.errors import DeviceError
from rig.protocol.wire import Point, Scaling
from tests.drivers.modbus_peer import Later
from tests.drivers.modbus_rig import (
    ALL_WELL,
    BUS,
    CABINET,
    WATER,
    Bench,
    cabinet,
    functions,
    running,
    water,
    wire,
)

pytestmark = pytest.mark.virtual


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
