"""Lines of a rig file with numbers in place of `{to}` and the like, as the controller says them.

Nothing but numbers and the rig file's own words gets into a line, so no text that a person
writes elsewhere can become a command.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from rig.errors import SetpointRefused
from rig.protocol.wire import Scaling

_PLACE: Final = re.compile(r"\{([^{}]*)\}")
_COARSE: Final = 0.01
"""Largest part of a speed, rate, frequency or time that rounding may take or add."""

_RAMP: Final = {"to": "length", "speed": "speed"}
_WAVE: Final = {"mean": "force", "amplitude": "force"}
KINDS: Final[Mapping[str, Mapping[str, str]]] = {
    "stroke": _RAMP,
    "deflection": _RAMP,
    "load": {"to": "force", "rate": "force rate"},
    "cycle": {**_WAVE, "frequency": "frequency", "over": "time"},
    "adjust": _WAVE,
    "end cycling": {"over": "time"},
}
"""What kind of number, a key of `Controller.units`, stands at each place of an action's lines."""

_POSITIONS: Final = frozenset({"to", "mean", "amplitude", "low", "high"})
"""Places whose number may be rounded to the last decimal; the others must keep their size."""


def fill(line: str, values: Mapping[str, str]) -> str:
    """Return a line with its places filled. Raises KeyError for a place without a value.

    Braces that hold no place stay what they are; what is put in is not looked at again.
    """
    return _PLACE.sub(lambda match: values[match[1]], line)


def written(value: float, decimals: int) -> str:
    """Return a number with so many decimals, without exponent, never as a negative zero."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def said(place: str, si: float, scaling: Scaling, decimals: int) -> str:
    """Return an SI value as the controller is told it at a place of a line.

    Raises SetpointRefused where that is no number, or where the decimals are too few for it: a
    slow speed must not become none.
    """
    # An amplitude is a difference: a zero that is moved does not change it.
    value = si / scaling.factor if place == "amplitude" else scaling.said(si)
    if not math.isfinite(value):
        raise SetpointRefused(f"{place} {si:g} is no number; the command was not sent")
    text = written(value, decimals)
    if place not in _POSITIONS and abs(float(text) - value) > _COARSE * abs(value):
        raise SetpointRefused(
            f"{place} {value:g} in the controller's unit becomes {text} with {decimals} decimals; "
            "the command was not sent; give [controller] more decimals or a smaller unit"
        )
    return text
