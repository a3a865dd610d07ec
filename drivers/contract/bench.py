"""The rig on the bench: asked in time, its samples followed, brought to where a test begins."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import Final, TypeVar

from drivers.contract.place import Broken, Place, promise
from drivers.contract.traces import Traces, traces
from drivers.contract.watch import Watch
from rig.channels import shown
from rig.errors import DeviceError
from rig.ports import Actuator, ActuatorStatus, Rig

T = TypeVar("T")

ANSWERS_WITHIN: Final = 2.0
"""Time [s] in which a device must have answered at the latest; a test waits 0.25 s."""
STEP: Final = 0.01
"""Time [s] between two looks at what is waited for."""
POWER_WITHIN: Final = 30.0
REST_TRIES: Final = 3
APPROACH: Final = 0.005
"""Speed [m/s] at which the rod goes down to the emulated specimen."""
WAY: Final = 0.03
"""How far [m] it goes at most."""


class Bench:
    """An open rig. Loads of the tests [N] are small shares of what its actuator can do."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.plan = place.plan
        self.clock = place.clock
        self.rig: Rig
        self.before: Traces
        self.is_open = False
        high = self.plan.actuator.load[1]
        self.touch = 0.01 * high
        self.mean = 0.08 * high
        self.amplitude = 0.03 * high
        self.close_to = 0.006 * high
        """How near [N] to a load a rig must come."""

    @property
    def actuator(self) -> Actuator:
        """The actuator of the rig."""
        return self.rig.actuator

    async def begin(self) -> None:
        """Open the rig."""
        self.before = traces()
        self.rig = await self.place.open()
        self.is_open = True

    async def end(self) -> None:
        """Leave the rig at rest and close it, once."""
        if not self.is_open:
            return
        if self.rig.emulated:
            await self.rest()
        self.is_open = False
        await self.place.close(self.rig)

    async def call(self, what: str, asking: Awaitable[T]) -> T:
        """Return a device's answer. Raises Broken where it does not come, and what it raises."""
        limit = asyncio.timeout(ANSWERS_WITHIN)
        try:
            async with limit:
                return await asking
        except TimeoutError:
            raise Broken(f"{what} has not come back within {ANSWERS_WITHIN:g} s") from None

    async def refused(self, what: str, asking: Awaitable[object], *kinds: type[Exception]) -> None:
        """Try what must be refused by an error of one of these kinds."""
        try:
            await self.call(what, asking)
        except kinds as error:
            promise(bool(str(error)), f"{what} was refused without a word")
            return
        except DeviceError as error:
            wanted = " or ".join(kind.__name__ for kind in kinds)
            raise Broken(f"{what} raised {type(error).__name__}, not {wanted}") from error
        raise Broken(f"{what} was not refused")

    async def status(self) -> ActuatorStatus:
        """Ask the controller for its state."""
        return await self.call("actuator.status", self.actuator.status())

    async def pause(self, seconds: float) -> None:
        """Let time pass [s]."""
        await self.clock.sleep(seconds)

    async def until(
        self, claim: Callable[[ActuatorStatus], bool], within: float, otherwise: str
    ) -> ActuatorStatus:
        """Ask for the state until a claim holds; raises Broken after `within` [s]."""
        began = self.clock.now()
        while not claim(status := await self.status()):
            promise(
                self.clock.now() - began < within,
                f"{otherwise} within {within:g} s; the controller says {told(status)}",
            )
            await self.pause(STEP)
        return status

    async def still(self, within: float) -> ActuatorStatus:
        """Wait until nothing moves by command any more."""
        return await self.until(lambda s: not s.moving, within, "the motion has not ended")

    @asynccontextmanager
    async def watching(self, *, beating: bool = True) -> AsyncIterator[Watch]:
        """Follow the samples, with a heartbeat each 100 ms behind them where `beating`."""
        watch = Watch(self.rig, self.clock)
        watch.beating = beating
        await watch.catch_up()
        async with asyncio.TaskGroup() as group:
            following = group.create_task(watch.follow())
            try:
                yield watch
            finally:
                # Not cancelled: that would be in the middle of a block.
                watch.over = True
                await asyncio.wait([following])

    async def powered(self) -> None:
        """Stand still with high pressure on, whatever was before."""
        status = await self.status()
        if status.moving or status.stopped_by:
            await self.call("close_valve", self.actuator.close_valve())
            status = await self.status()
        if status.pressure != "high" or status.mode == "off":
            await self.call("pressure high", self.actuator.pressure("high"))
        await self.until(
            lambda s: s.pressure == "high", POWER_WITHIN, "high pressure has not come on"
        )
        await self.still(10.0)

    async def rest(self) -> None:
        """Close the valve, take the pressure off, let go of pump and horn."""
        await self._surely("close_valve", self.actuator.close_valve)
        await self._surely("pressure off", lambda: self.actuator.pressure("off"))
        for device in (self.rig.pump, self.rig.horn):
            if device is not None:
                await self._surely("switching off", partial(device.set, False))

    async def _surely(self, what: str, asking: Callable[[], Awaitable[None]]) -> None:
        """Do what must be done at the end, again where a device does not answer."""
        for left in reversed(range(REST_TRIES)):
            try:
                await self.call(what, asking())
                return
            except DeviceError:
                if not left:
                    raise

    async def contact(self, watch: Watch) -> None:
        """Bring the rod down until the emulated specimen carries a little, and hold it there."""
        await self.powered()
        await watch.fresh()
        if watch.value("load") >= self.touch:
            return
        stroke = (await self.status()).stroke
        to = min(stroke + WAY, self.actuator.range.stroke_high)
        speed = min(APPROACH, self.actuator.range.speed)
        await self.call("move_stroke", self.actuator.move_stroke(to, speed))
        await watch.until(
            lambda: watch.value("load") >= self.touch,
            (to - stroke) / speed + 1.0,
            f"the rod went down to {shown('stroke', to)} and the load has not reached "
            f"{shown('load', self.touch)}: an emulated rig needs a specimen, and compressive load "
            "counts as positive",
        )
        await self.call("hold", self.actuator.hold())
        await self.still(2.0)

    async def loaded(self, watch: Watch) -> None:
        """Stand in load control at the load of the tests."""
        await self.contact(watch)
        await self.call("move_load", self.actuator.move_load(self.mean, 4 * self.mean))
        await self.still(4.0)


def told(status: ActuatorStatus) -> str:
    """Return what a controller says of itself, in words."""
    doing = "moving" if status.moving else "not moving"
    stopped = f", stopped by {status.stopped_by}" if status.stopped_by else ""
    return (
        f'mode "{status.mode}", {doing}{stopped}, counter {status.counter}, '
        f"pressure {status.pressure}, stroke {shown('stroke', status.stroke)}"
    )
