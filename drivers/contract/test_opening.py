"""Opening and closing: nothing stays behind, nothing is taken twice, nothing moves."""

from __future__ import annotations

from dataclasses import replace

from drivers.contract.place import Place, promise
from drivers.contract.traces import nothing_left, traces
from rig.errors import RigError
from rig.ports import Rig


async def test_closing_ends_every_thread_port_and_task(place: Place) -> None:
    """Closing the rig ends all its threads, ports and tasks, each time it was open."""
    for _ in range(2):
        before = traces()
        await place.close(await place.open())
        await nothing_left(before)


async def test_a_rig_stands_when_it_is_opened(place: Place) -> None:
    """Opening moves nothing and puts no pressure on."""
    rig = await place.open()
    try:
        status = await rig.actuator.status()
        if rig.emulated:  # a real rig may be at work for somebody else
            promise(status.pressure == "off", f"opened with pressure {status.pressure}")
            promise(not status.moving, "it moves once it is opened")
            promise(status.mode == "off", f'its valve is open: mode "{status.mode}"')
    finally:
        await place.close(rig)


async def test_a_second_opening_is_refused_or_independent(place: Place) -> None:
    """Whoever opens the rig twice is refused, or gets devices that do not touch the first."""
    first = await place.open()
    try:
        second = await _second(place)
        if second is not None:
            await place.close(second)
        await first.actuator.status()
        block = await first.acquisition.read(10)
        await first.acquisition.keep(block.frames)
    finally:
        await place.close(first)


async def test_only_the_devices_say_that_they_are_emulated(place: Place) -> None:
    """No name and no key of a rig file makes a rig emulated, or real."""
    rig = await place.open()
    answered = rig.emulated
    await place.close(rig)
    promise(isinstance(answered, bool), f"emulated is no yes or no: {answered!r}")
    claims = {**place.plan.settings, "emulated": not answered, "simulated": not answered}
    other = replace(place.plan, name="a frame of another name", settings=claims)
    try:
        rig = await place.open(other)
    except RigError:  # a driver may refuse keys that it does not know
        return
    try:
        promise(
            rig.emulated == answered,
            f"with other words in its rig file it answers emulated = {rig.emulated}",
        )
    finally:
        await place.close(rig)


async def _second(place: Place) -> Rig | None:
    """Open the rig once more; None where that is refused in words."""
    try:
        return await place.open()
    except RigError as error:
        promise(bool(str(error)), "it is refused without a word")
        return None
