"""What a line of text lets through: without a checksum a number that lost a digit still reads.

A number that could not have become what it is said to be is asked for once more, and believed
when it is said twice. An instrument writes its numbers alike: another number that is written in
another way has perhaps lost some of its characters, and must be said more often. Nothing here
can tell a wrong digit that makes a likely number.
"""

from __future__ import annotations

import math
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

FORM_TRIES: Final = 5
"""Answers in a row, written unlike the one before, after which another number is believed."""
NEAR: Final = 0.05
"""Share by which a number may change as it comes to be written in another way: 9.99, 10.00."""
LAST_PLACES: Final = 2
"""Units of the last place by which it may, whatever its share: -0.01, 0.01."""


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


def written_alike(before: str, now: str) -> bool:
    """Tell whether a number [as written] may come after another one of the same instrument.

    One that is written with as many characters and decimals may, and one that is near it.
    """
    if len(before) == len(now) and _decimals(before) == _decimals(now):
        return True
    was, is_ = float(before), float(now)
    last = LAST_PLACES * 10.0 ** -min(_decimals(before), _decimals(now))
    near = max(last, NEAR * max(abs(was), abs(is_)))
    return math.isclose(was, is_, rel_tol=0.0, abs_tol=near)


def _decimals(number: str) -> int:
    mantissa = number.lower().partition("e")[0]
    return len(mantissa.partition(".")[2])
