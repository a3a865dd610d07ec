"""Looking at a rig without a test: who answers, what is missing. Nothing moves.

The rig is locked meanwhile, so that a test that runs is never disturbed.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, TypeVar

from drivers.gauge import Seen, Tally
from drivers.survey import Survey
from drivers.survey import survey as survey_lines
from rig.assembly.devices import close, open_rig
from rig.channels import Channel, shown
from rig.clock import Clock
from rig.control.lock import lock_rig
from rig.control.prompt import prompt
from rig.errors import DeviceError
from rig.ports import ActuatorStatus, Rig
from rig.protocol.plan import Plan, RigPlan
from rig.samples import SampleBlock

HOLDER: Final = "nightrig devices"
"""Who holds the rig's lock meanwhile, for whoever is refused."""
SERIAL: Final = "serial"
"""The driver whose lines are looked at one by one; any other opens its rig whole, or not."""
OPENS_WITHIN: Final = 30.0
SILENT: Final = 1.0
"""Longest time [s] without a sample."""
BLOCK: Final = 0.02
STATUS_EVERY: Final = 5
"""Blocks between two questions to the controller."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Missing:
    """What is missing or in doubt: where, what it is, and what to try."""

    where: str
    what: str
    remedy: str = ""


@contextmanager
def held(plan: RigPlan, clock: Clock) -> Iterator[None]:
    """Hold a rig against tests and other looks. Raises InputError naming who has it."""
    lock = lock_rig(plan.name, HOLDER, clock.utc())
    try:
        yield
    finally:
        lock.release()


async def survey(plan: Plan, clock: Clock, seconds: float) -> Survey:
    """Return what the devices of a rig say within some time [s]; call it while `held`.

    Raises InputError for a rig file or driver that cannot be used.
    """
    if plan.rig.driver == SERIAL:
        return await survey_lines(plan.rig, clock, seconds)
    try:
        rig = await opened(plan, clock)
    except DeviceError as error:
        return Survey(troubles=tuple(str(error).splitlines()))
    try:
        return await _asked(prompt(rig), plan.rig, clock, seconds)
    finally:
        await close(rig)


async def opened(plan: Plan, clock: Clock) -> Rig:
    """Return the rig of a plan, opened in time. Raises InputError, DeviceError."""
    try:
        async with asyncio.timeout(OPENS_WITHIN):
            return await open_rig(plan, 1, clock)
    except TimeoutError:
        raise DeviceError(
            f"its devices have not answered within {OPENS_WITHIN:.0f} s; look at power and lines"
        ) from None


async def _asked(rig: Rig, plan: RigPlan, clock: Clock, seconds: float) -> Survey:
    """Ask each device of an open rig; one that does not answer hides nothing."""
    troubles: list[str] = []

    async def answer(asking: Awaitable[T]) -> T | None:
        try:
            return await asking
        except DeviceError as error:
            troubles.append(str(error))
            return None

    tally = Tally(tuple(c.name for c in plan.sampled), plan.rate)
    status = await answer(_listened(rig, plan, clock, seconds, tally))
    slow = await answer(rig.acquisition.slow()) or {}
    limits = None
    if plan.actuator.limits == "controller":
        limits = await answer(rig.actuator.read_limits())
    return Survey(
        lines=rig.lines.report() if rig.lines is not None else (),
        values={**tally.seen(), **{name: Seen(value) for name, value in slow.items()}},
        status=status,
        limits=limits or {},
        inputs=await answer(rig.inputs.read()),
        pump=await answer(rig.pump.status()) if rig.pump is not None else None,
        emulated=rig.emulated,
        troubles=tuple(dict.fromkeys(troubles)),
        told=rig.lines.told() if rig.lines is not None else (),
    )


async def _listened(
    rig: Rig, plan: RigPlan, clock: Clock, seconds: float, tally: Tally
) -> ActuatorStatus:
    """Take samples for some time [s], ask the controller meanwhile, return its last answer."""
    frames = max(round(plan.rate * BLOCK), 1)
    status = await rig.actuator.status()
    for number in range(1, math.ceil(seconds / BLOCK) + 1):
        tally.take((await next_block(rig, frames)).values)
        if number % STATUS_EVERY == 0:
            status = await rig.actuator.status()
    return status


async def next_block(rig: Rig, frames: int) -> SampleBlock:
    """Return the next frames of an open rig. Raises DeviceError where none come."""
    try:
        async with asyncio.timeout(SILENT):
            block = await rig.acquisition.read(frames)
    except TimeoutError:
        raise DeviceError(
            f"no sample has come for {SILENT:g} s; is the acquisition switched on?"
        ) from None
    await rig.acquisition.keep(block.frames)
    return block


def missing(found: Survey, plan: RigPlan) -> tuple[Missing, ...]:
    """Return what is missing or in doubt; what only follows from a line in trouble is left out."""
    lines = [Missing(f"{x.port} ({x.path})", x.trouble, x.remedy) for x in found.lines if x.trouble]
    others = [Missing("", *_parted(text)) for text in found.troubles]
    silent = {line.port for line in found.lines if line.trouble}
    ports = _ports(plan)
    channels = [
        one
        for channel in plan.channels
        if ports.get(channel.name) not in silent and not (others and channel.name not in ports)
        if (one := _doubt(channel, found.values.get(channel.name))) is not None
    ]
    return (*lines, *others, *channels)


def _parted(text: str) -> tuple[str, str]:
    what, _, remedy = text.partition("; ")
    return what, remedy


def _ports(plan: RigPlan) -> dict[str, str]:
    """Return the port of each channel, where the rig file tells it."""
    if plan.wire is None:
        return {}
    ports = {source.channel: source.port for source in plan.wire.sources}
    ports |= {point.what: one.port for one in plan.wire.modbus for point in one.points}
    return ports | {a.channel: one.port for one in plan.wire.instruments for a in one.answers}


def _doubt(channel: Channel, seen: Seen | None) -> Missing | None:
    """Return what is wrong with what a channel reads, None for nothing."""
    if seen is None or not math.isfinite(seen.value):
        return Missing(channel.name, "has no value", "is its sensor plugged in and switched on?")
    reads = [x for x in (seen.lowest, seen.value, seen.highest) if math.isfinite(x)]
    if channel.low <= min(reads) and max(reads) <= channel.high:
        return None
    # A mean within the range says nothing where noise alone leaves it: that is another unit.
    within = channel.low <= seen.value <= channel.high
    said = (min(reads), max(reads)) if within else (seen.value,)
    return Missing(
        channel.name,
        f"reads {shown(channel.name, *said)}, its range is "
        f"{shown(channel.name, channel.low, channel.high)}",
        "is its sensor plugged in, do unit and scale in the rig file fit it?",
    )
