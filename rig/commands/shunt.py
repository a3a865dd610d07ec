"""`nightrig devices --shunt CHANNEL`: whether a bridge shows what it should with its shunt on."""

from __future__ import annotations

import asyncio
import sys
from typing import TYPE_CHECKING

from rig.channels import channel_unit, shown
from rig.commands.files import SIMULATED
from rig.commands.saying import folded, say, say_json
from rig.errors import DeviceError, InputError

if TYPE_CHECKING:
    from rig.assembly.shunt import Shunted
    from rig.protocol.plan import Plan


def try_shunt(plan: Plan, channel: str, as_json: bool) -> int:
    """Check the shunt of a channel, print what was found, return the exit code.

    A rig whose relay switches it does so after a typed word; on any other a person does. Raises
    InputError, DeviceError, NotBegun.
    """
    # Imported late: a mistake in the rig file is told sooner.
    from rig.assembly.shunt import by_hand, by_relay, found, stated_shunt
    from rig.assembly.survey import held
    from rig.clock import SystemClock
    from rig.commands.consent import consent

    clock = SystemClock()
    stated_shunt(plan.rig, channel)
    with held(plan.rig, clock):
        emulated, relay = asyncio.run(found(plan, clock))
        if relay:
            who = consent("shunt", emulated=emulated)
            done = asyncio.run(by_relay(plan, channel, clock))
        elif emulated:
            raise InputError(f'rig "{plan.rig.name}" {_nothing_there(plan)}; nothing was read')
        else:
            who = consent("shunt", emulated=False, does="begin")
            done = by_hand(plan, channel, clock, lambda on: _switched(channel, on=on))
    if as_json:
        say_json(shunt_object(plan, done, who))
    else:
        say(folded(in_words(plan, done), sys.stdout))
    return 0 if done.good else DeviceError.exit_code


def _nothing_there(plan: Plan) -> str:
    """Return why nobody can switch a shunt of a rig that is not real."""
    if plan.rig.driver == SIMULATED:
        return "is simulated inside this program and has no shunt to switch"
    return 'is emulated and has no point "shunt": add one to its [[modbus]], of table "coil"'


def _switched(channel: str, *, on: bool) -> None:
    """Have somebody switch the shunt. Raises NotBegun, DeviceError where it may still be on."""
    from rig.commands.consent import done_by_hand
    from rig.errors import NotBegun

    if on and not done_by_hand(f"Switch the shunt of {channel} on", "on"):
        raise NotBegun(f"the shunt of {channel} was not said to be on; see that it is off")
    if not on and not done_by_hand(f"Switch the shunt of {channel} off again", "off"):
        raise DeviceError(
            f"THE SHUNT OF {channel} MAY STILL BE ON: nobody said that it is off; switch it off: "
            "with it the channel shows a load that is not there"
        )


def in_words(plan: Plan, done: Shunted) -> str:
    """Return what was found, and what to do where it is not good."""
    name = done.channel
    finest = next(c.resolution for c in plan.rig.sampled if c.name == name)
    # A mean of many samples has digits that the channel itself does not show.
    without, on, after, step = (
        round(value / finest) * finest + 0.0
        for value in (done.without, done.on, done.after, done.more)
    )
    reads = f"{name} of {plan.rig.name}: {shown(name, without)} without, {shown(name, on)}"
    more = shown(name, step, difference=True)
    stated = shown(name, done.stated, difference=True)
    said = f"{reads} with its shunt: {more} more, the rig file says {stated}"
    if not done.is_off:
        still = f"THE SHUNT IS STILL ON: it reads {shown(name, after)} now; switch it off"
        return f"{said}; {still}"
    share = f"{abs(done.off_by):.2%} {'over' if done.off_by > 0 else 'under'}"
    allowed = f"{done.tolerance:.2%} allowed"
    if done.good:
        return f"{said} ({share}, {allowed})"
    remedy = "look at cell, cable and gain, and have it calibrated before it is relied on"
    return f"{said}: {share}, {allowed}; {remedy}"


def shunt_object(plan: Plan, done: Shunted, who: str) -> dict[str, object]:
    """Return what was found, by whom; all values are SI."""
    return {
        "rig": plan.rig.name,
        "by": who,
        "channel": done.channel,
        "unit": channel_unit(done.channel),
        "without": done.without,
        "with": done.on,
        "after": done.after,
        "more": done.more,
        "stated": done.stated,
        "off_by": done.off_by,
        "tolerance": done.tolerance,
        "ok": done.good,
    }
