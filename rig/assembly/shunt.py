"""Shunt check: what a channel shows more with a known resistor across its bridge.

A quick look between two calibrations: it finds a damaged bridge or cable, another gain, another
cell. The rig is opened without what its file corrects: a shunt is stated as the channel shows it.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rig.assembly.devices import close
from rig.assembly.ending_signals import ends_by_signal
from rig.assembly.survey import BLOCK, next_block, opened
from rig.assembly.trying import kept_on
from rig.clock import Clock
from rig.control.prompt import prompt
from rig.errors import DeviceError, InputError
from rig.ports import Rig
from rig.protocol.plan import Plan, RigPlan
from rig.protocol.trust import Trust

READ: Final = 2.0  # [s] of samples in one reading
SETTLES: Final = 0.5  # [s] after the relay has switched

ByHand = Callable[[bool], None]
"""Has somebody switch the shunt on or off by hand, and returns once it is done."""


@dataclass(frozen=True, slots=True)
class Shunted:
    """What a channel showed without its shunt, with it, and without it again [SI].

    With it the rig file has it show `stated` [SI] more, within a fraction `tolerance`.
    """

    channel: str
    without: float
    on: float
    after: float
    stated: float
    tolerance: float

    @property
    def more(self) -> float:
        """What it showed more with its shunt [SI]."""
        return self.on - self.without

    @property
    def off_by(self) -> float:
        """By which fraction that differs from what the rig file says."""
        return self.more / self.stated - 1

    @property
    def is_off(self) -> bool:
        """Whether the shunt is off again: the channel shows what it showed before."""
        return abs(self.after - self.without) <= self.tolerance * abs(self.stated)

    @property
    def good(self) -> bool:
        """Whether the channel shows what it should."""
        return self.is_off and abs(self.off_by) <= self.tolerance


def stated_shunt(plan: RigPlan, channel: str) -> tuple[float, float]:
    """Return what the shunt of a channel adds [SI] and its tolerance. Raises InputError."""
    calibration = plan.trust.calibrations.get(channel)
    if channel not in {c.name for c in plan.sampled}:
        named = ", ".join(c.name for c in plan.sampled)
        raise InputError(f'rig "{plan.name}" samples no channel {channel!r}; it has {named}')
    if calibration is None or calibration.shunt is None:
        raise InputError(
            f'rig "{plan.name}" states no shunt for {channel}; nothing was read; add shunt to its '
            "[channel.calibration]"
        )
    return calibration.shunt, calibration.shunt_tolerance


async def found(plan: Plan, clock: Clock) -> tuple[bool, bool]:
    """Open a rig; return whether it is emulated, and whether it has a relay for the shunt."""
    rig = await opened(_uncorrected(plan), clock)
    try:
        return rig.emulated, rig.shunt is not None
    finally:
        await close(rig)


async def by_relay(plan: Plan, channel: str, clock: Clock) -> Shunted:
    """Read a channel without its shunt, with it and without it again, the rig's relay switching.

    Raises DeviceError where the pressure is on, where something does not answer, or where the
    shunt may still be on, NotBegun where somebody broke it off.
    """
    stated = stated_shunt(plan.rig, channel)
    with ends_by_signal("broken off; the shunt is switched off"):
        rig = await opened(_uncorrected(plan), clock)
        try:
            if rig.shunt is None:
                raise DeviceError("the rig has no relay for the shunt; nothing was switched")
            asked = prompt(rig)
            without = await _reading(asked, channel)
            async with kept_on(rig.shunt, "shunt", clock):
                on = await _settled(asked, channel)
            after = await _settled(asked, channel)
        finally:
            await close(rig)
    return Shunted(channel, without, on, after, *stated)


def by_hand(plan: Plan, channel: str, clock: Clock, switch: ByHand) -> Shunted:
    """Read a channel as `by_relay` does, somebody switching its shunt at the amplifier.

    The rig is opened for each reading: people take their time. Raises as `switch` and `by_relay`.
    """
    stated = stated_shunt(plan.rig, channel)

    def reading() -> float:
        return asyncio.run(_opened_reading(plan, channel, clock))

    without = reading()
    switch(True)
    try:
        on = reading()
    finally:
        switch(False)
    return Shunted(channel, without, on, reading(), *stated)


async def _opened_reading(plan: Plan, channel: str, clock: Clock) -> float:
    rig = await opened(_uncorrected(plan), clock)
    try:
        return await _reading(prompt(rig), channel)
    finally:
        await close(rig)


def _uncorrected(plan: Plan) -> Plan:
    return replace(plan, rig=replace(plan.rig, trust=Trust()))


async def _settled(rig: Rig, channel: str) -> float:
    await _means(rig, channel, SETTLES)
    return await _reading(rig, channel)


async def _reading(rig: Rig, channel: str) -> float:
    """Return what a channel shows over `READ` [SI]. Raises DeviceError for nothing, or pressure."""
    status = await rig.actuator.status()
    if status.pressure != "off":
        raise DeviceError(
            f"the pressure is {status.pressure}: with a shunt on the controller would follow a "
            "load that is not there; switch the pressure off"
        )
    value = await _means(rig, channel, READ)
    if math.isnan(value):
        raise DeviceError(f"{channel} has no value; is its sensor plugged in and switched on?")
    return value


async def _means(rig: Rig, channel: str, seconds: float) -> float:
    rate = rig.acquisition.rate
    frames, left = max(round(rate * BLOCK), 1), round(rate * seconds)
    total, count = 0.0, 0
    while left > 0:
        block = await next_block(rig, frames)
        values = block.of(channel).astype(np.float64)
        total += float(np.nansum(values))
        count += int(np.isfinite(values).sum())
        left -= block.frames
    return total / count if count else math.nan
