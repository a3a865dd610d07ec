"""The contract suite names drivers whose actuator moves, stops or says otherwise than it must."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.contract import test_actuator, test_limits, test_stopping
from rig.errors import DeviceError
from rig.ports import ActuatorStatus, Rig
from tests.drivers.broken_rigs import Case, actuator


def clamps(rig: Rig) -> Rig:
    """Move as far as it goes instead of refusing."""

    async def move_stroke(to: float, speed: float) -> None:
        able = rig.actuator.range
        to = min(max(to, able.stroke_low), able.stroke_high)
        await rig.actuator.move_stroke(to, min(speed, able.speed) or 1e-3)

    return actuator(rig, move_stroke=move_stroke)


def refuses_in_another_word(rig: Rig) -> Rig:
    async def move_stroke(to: float, speed: float) -> None:
        try:
            await rig.actuator.move_stroke(to, speed)
        except DeviceError as error:
            raise DeviceError(str(error)) from None

    return actuator(rig, move_stroke=move_stroke)


def stands_always(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), moving=False)

    return actuator(rig, status=status)


def moves_at_low_pressure(rig: Rig) -> Rig:
    """Say low, and give all there is."""
    said = ["off"]

    async def pressure(level) -> None:
        said[0] = level
        await rig.actuator.pressure("high" if level == "low" else level)

    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), pressure=said[0])

    return actuator(rig, pressure=pressure, status=status)


def counts_no_stop(rig: Rig) -> Rig:
    async def stop_at(_count) -> None:
        return

    return actuator(rig, stop_at=stop_at)


def swings_too_little(rig: Rig) -> Rig:
    async def cycle(mean: float, amplitude: float, frequency: float, over: float) -> None:
        await rig.actuator.cycle(mean, 0.7 * amplitude, frequency, over)

    return actuator(rig, cycle=cycle)


def rounds_limits(rig: Rig) -> Rig:
    async def read_limits() -> dict[str, tuple[float, float]]:
        return {
            name: (low, 1.001 * high)
            for name, (low, high) in (await rig.actuator.read_limits()).items()
        }

    return actuator(rig, read_limits=read_limits)


def only_keeps_limits(rig: Rig) -> Rig:
    """Remember limits and hold nothing against them."""
    kept: dict[str, tuple[float, float]] = {}

    async def write_limits(limits) -> None:
        kept.update(limits)

    async def read_limits() -> dict[str, tuple[float, float]]:
        return kept

    return actuator(rig, write_limits=write_limits, read_limits=read_limits)


def valve_sticks(rig: Rig) -> Rig:
    async def close_valve() -> None:
        if not (await rig.actuator.status()).moving:
            await rig.actuator.close_valve()

    return actuator(rig, close_valve=close_valve)


def beats_by_itself(rig: Rig) -> Rig:
    """Send heartbeats whatever the program does: its watchdog watches nothing."""

    async def status() -> ActuatorStatus:
        await rig.actuator.heartbeat()
        return await rig.actuator.status()

    return actuator(rig, status=status)


def hears_no_heartbeat(rig: Rig) -> Rig:
    async def heartbeat() -> None:
        return

    return actuator(rig, heartbeat=heartbeat)


CASES = [
    Case(clamps, test_actuator.test_what_is_out_of_range_is_refused, "was not refused"),
    Case(
        refuses_in_another_word,
        test_actuator.test_what_is_out_of_range_is_refused,
        "DeviceError, not SetpointRefused",
    ),
    Case(stands_always, test_actuator.test_it_goes_to_a_stroke_and_says_so, "while it ramps"),
    Case(moves_at_low_pressure, test_actuator.test_low_pressure_holds_the_rod, "was not refused"),
    Case(swings_too_little, test_actuator.test_it_cycles_and_counts, "does not cycle about"),
    Case(counts_no_stop, test_actuator.test_it_stops_at_its_count, "has not ended"),
    Case(rounds_limits, test_limits.test_limits_read_back_as_written, "reads back as"),
    Case(
        only_keeps_limits,
        test_limits.test_the_controller_stops_at_its_own_limit,
        "nothing stopped it",
    ),
    Case(
        valve_sticks,
        test_stopping.test_the_valve_closes_from_every_state,
        "valve does not close",
        words=("while cycling",),
    ),
    Case(
        beats_by_itself,
        test_stopping.test_without_heartbeats_it_stops_by_itself,
        "does not stop it",
        words=("cycling",),
    ),
    Case(hears_no_heartbeat, test_stopping.test_heartbeats_keep_it_going, "stopped by watchdog"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.wrong.__name__)
def test_what_an_actuator_does_not_keep_is_named(case):
    case.is_named()
