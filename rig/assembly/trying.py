"""Switching a pump, a horn or a shunt for a moment, to see that it is the one and works.

Never the actuator, never the pressure. Whatever happens meanwhile, it is switched off again.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Final, Literal

from rig.assembly.devices import close
from rig.assembly.ending_signals import ends_by_signal
from rig.assembly.survey import opened
from rig.clock import Clock
from rig.control.prompt import prompt
from rig.errors import DeviceError, InputError
from rig.ports import Horn, Pump, PumpStatus, Rig, Switch
from rig.protocol.plan import Plan, RigPlan

What = Literal["pump", "horn"]
Kept = Literal["pump", "horn", "shunt"]
"""What is kept on for a while, and switched off again whatever comes."""

ON: Final = 2.0
"""How long [s] it is on."""
LOOK_EVERY: Final = 0.1
OFF_WITHIN: Final = 5.0
"""Time [s] in which a pump must say that it is off."""
OFF_TRIES: Final = 5
"""How often switching off is tried."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What was switched and measured: highest flow [m3/s], NaN where nothing measures it."""

    what: What
    seconds: float
    flow: float = math.nan
    ran: bool = True


def refuse_unknown(plan: RigPlan, what: What) -> None:
    """Raise InputError where the rig file has none of what is to be tried."""
    table = {"pump": plan.pump, "horn": plan.warning}[what]
    if table is None:
        name = {"pump": "[pump]", "horn": "[warning_signal]"}[what]
        raise InputError(f'rig "{plan.name}" has no {what}; nothing was switched; see {name}')


async def answers_emulated(plan: Plan, clock: Clock) -> bool:
    """Open a rig, and return whether all its devices say that they are emulated."""
    rig = await opened(plan, clock)
    try:
        return rig.emulated
    finally:
        await close(rig)


async def tried(plan: Plan, what: What, clock: Clock) -> Tried:
    """Switch it on for two seconds and off again, whatever happens; return what was measured.

    Raises DeviceError where it does not answer, or where it may still be on, and NotBegun where
    somebody broke it off; it is switched off then too.
    """
    with ends_by_signal(f"broken off; the {what} is switched off"):
        rig = await opened(plan, clock)
        try:
            return await _switched(prompt(rig), what, clock)
        finally:
            await close(rig)


async def _switched(rig: Rig, what: What, clock: Clock) -> Tried:
    if what == "horn":
        if rig.horn is None:
            raise DeviceError("the rig's driver knows no horn; nothing was switched")
        async with kept_on(rig.horn, what, clock):
            await clock.sleep(ON)
        return Tried(what, ON)
    if rig.pump is None:
        raise DeviceError("the rig's driver knows no pump; nothing was switched")
    await _refuse_wet(rig)
    async with kept_on(rig.pump, what, clock):
        seen = await _running(rig.pump, clock)
    await _stopped(rig.pump, clock)
    flows = [status.flow for status in seen if status.flow is not None]
    finite = [flow for flow in flows if math.isfinite(flow)]
    return Tried(what, ON, max(finite, default=math.nan), any(status.on for status in seen))


async def _refuse_wet(rig: Rig) -> None:
    """Refuse water where some is already where none may be, or the emergency stop is pressed."""
    inputs = await rig.inputs.read()
    for wrong, words in (
        (inputs.leak, "water is found where none may be (leak); dry it and find out why"),
        (inputs.emergency_stop, "the emergency stop is pressed; find out why"),
    ):
        if wrong:
            raise DeviceError(f"the pump was not switched on: {words}")


@asynccontextmanager
async def kept_on(device: Pump | Horn | Switch, what: Kept, clock: Clock) -> AsyncIterator[None]:
    """Have a device on, and off again whatever comes."""
    try:
        await device.set(True)
        yield
    finally:
        await _off(device, what, clock)


async def _off(device: Pump | Horn | Switch, what: Kept, clock: Clock) -> None:
    for left in reversed(range(OFF_TRIES)):
        try:
            await device.set(False)
            return
        except DeviceError as error:
            if not left:
                by_hand = "close the water by hand" if what == "pump" else "take its supply off"
                may = f"THE {what.upper()} MAY STILL BE ON"
                raise DeviceError(f"{may}: {error}; {by_hand}") from error
            await clock.sleep(LOOK_EVERY)


async def _running(pump: Pump, clock: Clock) -> list[PumpStatus]:
    """Return what a pump says of itself while it is on."""
    seen, until = [], clock.now() + ON
    while clock.now() < until:
        await clock.sleep(LOOK_EVERY)
        seen.append(await pump.status())
    return seen


async def _stopped(pump: Pump, clock: Clock) -> None:
    until = clock.now() + OFF_WITHIN
    while (await pump.status()).on:
        if clock.now() > until:
            raise DeviceError(
                f"THE PUMP MAY STILL BE ON: {OFF_WITHIN:g} s after it was switched off it says "
                "that it runs; close the water by hand"
            )
        await clock.sleep(LOOK_EVERY)
