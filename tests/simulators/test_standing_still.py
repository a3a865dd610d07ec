"""Pressure levels, horn, ends of cycling, and the way off the specimen and back to it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.errors import DeviceError
from rig.ports import Rig
from tests.simulators.driving import (
    AMPLITUDE,
    MEAN,
    QUIET,
    UPPER,
    contact,
    drive,
    fatigue,
    finish,
    setup,
    take,
)

FREQUENCY = 4.0
PER_CYCLE = 50
SEAT = 1e3
BROKEN = 0.5 * UPPER


async def at_rest(rig: Rig) -> None:
    """Cycle for a while, then let the amplitude fall; the mean load stays."""
    await fatigue(rig)
    await take(rig, 1000)
    await rig.actuator.end_cycling(2.0)
    await take(rig, 500)


async def seated(rig: Rig) -> None:
    """From a load on the specimen to the seat load."""
    await rig.actuator.move_load(SEAT, 20e3)
    await finish(rig)


async def approach(rig: Rig) -> None:
    """Slowly down until there is load, then the seat load in load control."""
    stroke = (await rig.actuator.status()).stroke
    await rig.actuator.move_stroke(stroke + 20e-3, 1e-3)
    for _ in range(5000):
        if (await take(rig, 4, 4))[0, -1] > 0.5 * SEAT:
            break
    await rig.actuator.hold()
    await seated(rig)


async def lift_off(rig: Rig) -> np.ndarray:
    """Seat, back by 1 mm; return the last frames off the specimen."""
    await seated(rig)
    stroke = (await rig.actuator.status()).stroke
    await rig.actuator.move_stroke(stroke - 1e-3, 1e-3)
    return (await finish(rig))[:, -10:]


async def unload_for_long(rig: Rig) -> np.ndarray:
    """Unload, retract by 5 mm, valve closed, pressure off, on again minutes later."""
    await seated(rig)
    stroke = (await rig.actuator.status()).stroke
    await rig.actuator.move_stroke(stroke - 5e-3, 1e-3)
    await finish(rig)
    await rig.actuator.close_valve()
    await rig.actuator.pressure("off")
    off = await take(rig, 200 * 300, 5000)
    await rig.actuator.pressure("high")
    return np.concatenate([off, await take(rig, 10)], axis=1)


async def cycle_on(rig: Rig) -> None:
    """From the seat load to cycling."""
    await rig.actuator.move_load(MEAN, 20e3)
    await finish(rig)
    await rig.actuator.cycle(MEAN, AMPLITUDE, FREQUENCY, 2.0)


async def stop(rig: Rig) -> None:
    """Amplitude to zero."""
    await rig.actuator.end_cycling(2.0)
    await take(rig, 500)


def test_low_pressure_holds_stroke_and_load_and_going_to_it_and_back_shows_in_no_frame() -> None:
    async def job(rig: Rig) -> np.ndarray:
        await at_rest(rig)
        parts = [await take(rig, 100)]
        for level in ("low", "high", "low", "high"):
            await rig.actuator.pressure(level)
            assert (await rig.actuator.status()).pressure == level
            parts.append(await take(rig, 300))
        await rig.actuator.move_load(MEAN, 10e3)
        parts.append(await take(rig, 100))
        return np.concatenate(parts, axis=1)

    values = drive(setup(), job)
    # Neither wear nor creep is at work while nothing cycles: all frames are the first one.
    assert np.ptp(values[0]) < 1e-6 * MEAN
    assert np.ptp(values[1:], axis=1).max() < 1e-9


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("move_stroke", (1e-3, 1e-3)),
        ("move_load", (10e3, 1e3)),
        ("move_deflection", (1e-3, 1e-3)),
        ("cycle", (20e3, 5e3, 1.0, 1.0)),
        ("adjust", (20e3, 5e3)),
        ("end_cycling", (1.0,)),
    ],
)
def test_low_pressure_moves_nothing_by_command(name: str, values: tuple[float, ...]) -> None:
    async def job(rig: Rig) -> None:
        await contact(rig)
        await rig.actuator.pressure("low")
        with pytest.raises(DeviceError, match="low pressure"):
            await getattr(rig.actuator, name)(*values)
        assert not (await rig.actuator.status()).moving

    drive(setup(), job)


def test_low_pressure_during_cycling_stands_still_at_once() -> None:
    async def job(rig: Rig) -> np.ndarray:
        await fatigue(rig)
        await take(rig, 1010)
        await rig.actuator.pressure("low")
        status = await rig.actuator.status()
        assert (status.mode, status.moving) == ("stroke", False)
        return await take(rig, 400)

    values = drive(setup(), job)
    assert np.ptp(values, axis=1).max() == 0


def test_pressure_low_from_off_takes_the_rod_up_where_it_is() -> None:
    async def job(rig: Rig) -> np.ndarray:
        await rig.actuator.pressure("low")
        assert (await rig.actuator.status()).mode == "stroke"
        parts = [await take(rig, 50)]
        await rig.actuator.pressure("high")
        await rig.actuator.move_stroke(1e-3, 1e-3)
        parts.append(await finish(rig))
        return np.concatenate(parts, axis=1)

    stroke = drive(setup(), job)[2]
    assert np.ptp(stroke[:50]) == 0
    assert np.abs(np.diff(stroke)).max() < 1.01 * 1e-3 / 200
    assert stroke[-1] == pytest.approx(1e-3)


def test_the_horn_remembers_when_it_sounded() -> None:
    async def job(rig: Rig) -> Any:
        assert rig.horn is not None
        await take(rig, 40)
        await rig.horn.set(True)
        await take(rig, 1000)
        await rig.horn.set(True)
        await rig.horn.set(False)
        return rig.horn.switched  # type: ignore[attr-defined]

    assert drive(setup(), job) == [(40, True), (1040, False)]


@pytest.mark.parametrize("first", ["end_cycling", "count"])
@pytest.mark.parametrize("after", [3, pytest.param(137, marks=pytest.mark.nights), 390])
def test_ending_cycles_twice_goes_on_with_the_fall_under_way(first: str, after: int) -> None:
    """Frames with and without the second command are the same."""

    def job(again: bool) -> Any:
        async def run(rig: Rig) -> np.ndarray:
            await fatigue(rig)
            await take(rig, 900)
            if first == "count":
                await rig.actuator.stop_at(20)  # cycles: frame 1000
                await take(rig, 100)
            else:
                await take(rig, 100)
                await rig.actuator.end_cycling(2.0)
            parts = [await take(rig, after)]
            if again:
                await rig.actuator.end_cycling(0.5)
            parts.append(await take(rig, 800 - after))
            return np.concatenate(parts, axis=1)

        return run

    once, twice = drive(setup(), job(False)), drive(setup(), job(True))
    assert np.ptp(once[0, 100:200]) < np.ptp(once[0, :50])
    assert once.tobytes() == twice.tobytes()


@pytest.mark.parametrize("after", [3, pytest.param(137, marks=pytest.mark.nights), 260])
@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("hold", ()),
        ("move_load", (MEAN, 5e3)),
        ("adjust", (1.05 * MEAN, AMPLITUDE)),
        ("pressure", ("low",)),
    ],
)
def test_no_command_makes_the_stroke_jump_while_the_amplitude_falls(
    name: str, values: tuple[Any, ...], after: int
) -> None:
    """From frame to frame hardly further than at full amplitude: 10 % for servo and hysteresis."""

    async def job(rig: Rig) -> tuple[np.ndarray, np.ndarray]:
        await fatigue(rig)
        await take(rig, 1000)
        full = await take(rig, 200)
        await rig.actuator.end_cycling(2.0)
        falling = await take(rig, after)
        await getattr(rig.actuator, name)(*values)
        return full, np.concatenate([falling, await take(rig, 400)], axis=1)

    full, falling = drive(setup(life_scale=1.0), job)
    assert np.abs(np.diff(falling[2])).max() <= 1.1 * np.abs(np.diff(full[2])).max()


def test_new_cycling_is_refused_while_the_amplitude_falls() -> None:
    async def job(rig: Rig) -> None:
        await fatigue(rig)
        await take(rig, 1000)
        await rig.actuator.end_cycling(2.0)
        await take(rig, 100)
        with pytest.raises(DeviceError, match="cycles already"):
            await rig.actuator.cycle(MEAN, AMPLITUDE, FREQUENCY, 2.0)
        await take(rig, 400)
        await rig.actuator.cycle(MEAN, AMPLITUDE, FREQUENCY, 2.0)

    drive(setup(), job)


@pytest.mark.parametrize("leave", [lift_off, unload_for_long])
@pytest.mark.parametrize("thousands", [0, 1, pytest.param(3, marks=pytest.mark.nights)])
def test_the_rod_leaves_the_specimen_and_finds_it_again_at_any_age(
    leave: Any, thousands: int
) -> None:
    """Off: no load. Back: load control works, and the stiffness is what it was before."""

    async def job(rig: Rig) -> None:
        await fatigue(rig)
        await take(rig, 500 + thousands * 1000 * PER_CYCLE, 5000)
        before = await take(rig, 200)
        await stop(rig)
        off = await leave(rig)
        assert np.abs(off[0, -10:]).max() == 0
        assert np.abs(np.diff(off[2])).max() < 1.01e-3 / 200
        with pytest.raises(DeviceError, match="contact"):
            await rig.actuator.move_load(SEAT, 1e3)
        await approach(rig)
        await cycle_on(rig)
        await take(rig, 500)
        after = await take(rig, 200)
        stiffness = [np.ptp(v[0]) / np.ptp(v[1]) for v in (before, after)]
        assert stiffness[1] == pytest.approx(stiffness[0], rel=5e-3)
        assert stiffness[1] < stiffness[0]

    drive(setup(scatter=0.0), job)


@pytest.mark.nights
@pytest.mark.parametrize("leave", [lift_off, unload_for_long])
def test_leaving_the_specimen_over_and_over_takes_nothing_from_its_life(leave: Any) -> None:
    """The controller's counter at the collapse is the same but for the build-ups' low cycles."""

    def job(often: int) -> Any:
        async def run(rig: Rig) -> int:
            await fatigue(rig)
            for number in range(40):
                values = await take(rig, 200 * PER_CYCLE, 5000)
                if values[0, -PER_CYCLE:].max() < BROKEN:
                    break
                if number < often:
                    await stop(rig)
                    await leave(rig)
                    await approach(rig)
                    await cycle_on(rig)
            return (await rig.actuator.status()).counter

        return run

    # A loop as fast as this reaches the loads in full, between which the life is told.
    made = setup(scatter=0.0, channels=QUIET, servo_bandwidth=500.0)
    straight, broken_up = drive(made, job(0)), drive(made, job(12))
    assert straight == pytest.approx(4000, rel=0.1)  # life_dry × life_scale
    assert 0 <= broken_up - straight <= 12 * 2 * 2 * FREQUENCY
