"""Pump, inputs, horn and slow values of Modbus devices, in virtual time with hand-written peers."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace

import pytest

from drivers.stations import ModbusDevices
from rig.clock import VirtualClock
from rig.errors import DeviceError
from rig.ports import InputState
from tests.drivers.modbus_rig import (
    ALL_WELL,
    CABINET,
    WATER,
    Bench,
    Lines,
    cabinet,
    functions,
    running,
    water,
    wire,
    words_of,
)

pytestmark = pytest.mark.virtual


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
