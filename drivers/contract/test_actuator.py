"""The actuator of an emulated rig: it does what it is told, and says truly what it does."""

from __future__ import annotations

import pytest

from drivers.contract.bench import Bench, told
from drivers.contract.place import promise
from drivers.contract.watch import Watch
from rig.channels import shown
from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorRange, Pressure

STEP = 2e-4
"""Strokes of the tests [m]."""
SPEED = 1e-3
NEAR = 3e-5
"""How near [m] to a stroke a rig must come."""


async def test_its_range_is_the_rig_files(bench: Bench) -> None:
    """The range of the actuator is the rig file's."""
    plan = bench.plan.actuator
    wanted = ActuatorRange(*plan.load, *plan.stroke, plan.speed, plan.frequency)
    found = bench.actuator.range
    # Without limits in the controller the program makes the actuator slower than the file says.
    slower = plan.limits != "controller" and found.speed <= plan.speed
    promise(found == wanted or slower, f"it takes {found}, the rig file says {wanted}")


async def test_pressure_is_what_it_says(moving: Bench) -> None:
    """Pressure goes off, low, high and off, and the state says each."""
    levels: tuple[Pressure, ...] = ("off", "low", "high", "low", "off")
    async with moving.watching():
        for level in levels:
            await moving.call(f"pressure {level}", moving.actuator.pressure(level))
            await moving.until(
                lambda s, level=level: s.pressure == level,  # type: ignore[misc]  # mypy: default
                5.0,
                f"pressure {level} was set and is not there",
            )


async def test_without_pressure_it_does_not_move(moving: Bench) -> None:
    """With the pressure off every motion is refused."""
    async with moving.watching():
        await moving.call("pressure off", moving.actuator.pressure("off"))
        await moving.refused("move_stroke", moving.actuator.move_stroke(STEP, SPEED), DeviceError)
        await moving.refused("hold", moving.actuator.hold(), DeviceError)
        promise(not (await moving.status()).moving, "it moves with the pressure off")


async def test_low_pressure_holds_the_rod(moving: Bench) -> None:
    """Low pressure holds the rod where it is: motions are refused, and it stays."""
    async with moving.watching():
        await moving.powered()
        await moving.call("pressure low", moving.actuator.pressure("low"))
        stood = (await moving.status()).stroke
        to = stood + STEP
        await moving.refused("move_stroke", moving.actuator.move_stroke(to, SPEED), DeviceError)
        await moving.pause(0.3)
        status = await moving.status()
        promise(abs(status.stroke - stood) < NEAR, f"it has moved to {told(status)}")
        await moving.call("pressure high", moving.actuator.pressure("high"))
        status = await moving.status()
        promise(abs(status.stroke - stood) < NEAR, f"high pressure moved it: {told(status)}")


async def test_it_goes_to_a_stroke_and_says_so(moving: Bench) -> None:
    """A ramp of stroke moves, arrives, and ends; hold ends one on its way."""
    async with moving.watching():
        await moving.powered()
        begin = (await moving.status()).stroke
        to = begin - STEP
        await moving.call("move_stroke", moving.actuator.move_stroke(to, SPEED))
        promise((await moving.status()).moving, "it says that it stands while it ramps")
        status = await moving.still(STEP / SPEED + 2.0)
        promise(
            abs(status.stroke - to) < NEAR,
            f"sent to {shown('stroke', to)} it stands at {shown('stroke', status.stroke)}",
        )
        promise(status.mode == "stroke", f'in stroke control its mode is "{status.mode}"')
        await moving.call("move_stroke", moving.actuator.move_stroke(begin - 10 * STEP, SPEED))
        await moving.pause(0.1)
        await moving.call("hold", moving.actuator.hold())
        status = await moving.still(0.5)
        promise(status.stroke > begin - 9 * STEP, "hold did not stop it on its way")
        await moving.call("move_stroke", moving.actuator.move_stroke(begin, SPEED))
        await moving.still(10 * STEP / SPEED + 2.0)


async def test_what_is_out_of_range_is_refused(moving: Bench) -> None:
    """Set-points outside the rig file's ranges are refused, and nothing moves."""
    actuator, able = moving.actuator, moving.actuator.range
    beyond = 1.01 * able.load_high
    async with moving.watching() as watch:
        await moving.contact(watch)
        for what, order, *numbers in (
            ("a stroke above", actuator.move_stroke, able.stroke_high * 1.01, SPEED),
            ("a stroke below", actuator.move_stroke, able.stroke_low * 1.01, SPEED),
            ("a speed above", actuator.move_stroke, 0.0, able.speed * 1.01),
            ("no speed", actuator.move_stroke, 0.0, 0.0),
            ("a load above", actuator.move_load, beyond, moving.mean),
            ("a load below", actuator.move_load, able.load_low - moving.mean, moving.mean),
            ("no number", actuator.move_load, float("nan"), moving.mean),
            ("a frequency above", actuator.cycle, moving.mean, 0.0, able.frequency * 1.01, 1.0),
            ("an upper load above", actuator.cycle, moving.mean, beyond, 1.0, 1.0),
        ):
            await moving.refused(f"{what} the range", order(*numbers), SetpointRefused)
            promise(not (await moving.status()).moving, f"{what} the range: and yet it moves")


async def test_it_goes_to_a_load(moving: Bench) -> None:
    """A ramp of load arrives at the load, which counts as positive where it presses."""
    async with moving.watching() as watch:
        await moving.loaded(watch)
        status = await moving.status()
        promise(status.mode == "load", f'in load control its mode is "{status.mode}"')
        await watch.until(
            lambda: abs(watch.value("load") - moving.mean) < moving.close_to,
            2.0,
            f"sent to {shown('load', moving.mean)} the load has not come there",
        )


async def test_it_goes_to_a_deflection_or_says_that_it_cannot(moving: Bench) -> None:
    """Net deflection is ramped, or the driver says that its controller cannot."""
    async with moving.watching() as watch:
        await moving.loaded(watch)
        to = _net(watch) - 1e-5
        try:
            await moving.call("move_deflection", moving.actuator.move_deflection(to, 1e-4))
        except DeviceError as error:
            pytest.skip(f"no deflection control: {error}")
        status = await moving.still(3.0)
        promise(status.mode == "deflection", f'its mode is "{status.mode}"')
        await watch.until(
            lambda: abs(_net(watch) - to) < 5e-6,
            1.0,
            f"net deflection has not come to {shown('deflection', to)}",
        )


def _net(watch: Watch) -> float:
    """Return the net deflection [m]: mid-span minus the mean over the supports."""
    supports = [
        watch.value(name) for name in watch.channels if name in ("support_left", "support_right")
    ]
    return watch.value("midspan") - (sum(supports) / len(supports) if supports else 0.0)


async def test_it_cycles_and_counts(moving: Bench) -> None:
    """Cycling reaches its load range at its frequency, follows a change, and falls to zero."""
    frequency = min(4.0, moving.actuator.range.frequency / 2)
    amplitude = moving.amplitude
    async with moving.watching() as watch:
        await moving.loaded(watch)
        counted = (await moving.status()).counter
        await moving.call(
            "cycle", moving.actuator.cycle(moving.mean, amplitude, frequency, 2 / frequency)
        )
        await _swings(moving, watch, frequency, amplitude)
        status = await moving.status()
        promise(status.moving, f"it cycles and says {told(status)}")
        promise(status.counter > counted, f"its counter stands at {status.counter}")
        await moving.call("adjust", moving.actuator.adjust(moving.mean, amplitude / 2))
        await _swings(moving, watch, frequency, amplitude / 2)
        before, began = (await moving.status()).counter, moving.clock.now()
        await moving.pause(3 / frequency)
        passed = (moving.clock.now() - began) * frequency
        counts = (await moving.status()).counter - before
        promise(abs(counts - passed) <= 1.5, f"it counts {counts} in the time of {passed:.1f}")
        await moving.call("end_cycling", moving.actuator.end_cycling(1 / frequency))
        await moving.still(8 / frequency + 2.0)
        await watch.until(
            lambda: abs(watch.value("load") - moving.mean) < moving.close_to,
            1.0,
            "after end_cycling the mean load has not stayed",
        )


async def _swings(bench: Bench, watch: Watch, frequency: float, amplitude: float) -> None:
    """Wait until the load swings about the mean load of the tests by an amplitude [N]."""

    def reached() -> bool:
        load = watch.last("load", 2 / frequency)
        half = float(load.max() - load.min()) / 2
        middle = float(load.max() + load.min()) / 2
        near = abs(middle - bench.mean) < bench.close_to
        return near and abs(half - amplitude) < 0.15 * amplitude

    load = f"{shown('load', bench.mean)} +- {shown('load', amplitude)}"
    await watch.until(reached, 10 / frequency + 3.0, f"the load does not cycle about {load}")


async def test_it_stops_at_its_count(moving: Bench) -> None:
    """Given a count it stops by itself at it and says so; taken away, it goes on."""
    frequency = min(8.0, moving.actuator.range.frequency / 2)
    async with moving.watching() as watch:
        await moving.loaded(watch)
        count = (await moving.status()).counter + 3
        await moving.call("stop_at", moving.actuator.stop_at(count))
        await moving.call(
            "cycle", moving.actuator.cycle(moving.mean, moving.amplitude, frequency, 0.0)
        )
        status = await moving.still(12 / frequency + 4.0)
        promise(status.stopped_by == "count", f"at its count it says {told(status)}")
        falls = max(4.0, 2.0 * frequency)  # cycles in which the amplitude goes to zero
        promise(
            count <= status.counter <= count + falls + 1,
            f"told to stop at {count} it stands at {status.counter}",
        )
        await moving.call("stop_at(None)", moving.actuator.stop_at(None))
        await moving.call(
            "cycle", moving.actuator.cycle(moving.mean, moving.amplitude, frequency, 0.0)
        )
        await moving.pause(2 / frequency)
        status = await moving.status()
        promise(status.moving, "it stops though its count was taken away")
        promise(not status.stopped_by, f"it moves again and still says {told(status)}")
        await moving.call("end_cycling", moving.actuator.end_cycling(1 / frequency))
        await moving.still(8 / frequency + 2.0)
