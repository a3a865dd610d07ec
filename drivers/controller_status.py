"""What the answers of a servo controller mean: its state, its errors, its limits.

Pure: text in, values out. Every function raises ValueError for an answer that does not fit, so
that a garbled one is asked for again and never believed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, cast

from drivers.answers import bound, fields, number, unquoted, whole
from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorStatus, Pressure
from rig.protocol.wire import Controller, Scaling

_MODES: Final = frozenset({"off", "stroke", "load", "deflection"})
_PRESSURES: Final = frozenset({"off", "low", "high"})
_ENDINGS: Final = frozenset({"", "limit", "count", "watchdog"})
_MOVING: Final = {"0": False, "1": True, "still": False, "moving": True}

COMMAND_ERRORS: Final = range(-199, -99)
"""Errors of a line that was not understood (SCPI-1999 volume 2, 21.8.9): nothing was done."""
OUT_OF_RANGE: Final = -222
"""The error of a number that is beyond what the controller accepts: nothing was done either."""


@dataclass(frozen=True, slots=True)
class ControllerError:
    """One entry of a controller's error queue; number 0 means that there was none."""

    number: int
    text: str

    @property
    def of_the_line(self) -> bool:
        """Whether it may come of a command that was garbled on its way, and was not done."""
        return self.number in COMMAND_ERRORS or self.number == OUT_OF_RANGE

    def __str__(self) -> str:
        return f'{self.number} "{self.text}"' if self.text else str(self.number)


def meaning(words: Mapping[str, str], name: str, said: str) -> str:
    """Return what a word means, in this field or anywhere; a word without meaning as it is.

    A controller that says modes and pressures by numbers has `"mode 2" = "load"` beside
    `"pressure 2" = "high"`.
    """
    said = unquoted(said)
    return words.get(f"{name} {said}", words.get(said, said))


def read_status(answer: str, plan: Controller) -> ActuatorStatus:
    """Return the controller's state from its answer to the action "status"."""
    parts = fields(answer)
    if len(parts) != len(plan.fields):
        raise ValueError(f"{len(parts)} fields where the rig file names {len(plan.fields)}")
    told = dict(zip(plan.fields, parts, strict=True))

    def one_of(name: str, known: frozenset[str]) -> str:
        found = meaning(plan.words, name, told[name])
        if found not in known:
            raise ValueError(_unknown(name, told[name]))
        return found

    return ActuatorStatus(
        mode=one_of("mode", _MODES),
        moving=_moving(plan.words, told["moving"]),
        counter=_counter(told["counter"]),
        tripped=_tripped(plan.words, told.get("tripped", "")),
        stopped_by=one_of("stopped_by", _ENDINGS),
        pressure=cast("Pressure", one_of("pressure", _PRESSURES)),
        stroke=plan.units["length"].si(number(told["stroke"])),
    )


def _unknown(name: str, said: str) -> str:
    return f'"{said:.40}" for {name} has no meaning in [controller.words]'


def _moving(words: Mapping[str, str], said: str) -> bool:
    found = _MOVING.get(meaning(words, "moving", said))
    if found is None:
        raise ValueError(_unknown("moving", said))
    return found


def _counter(said: str) -> int:
    count = whole(said)
    if count < 0:
        raise ValueError(f"a counter of {count}")
    return count


def _tripped(words: Mapping[str, str], said: str) -> str:
    """Return the name of a limit: any that the rig file gives, but none that it does not."""
    word = unquoted(said)
    if word and word not in words and f"tripped {word}" not in words:
        raise ValueError(_unknown("tripped", said))
    return meaning(words, "tripped", said)


def read_error(answer: str) -> ControllerError:
    """Return one entry of the error queue, as in `-113,"Undefined header"`; words may be absent."""
    parts = fields(answer)
    if len(parts) > 2:
        raise ValueError(f"{len(parts)} fields where a number and a text belong")
    text = unquoted(parts[1]) if len(parts) == 2 else ""
    return ControllerError(whole(parts[0]), text)


def read_limit(answer: str, scaling: Scaling) -> tuple[float, float]:
    """Return low and high of one of the controller's own limits [SI]."""
    parts = fields(answer)
    if len(parts) != 2:
        raise ValueError(f"{len(parts)} fields where a low and a high limit belong")
    low, high = (scaling.si(bound(part)) for part in parts)
    if low > high:
        raise ValueError("the low limit is above the high one")
    return low, high


def refusal(line: str, errors: Sequence[ControllerError]) -> DeviceError:
    """Return the error of a command that the controller did not obey, and what to do."""
    first = errors[0]
    more = f" and {len(errors) - 1} more" if len(errors) > 1 else ""
    said = f'the controller answers "{line}" with {first}{more}'
    if first.number == OUT_OF_RANGE:
        return SetpointRefused(
            f"{said}; compare its own ranges and units with [actuator] and [controller]"
        )
    if first.number in COMMAND_ERRORS:
        return DeviceError(f"{said}; it does not know that line; look at [controller.actions]")
    return DeviceError(
        f"the actuator cannot move as asked: {said}; look at its pressure, valve, contact and mode"
    )
