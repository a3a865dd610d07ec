"""The devices of a rig: simulated ones are inside, drivers are found by the rig file's name."""

from __future__ import annotations

from dataclasses import replace
from importlib.metadata import EntryPoint, entry_points
from typing import Final

from rig.assembly.simulation import simulation_setup
from rig.clock import Clock
from rig.control.checklist import SOFTWARE_ONLY_SPEED
from rig.control.conditioned import conditioned
from rig.control.taken_up import TakenUp
from rig.errors import DeviceError, InputError, RigError
from rig.ports import Rig
from rig.protocol.plan import Plan
from simulators.rig import simulated_rig

SIMULATED: Final = "simulated"
"""The driver that needs no hardware."""

GROUP: Final = "nightrig.drivers"
"""Entry points under which installed distributions offer drivers: `open_rig(plan, clock)`."""


def find_driver(name: str) -> None:
    """Raise InputError unless a driver of this name is installed; nothing of it is loaded."""
    if name != SIMULATED:
        _entry(name)


def _entry(name: str) -> EntryPoint:
    found = entry_points(group=GROUP)
    named = [entry for entry in found if entry.name == name]
    if not named:
        known = ", ".join(sorted({SIMULATED, *(entry.name for entry in found)}))
        raise InputError(
            f"driver {name!r} is not installed; installed are {known}; "
            "install the package of the driver, or name another in the rig file"
        )
    if len({entry.value for entry in named}) > 1:
        values = " and ".join(sorted(entry.value for entry in named))
        raise InputError(f"driver {name!r} is installed twice ({values}); remove one")
    return named[0]


async def open_rig(plan: Plan, seed: int, clock: Clock) -> Rig:
    """Return the rig of a plan, its devices open, pressure off, in time with the clock.

    It is seen through the calibrations of its rig file. Where the controller has no limits of its
    own the actuator's speed is throttled.

    Raises InputError for a driver that is not there or cannot be loaded, DeviceError for
    devices that do not answer.
    """
    plan, name = _throttled(plan), plan.rig.driver
    if name == SIMULATED:
        return conditioned(simulated_rig(simulation_setup(plan), seed, clock, paced=True), plan)
    entry = _entry(name)
    try:
        opening = entry.load()
    except Exception as error:  # whatever a foreign module raises while it is imported
        raise InputError(f"driver {name!r} cannot be loaded ({entry.value}): {error}") from error
    try:
        rig = await opening(plan.rig, clock)
    except RigError:
        raise
    except Exception as error:  # whatever a foreign driver raises where a device is silent
        raise DeviceError(f"driver {name!r} cannot open the rig: {error}") from error
    if not isinstance(rig, Rig):
        raise DeviceError(f"driver {name!r} opened no rig but {type(rig).__name__}")
    return conditioned(rig, plan)


def restore_simulated(rig: Rig, taken: TakenUp | None) -> None:
    """Put a simulated rig to where its restart point was, and let it stand alone since then."""
    kept = taken.point["rig"] if taken is not None else None
    if taken is None or kept is None:
        return
    restore = getattr(rig.acquisition, "restore", None)
    if restore is None:
        raise InputError("the record is one of a simulated rig; this rig cannot go on with it")
    restore(kept, (taken.begin - int(taken.point["frame"])) / rig.acquisition.rate)


def _throttled(plan: Plan) -> Plan:
    actuator = plan.rig.actuator
    if actuator.limits != "software only" or actuator.speed <= SOFTWARE_ONLY_SPEED:
        return plan
    slow = replace(actuator, speed=SOFTWARE_ONLY_SPEED)
    return replace(plan, rig=replace(plan.rig, actuator=slow))


async def close(rig: Rig) -> None:
    """Let a rig's devices end their threads and ports; both are tried."""
    ending = getattr(rig.acquisition, "close", None)
    try:
        if ending is not None:
            await ending()
    finally:
        if rig.closing is not None:
            await rig.closing()
