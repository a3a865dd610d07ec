"""Taking up a test that was cut off: what is looked at before it goes on.

The rig is where its controller left it when the program was gone: at rest, as a rule unloaded.
"""

from __future__ import annotations

import math
from typing import Final

from rig.control.looking import Nothing
from rig.control.slow_stages import approach, static_check
from rig.control.standing import Standing
from rig.control.station import RETRACT_SPEED, StageAgain, Station
from rig.control.stream import StopNow
from rig.control.taken_up import TakenUp, compared
from rig.control.zeros import LIFT, PAUSE_SHIFT, read_zeros
from rig.ports import ActuatorStatus
from rig.protocol.plan import Cyclic, Stage, StaticCheck

CHECK_HOLD: Final = 10.0  # [s] at the top of the check where the protocol names none
OWN_STOP: Final = 120.0  # [s] in which a controller must have stopped by itself
UNSEEN: Final = 3.5  # [s]: a commit, the watchdog and 2 s of fall, what a controller runs on alone


async def restore(station: Station, taken: TakenUp) -> None:
    """Give the station what the restart point kept of it."""
    point = taken.point
    station.repeat, station.cracked = point["repeat"], point["cracked"]
    station.zeros = dict(point["zeros"])
    station.on_call = station.on_call or point["on_call"]
    now = station.stream.now
    station.stream.stopped_before = (await station.rig.actuator.status()).stopped_by
    await station.water.take_up(point["water"], point["frame"], now, taken.counted)


async def at_rest(station: Station, taken: TakenUp) -> tuple[str, ...]:
    """Switch the pressure off, write what happened, return what of it is for people to judge.

    Raises StopNow where it still moves: its watchdog has not done its part.
    """
    status = await station.rig.actuator.status()
    station.book.event("resume", taken.why)
    if station.plan.loading is not None and taken.counted + taken.built_up:
        frequency = station.plan.loading.frequency
        station.book.event("resume", unrecorded(taken, status, frequency))
    if status.stopped_by:
        status = await _stood(station, status)
    if status.moving:
        station.pressure = status.pressure
        station.cycling = status.mode == "load"
        raise StopNow(
            "fault",
            "fault",
            "the actuator was still moving: its controller has not stopped when the program was "
            "gone; have its watchdog looked at before anything else",
        )
    await station.set_pressure("off")
    return ("the controller had stopped by its own limit",) if status.stopped_by == "limit" else ()


async def _stood(station: Station, status: ActuatorStatus) -> ActuatorStatus:
    """Wait until a controller that stops by itself stands; return its last status."""
    stream = station.stream
    until = stream.now + stream.frames(OWN_STOP)
    while status.moving and stream.now < until:
        await stream.advance(stream.now + stream.frames(1.0), Nothing())
        status = await station.rig.actuator.status()
    return status


def unrecorded(taken: TakenUp, status: ActuatorStatus, frequency: float) -> str:
    """Say how many cycles [of `frequency` Hz] the specimen has seen that are not recorded."""
    before = taken.point["counter"]
    known = taken.counted + taken.built_up - taken.point_cycles
    if before is not None and status.counter >= before:
        lost = max(status.counter - before - known, 0)
        return (
            f"cycles run after the last recorded one, which the record lacks: {lost}, the "
            "controller's own stop included; its counter says so"
        )
    most = math.ceil(UNSEEN * frequency) + 4
    return (
        f"cycles run after the last recorded one, which the record lacks: about {most} at the "
        "most; an estimate, the controller's counter has begun anew"
    )


async def contact_and_check(
    station: Station, standing: Standing, taken: TakenUp, stage: Stage, doubts: tuple[str, ...]
) -> None:
    """Make contact again; where cycles were run, compare zeros and stiffness with before.

    What differs, and what was in doubt before, is for a person to decide; where nobody can
    answer it is written down.
    """
    asked = False
    while True:
        try:
            shift = await _contact(station)
            if not isinstance(stage, Cyclic) or not taken.counted:
                return
            station.book.enter("static", "stage", "stiffness before going on")
            found = [*doubts, *await _check(station, taken)]
            if shift > PAUSE_SHIFT:
                found.append(f"the load cell's zero has moved by {shift:.1%} of the upper load")
            if not found or asked:
                return
            asked = True
            station.book.event("resume", "; ".join(found))
            if not station.attended:
                station.book.event("pause", "nobody answers in a rehearsal, goes on")
                return
            await standing.slow_finding("; ".join(found))
        except StageAgain:
            continue
        else:
            return


async def _contact(station: Station) -> float:
    """Lift off, read the zeros, make contact; return the load's shift as `read_zeros`."""
    station.book.enter("approach", "stage", "contact again")
    shift = 0.0
    stroke = (await station.rig.actuator.status()).stroke
    back = max(stroke - LIFT, station.rig.actuator.range.stroke_low)
    await station.stroke_to(back, RETRACT_SPEED)
    if station.zeros:
        shift = await read_zeros(station, "taken up again")
    await approach(station, station.contact_again)
    return shift


async def _check(station: Station, taken: TakenUp) -> list[str]:
    """Make the static check; return what is not as it was."""
    loading, inspections = station.plan.loading, station.plan.inspections
    if loading is None:
        return []
    check = inspections.static_check if inspections is not None else None
    if check is None:
        check = StaticCheck(loading.upper, station.unload_rate, CHECK_HOLD, 1)
    await station.load_to(loading.lower, station.unload_rate)
    stiffness = await static_check(station, check, taken.counted)
    words, same = compared(stiffness, taken.stiffness)
    if not words:
        station.book.event("resume", "there was no check before: the first cycles will tell")
        return []
    words = f"{words}, {taken.stiffness_from}"
    if not same:
        return [words]
    station.book.event("resume", words)
    return []
