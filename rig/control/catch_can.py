"""Catch cans: whether a face gets its share of the water."""

from __future__ import annotations

import math

from rig.errors import InputError
from rig.protocol.plan import SpraySchedule


def catch_can(schedule: SpraySchedule, reading: float, face: str) -> str:
    """Return in words how a catch-can reading [m3/s] at a face compares with the schedule.

    A face is to have its even share of the schedule's flow. Raises InputError for a reading that
    is none and for a face that the schedule does not name.
    """
    if not (math.isfinite(reading) and reading >= 0):
        raise InputError(f"a catch-can reading of {reading:g} m3/s cannot be; give 0 or more")
    if schedule.faces and face not in schedule.faces:
        named = ", ".join(schedule.faces)
        raise InputError(f"face {face!r} is not sprayed; the protocol names {named}")
    parts = max(len(schedule.faces), 1)
    wanted = schedule.flow / parts
    share = reading / wanted - 1
    side = "above" if share > 0 else "below"
    # A hair of rounding must not turn exactly 15 % into too much.
    good = abs(share) <= schedule.tolerance + 1e-9
    whose = f"the schedule's {wanted * 6e4:.2f} L/min"
    if parts > 1:
        whose = f"its share of {wanted * 6e4:.2f} L/min of {schedule.flow * 6e4:.2f} L/min"
    at = f" at {face}" if face else ""
    return (
        f"catch can{at}: {reading * 6e4:.2f} L/min, {abs(share):.0%} {side} {whose}, "
        f"{'within' if good else 'outside'} {schedule.tolerance:.0%}"
    )
