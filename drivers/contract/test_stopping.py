"""Stops: from every state, by the program, by what arrives, and without the program."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

import pytest

from drivers.contract.bench import Bench, told
from drivers.contract.place import promise
from drivers.contract.watch import Watch
from rig.channels import shown
from rig.errors import DeviceError
from rig.samples import SampleBlock

WATCHDOG: Final = 0.5
"""Time [s] after the last heartbeat at which a controller stops by itself."""
UNLOADS_WITHIN: Final = 6.0
"""Time [s] in which an emulated specimen must begin to be unloaded after that."""
Begin = Callable[[Bench, Watch], Awaitable[None]]


async def _without_pressure(bench: Bench, _watch: Watch) -> None:
    await bench.call("pressure off", bench.actuator.pressure("off"))


async def _at_low_pressure(bench: Bench, _watch: Watch) -> None:
    await bench.powered()
    await bench.call("pressure low", bench.actuator.pressure("low"))


async def _ramping(bench: Bench, _watch: Watch) -> None:
    await bench.powered()
    back = (await bench.status()).stroke - 2e-3
    await bench.call("move_stroke", bench.actuator.move_stroke(back, 1e-3))


async def _loaded(bench: Bench, watch: Watch) -> None:
    await bench.loaded(watch)


async def _cycling(bench: Bench, watch: Watch) -> None:
    await bench.loaded(watch)
    frequency = min(4.0, bench.actuator.range.frequency / 2)
    await bench.call("cycle", bench.actuator.cycle(bench.mean, bench.amplitude, frequency, 0.25))
    await bench.pause(1 / frequency)


STATES: Final[dict[str, Begin]] = {
    "without pressure": _without_pressure,
    "at low pressure": _at_low_pressure,
    "under load": _loaded,
    "while cycling": _cycling,
    "on its way": _ramping,
}


@pytest.mark.parametrize("state", STATES)
async def test_the_valve_closes_from_every_state(moving: Bench, state: str) -> None:
    """The valve closes at once whatever the rig does; the load goes, and nothing moves after it."""
    async with moving.watching() as watch:
        await STATES[state](moving, watch)
        await moving.call("close_valve", moving.actuator.close_valve())
        await _shut(moving, watch)
        await moving.call("close_valve again", moving.actuator.close_valve())


async def _shut(bench: Bench, watch: Watch) -> None:
    """Look whether the valve is shut: no motion, no load, no command obeyed."""
    status = await bench.until(
        lambda s: not s.moving and s.mode == "off", 0.5, "its valve does not close"
    )
    await watch.until(
        lambda: watch.value("load") < bench.touch, 2.0, "the valve is closed and the load stays"
    )
    to = status.stroke - 2e-4
    await bench.refused("move_stroke", bench.actuator.move_stroke(to, 1e-3), DeviceError)


async def test_what_arrives_can_close_the_valve(moving: Bench) -> None:
    """A glance that says so closes the valve without anybody reading."""
    post = moving.rig.post
    if post is None:
        pytest.skip("this rig shows samples only in blocks")
    async with moving.watching() as watch:
        await moving.loaded(watch)
        post.stand(_always)
        try:
            await _shut(moving, watch)
        finally:
            post.stand(None)


def _always(_block: SampleBlock) -> bool:
    return True


async def test_a_question_that_was_broken_off_leaves_no_answer_behind(moving: Bench) -> None:
    """After a question that nobody waited for the next answer is that of the next question."""
    async with moving.watching() as watch:
        await moving.loaded(watch)
        for _ in range(5):
            try:
                async with asyncio.timeout(0.001):
                    await moving.actuator.status()
            except TimeoutError:
                pass
            await moving.call("hold", moving.actuator.hold())
        before = await moving.status()
        promise(before.mode == "stroke", f"it was told to hold and says {told(before)}")
        await moving.call("pressure low", moving.actuator.pressure("low"))
        promise((await moving.status()).pressure == "low", "its answer is one of before")


async def test_heartbeats_keep_it_going(moving: Bench) -> None:
    """With a heartbeat each 100 ms it goes on for longer than its watchdog's time."""
    async with moving.watching() as watch:
        await _cycling(moving, watch)
        await moving.pause(2 * WATCHDOG)
        status = await moving.status()
        promise(status.moving and not status.stopped_by, f"it says {told(status)}")


@pytest.mark.parametrize("motion", ["cycling", "ramp"])
async def test_without_heartbeats_it_stops_by_itself(moving: Bench, motion: str) -> None:
    """Half a second after the last heartbeat the controller stops, and says by what."""
    unloads = 0.95 * moving.mean
    async with moving.watching() as watch:
        await moving.loaded(watch)
        if motion == "cycling":
            await _cycling(moving, watch)
        else:
            rate = moving.mean / 16
            await moving.call("move_load", moving.actuator.move_load(2 * moving.mean, rate))
        watch.beating = False
        await moving.pause(WATCHDOG / 2)
        promise(not (await moving.status()).stopped_by, "its watchdog does not wait half a second")
        await moving.until(
            lambda s: s.stopped_by == "watchdog",
            2 * WATCHDOG,
            "no heartbeat comes any more, and its watchdog does not stop it",
        )
        await watch.until(
            lambda: watch.value("load") < unloads,
            UNLOADS_WITHIN,
            "its watchdog has stopped it, and the controller does not go on to unload: the load "
            f"is not below {shown('load', unloads)}",
        )
        await moving.rest()


async def test_pressure_off_ends_every_motion(moving: Bench) -> None:
    """Pressure off in the middle of cycling ends it."""
    async with moving.watching() as watch:
        await _cycling(moving, watch)
        await moving.call("pressure off", moving.actuator.pressure("off"))
        status = await moving.until(
            lambda s: not s.moving and s.pressure == "off", 5.0, "it goes on without pressure"
        )
        promise(status.mode == "off", f'the pressure is off and its mode is "{status.mode}"')
