"""What a line of text lets through: without a checksum a number that lost a digit still reads.

A number that could not have become what it is said to be is asked for once more, and believed
when it is said twice. Nothing here can tell a wrong digit that makes a likely number.
"""

from __future__ import annotations

from typing import Final

from rig.ports import ActuatorRange, ActuatorStatus

SLACK: Final = 1e-3
"""Stroke [m] that a reading may be off what the speed allows: noise, and the age of an answer."""
COUNTS: Final = 2
"""Cycles that a counter may be ahead of the highest frequency."""
LIMIT_TRIES: Final = 3
"""Times a limit is read where it is not what was written, until two readings agree."""
STATUS_TRIES: Final = 3
"""Times a status is asked for that does not follow from the one before."""


def follows(
    before: ActuatorStatus, status: ActuatorStatus, seconds: float, limits: ActuatorRange
) -> bool:
    """Tell whether a status may come so many seconds [s] after another one.

    The stroke changes at the actuator's speed at most; the counter rises no quicker than the
    highest frequency, or has begun anew at 0.
    """
    if abs(status.stroke - before.stroke) > limits.speed * seconds + SLACK:
        return False
    more = status.counter - before.counter
    return status.counter == 0 or 0 <= more <= limits.frequency * seconds + COUNTS


def same(a: tuple[float, float], b: tuple[float, float], step: float) -> bool:
    """Tell whether two pairs of limits [SI] are one, within a step."""
    return all(x == y or abs(x - y) <= step for x, y in zip(a, b, strict=True))
