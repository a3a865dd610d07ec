"""Taking up a test that was cut off: what is looked at before it goes on.

The rig is where its controller left it when the program was gone: at rest, unloaded where its
watchdog stopped a motion, still under load and pressure where it stood.
"""

from __future__ import annotations

import math
from typing import Final

from rig.control.inspecting import static_check_of
from rig.control.notices import notices_of
from rig.control.offsets import add
from rig.control.slow_stages import approach, static_check
from rig.control.standing import Standing
from rig.control.station import StageAgain, Station
from rig.control.stop_now import StopNow
from rig.control.taken_up import TakenUp, compared
from rig.control.zeros import lift_off_and_read
from rig.judging.looking import Nothing
from rig.ports import ActuatorStatus
from rig.protocol.plan import Cyclic, Stage

STILL_MOVES: Final = (
    "the actuator was still moving: its controller has not stopped when the program was gone; have "
    "its watchdog looked at before anything else"
)
OWN_WATCHDOG: Final = "the controller's watchdog had stopped it while the program was gone"
OWN_LIMIT: Final = "the controller had stopped by its own limit while the program was gone"
WATCHDOG_OVER: Final = 2.0  # [s] after which a watchdog has expired for certain
OWN_STOP: Final = 120.0  # [s] in which a controller must have stopped by itself
UNSEEN: Final = 3.5  # [s]: a commit, the watchdog and 2 s of fall, what a controller runs on alone


async def make_safe(station: Station, taken: TakenUp) -> tuple[str, ...]:
    """Have the rig stand without pressure before anybody comes near it; write what happened.

    No heartbeat is sent meanwhile: a controller that was left alone must be free to stop. Return
    what of it is for people to judge. Raises StopNow where it does not stop by itself.
    """
    stream, book, actuator = station.stream, station.book, station.rig.actuator
    stream.stopped_before = (await actuator.status()).stopped_by
    stream.inputs_matter = False
    try:
        await stream.advance(stream.now + stream.tick, Nothing())
        held = book.latest_load
        status = await _stood(station)
    finally:
        stream.inputs_matter = True
    stream.stopped_before = status.stopped_by
    if status.moving:
        raise StopNow("watchdog", "fault", STILL_MOVES)
    await actuator.close_valve()
    await station.set_pressure("off")
    await actuator.stop_at(None)
    await station.horn(False)
    book.event("resume", taken.why)
    loaded = held > station.seat and status.pressure != "off"
    alone = f"the controller held {held / 1e3:.1f} kN until then" if loaded else ""
    book.cut_off(taken, alone)
    doubts = (OWN_LIMIT,) if status.stopped_by == "limit" else ()
    watchdog = OWN_WATCHDOG if status.stopped_by == "watchdog" else ""
    said = (watchdog, *_lacking(station, taken, status), alone, *doubts)
    for text in filter(None, said):
        book.event("resume", text)
    # Told now: the next restart point knows these cycles.
    stream.tally = stream.tally.read(status.counter)
    return doubts


async def _stood(station: Station) -> ActuatorStatus:
    """Wait until the actuator stands, as long as its controller may take; return its status."""
    stream, actuator = station.stream, station.rig.actuator
    status = await actuator.status()
    begun = stream.now
    while status.moving:
        allowed = OWN_STOP if status.stopped_by else WATCHDOG_OVER
        if stream.now - begun >= allowed * stream.rate:
            break
        await stream.advance(stream.now + stream.frames(WATCHDOG_OVER / 2), Nothing())
        status = await actuator.status()
    return status


async def restore(station: Station, taken: TakenUp) -> None:
    """Give the station what the restart point kept of it."""
    point = taken.point
    station.repeat, station.cracked = point["repeat"], point["cracked"]
    station.zeros, station.zeros_before = dict(point["zeros"]), dict(point["zeros_before"])
    for channel, by in point["shifts"].items():
        add(station, channel, by)
    station.peak = tuple(point["peak"])
    station.on_call = station.on_call or point["on_call"]
    station.notices = notices_of(point)
    now = station.stream.now
    await station.water.take_up(point["water"], point["frame"], now, taken.counted)


def _lacking(station: Station, taken: TakenUp, status: ActuatorStatus) -> tuple[str, ...]:
    if station.plan.loading is None or not taken.counted + taken.built_up:
        return ()
    return (unrecorded(taken, status, station.plan.loading.frequency),)


def unrecorded(taken: TakenUp, status: ActuatorStatus, frequency: float) -> str:
    """Say how many cycles [of `frequency` Hz] the specimen has seen that are not recorded."""
    before = taken.point["counter"]
    # A version before this one did not write how many were recorded since its counter was read.
    known = taken.counted + taken.built_up - taken.point_cycles
    known += taken.point.get("since_counter", 0)
    if before is not None and status.counter >= before:
        lost = max(status.counter - before - known, 0)
        among = "; its own stop is among them" if lost else ""
        return f"{lost} cycles run and not recorded, by its counter{among}"
    most = math.ceil(UNSEEN * frequency) + 4
    return f"about {most} cycles run and not recorded at the most: its counter has begun anew"


async def contact_and_check(
    station: Station, standing: Standing, taken: TakenUp, stage: Stage
) -> None:
    """Make contact again; where cycles were run, compare the stiffness with before.

    What differs is for a person to decide; where nobody can answer it is written down.
    """
    asked = False
    while True:
        try:
            found = await _contact(station)
            if isinstance(stage, Cyclic) and taken.counted:
                station.book.enter("static", "stage", "stiffness before going on")
                found += await _check(station, taken)
            for text in found:
                station.book.event("resume", text)
            if found and not station.attended:
                station.book.event("pause", "nobody answers in a rehearsal, goes on")
            elif found and not asked:
                asked = True
                await standing.slow_finding("; ".join(found))
        except StageAgain:
            # Somebody has unloaded it, and let it go on.
            continue
        return


async def _contact(station: Station) -> list[str]:
    """Lift off, read the zeros, make contact; return what differs from the first zeros."""
    station.book.enter("approach", "stage", "contact again")
    if station.book.latest_load > station.seat:
        await station.load_to(station.seat, station.unload_rate)
    found = await lift_off_and_read(station, "taken up again")
    await approach(station, station.contact_again)
    return list(found)


async def _check(station: Station, taken: TakenUp) -> list[str]:
    """Make the static check; return what is not as it was."""
    loading = station.plan.loading
    if loading is None:
        return []
    await station.load_to(loading.lower, station.unload_rate)
    stiffness = await static_check(station, static_check_of(station), taken.counted)
    words, same = compared(stiffness, taken.stiffness)
    if not words:
        station.book.event("resume", "there was no check before: the first cycles will tell")
        return []
    words = f"{words}, {taken.stiffness_from}"
    if not same:
        return [words]
    station.book.event("resume", words)
    return []
