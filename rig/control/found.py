"""How a new test finds its rig: what the controller says of the time before, and pressure left on.

A program that was killed leaves the rig to the controller, and whoever starts the next test must
learn what became of it.
"""

from __future__ import annotations

from typing import Final

from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.errors import DeviceError
from rig.ports import ActuatorStatus

STOPPED_BY: Final = {
    "watchdog": "the controller's watchdog had stopped it: the program before was gone",
    "limit": "the controller had stopped by its own limit",
}
"""What is told of a stop that the controller made by itself before this test."""


def refuse_moving(status: ActuatorStatus) -> None:
    """Raise DeviceError for an actuator that moves although no test commands it."""
    if status.moving:
        raise DeviceError(
            f"the actuator moves (in {status.mode} control) and no test commands it; nothing was "
            "started; wait until it stands, which after its watchdog's stop may take a minute, or "
            "use the emergency stop; then type it again"
        )


async def find(station: Station) -> None:
    """Look how the controller was left, write it down, and have the rig without pressure.

    What had stopped it before stops nothing now. Raises DeviceError where it moves, StopNow where
    the pressure does not go off.
    """
    stream, book, actuator = station.stream, station.book, station.rig.actuator
    status = await actuator.status()
    refuse_moving(status)
    stream.stopped_before = status.stopped_by
    if status.pressure != "off":
        await actuator.close_valve()
        await station.set_pressure("off")
    if status.stopped_by in STOPPED_BY:
        limit = f": {status.tripped}" if status.tripped else ""
        book.event("found", f"{STOPPED_BY[status.stopped_by]}{limit}")
    if status.pressure != "off":
        await _off(station, status)


async def _off(station: Station, status: ActuatorStatus) -> None:
    """Wait until the pressure that was found on is off."""
    station.book.event("found", f"{status.pressure} pressure was on: valve closed, switched off")
    station.stream.inputs_matter = False  # nothing moves; the guard may well be open
    try:
        await station.pressure_off()
    finally:
        station.stream.inputs_matter = True
    if (await station.rig.actuator.status()).pressure != "off":
        raise StopNow(
            "device",
            "fault",
            "the pressure was found on and does not go off; isolate it by hand and look at the "
            "controller",
        )
