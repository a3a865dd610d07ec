"""A mass that moves with the rod, sensors that show something else, gauges that get wet."""

from __future__ import annotations

import asyncio
from functools import partial

import numpy as np
import pytest

from rig.channels import Channel
from rig.clock import VirtualLoop
from simulators.faults import Flat, Missing
from simulators.machine import Machine
from simulators.motion import Cycling
from simulators.rig import simulated_rig
from simulators.rod import reached, swing
from simulators.sensors import slow_readings
from simulators.setup import SimulationSetup
from simulators.state import World
from tests.simulators.driving import AMPLITUDE, LOWER, MEAN, QUIET, UPPER, setup

RATE = 1000.0
FREQUENCY = 5.0
MOVED = (*QUIET, Channel("acceleration", "m/s2", 0.0, -500.0, 500.0))


def heavy(**changes: object) -> SimulationSetup:
    values = {"rate": RATE, "moving_mass": 200.0, "channels": MOVED, "life_scale": 1e6}
    return setup(**(values | changes))


def cycled(rig_setup: SimulationSetup, seconds: float = 6.0):
    """Return samples by channel and the true load, once it cycles as it does for ever."""

    async def run():
        rig = simulated_rig(rig_setup, 1, None)
        machine: Machine = rig.acquisition._machine
        await rig.actuator.pressure("high")
        await rig.actuator.move_stroke(4e-3, 5e-3)
        await _pass(rig, 1.5)
        await rig.actuator.move_load(UPPER, 50e3)
        await _pass(rig, 4.0)
        await rig.actuator.move_load(MEAN, 50e3)
        await _pass(rig, 3.0)
        await rig.actuator.cycle(MEAN, AMPLITUDE, FREQUENCY, 2.0)
        await _pass(rig, 3.0)
        blocks, true = [], []
        for _ in range(round(seconds / 0.2)):
            await rig.actuator.heartbeat()
            block = await rig.acquisition.read(200)
            parts = [s.signals(np.arange(b, e)).load for s, b, e in machine._pieces if e > b]
            assert all(isinstance(s.state.motion, Cycling) for s, _, _ in machine._pieces)
            blocks.append(block.values.copy())
            true.append(np.concatenate(parts))
            await rig.acquisition.keep(block.frames)
        names = block.channels
        await rig.acquisition.close()
        values = np.concatenate(blocks, axis=1)
        return dict(zip(names, values, strict=True)), np.concatenate(true)

    with asyncio.Runner(loop_factory=partial(VirtualLoop, 0.0)) as runner:
        return runner.run(run())


async def _pass(rig, seconds: float) -> None:
    for _ in range(round(seconds / 0.1)):
        await rig.actuator.heartbeat()
        block = await rig.acquisition.read(round(0.1 * RATE))
        await rig.acquisition.keep(block.frames)


def test_the_cell_shows_what_the_specimen_carries_and_what_accelerates_the_mass() -> None:
    shown, true = cycled(heavy())
    np.testing.assert_allclose(shown["load"], true + 200 * shown["acceleration"], atol=0.05)
    assert np.ptp(shown["acceleration"]) > 1.0


def test_a_cell_under_the_specimen_lacks_it() -> None:
    shown, true = cycled(heavy(cell="fixed"))
    np.testing.assert_allclose(shown["load"], true - 200 * shown["acceleration"], atol=0.05)


def test_acceleration_is_the_second_derivative_of_the_stroke() -> None:
    shown, _ = cycled(heavy())
    stroke = shown["stroke"].astype(np.float64)
    # Over 8 ms: float32 holds a stroke of 10 mm to 1 nm, which is 0.02 m/s2 there.
    by_steps = (stroke[16:] - 2 * stroke[8:-8] + stroke[:-16]) * (RATE / 8) ** 2
    np.testing.assert_allclose(
        by_steps, shown["acceleration"][8:-8], atol=0.05 * np.abs(shown["acceleration"]).max()
    )


@pytest.mark.parametrize("cell", ["moving", "fixed"])
def test_the_loop_holds_the_cell_to_the_command_and_not_the_specimen(cell) -> None:
    shown, true = cycled(heavy(cell=cell, servo_bandwidth=500.0))
    asked = UPPER - LOWER
    assert np.ptp(shown["load"]) == pytest.approx(asked, rel=0.01)
    assert (np.ptp(true) > 1.002 * asked) == (cell == "moving")
    assert (np.ptp(true) < 0.998 * asked) == (cell == "fixed")


def test_without_a_mass_nothing_is_otherwise_than_it_was() -> None:
    with_none, _ = cycled(heavy(moving_mass=0.0), seconds=1.0)
    shown, _ = cycled(setup(rate=RATE, life_scale=1e6), seconds=1.0)
    for name, values in shown.items():
        np.testing.assert_array_equal(values, with_none[name])
    assert not with_none["acceleration"].any()


def test_a_mass_on_a_spring_swings_up_as_its_natural_frequency_says() -> None:
    """A linear spring: the load over the cell is 1 / (1 - (f / f1)2), from Newton's second law."""
    mass, stiffness = 120.0, 5e6
    first = np.sqrt(stiffness / mass) / (2 * np.pi)
    for share in (0.1, 0.25, 0.5):
        grown = reached(mass, share * first, np.array([1 / stiffness]))[0]
        assert grown == pytest.approx(1 / (1 - share**2), rel=1e-12)
    assert reached(-mass, 0.25 * first, np.array([1 / stiffness]))[0] < 1.0


def test_the_rod_on_a_spring_moves_as_the_load_does() -> None:
    angle = np.linspace(0, 2 * np.pi, 200)
    mean, amplitude = np.full(200, 10e3), np.full(200, 8e3)
    stroke, acceleration = swing(lambda n: n / 5e6, mean, amplitude, angle, 5.0, 20.0)
    np.testing.assert_allclose(stroke, (10e3 + 8e3 * np.sin(angle)) / 5e6, atol=1e-12)
    turn = (2 * np.pi * 5.0) ** 2
    np.testing.assert_allclose(acceleration, -turn * 8e3 / 5e6 * np.sin(angle), atol=1e-9)


def test_a_rod_whose_amplitude_grows_goes_on_without_a_step() -> None:
    angle = 2 * np.pi * 5.0 * np.arange(2000) / 1000
    grows = 8e3 * np.arange(2000) / 2000

    def bent(load: np.ndarray) -> np.ndarray:
        return load / 5e6 + np.maximum(load - 11e3, 0) / 2e6

    stroke, _ = swing(bent, np.full(2000, 10e3), grows, angle, 5.0, 20.0)
    assert np.abs(np.diff(stroke)).max() < 2 * 8e3 * (1 / 5e6 + 1 / 2e6) * np.pi * 5 / 1000


def test_a_softer_rig_bends_its_specimen_further_behind_the_same_cell() -> None:
    light, heavier = (cycled(heavy(moving_mass=m), seconds=0.4)[1] for m in (50.0, 400.0))
    assert np.ptp(heavier) > np.ptp(light)


POINTS = {"load": ((0.0, 0.0), (100e3, 101e3)), "stroke": ((0.0, 1e-3), (0.05, 0.0515))}


def test_a_rig_off_its_calibration_shows_and_obeys_what_it_shows() -> None:
    shown, true = cycled(heavy(moving_mass=0.0, points=POINTS, servo_bandwidth=500.0))
    np.testing.assert_allclose(shown["load"] * 1.01, true, rtol=1e-6)
    assert shown["load"].max() == pytest.approx(UPPER, rel=1e-3)
    assert true.max() == pytest.approx(1.01 * UPPER, rel=1e-3)


async def test_limits_read_back_as_they_were_written_off_a_calibration() -> None:
    rig = simulated_rig(heavy(points=POINTS), 1, None)
    await rig.actuator.write_limits({"load": (-1e3, 90e3), "stroke": (-0.02, 0.03)})
    back = await rig.actuator.read_limits()
    assert back["load"] == pytest.approx((-1e3, 90e3), rel=1e-12)
    assert back["stroke"] == pytest.approx((-0.02, 0.03), rel=1e-12)
    assert (await rig.actuator.status()).stroke == pytest.approx(-1e-3 / 1.01, rel=1e-9)
    await rig.acquisition.close()


def test_wet_gauges_insulate_less_and_a_damp_one_is_told() -> None:
    faults = (Flat("insulation_2", 100, 200, 5e6), Missing("temperature_air", 100, 200))
    dry = World(heavy(faults=faults), 1)
    wet = World(heavy(exposure="submerged"), 1)
    names = ("insulation_1", "insulation_2", "temperature_air")
    before = slow_readings(names, dry, dry.start())
    state = dry.aged(dry.start(), 150, 0.0)
    during = slow_readings(names, dry, state)
    soaked = slow_readings(names, wet, wet.start())
    assert before["insulation_1"] > 1e9 > soaked["insulation_1"] > 1e8
    assert during["insulation_2"] == 5e6
    assert during["insulation_1"] == pytest.approx(before["insulation_1"])
    assert np.isnan(during["temperature_air"])
    assert not np.isnan(before["temperature_air"])
