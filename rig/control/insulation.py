"""Insulation of strain gauges: water at a gauge shunts it long before it reads nothing.

Figures: common practice, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Final

from rig.channels import shown

NAME: Final = "insulation_"
WARN: Final = 100e6  # [Ohm]
DOUBT: Final = 20e6  # [Ohm]
CLEAR: Final = 1.2  # times a bound, above which it is good again: a value at a bound flickers
_SOUND, _DAMP, _WET = range(3)


class Insulation:
    """Follows the insulation of each gauge of a rig with these `channels`.

    `doubtful` holds what is to be said of gauges that are in doubt now, by channel.
    """

    def __init__(self, channels: Collection[str]) -> None:
        self._channels = channels
        self._found: dict[str, int] = {}
        self.doubtful: dict[str, str] = {}

    def look(self, values: Mapping[str, float]) -> Iterator[str]:
        """Yield what has changed with newest values [Ohm] of slow channels, in words.

        A value that is not there changes nothing.
        """
        for name, value in values.items():
            if not name.startswith(NAME) or math.isnan(value):
                continue
            before = self._found.get(name, _SOUND)
            found = self._found[name] = _level(value, before)
            if found != before:
                words = self._words(name, value, found)
                self.doubtful.pop(name, None)
                if found == _WET:
                    self.doubtful[name] = words
                yield words

    def _words(self, name: str, value: float, found: int) -> str:
        number = name.removeprefix(NAME)
        strain, reads = f"strain_{number}", f"{name} is {shown(name, value, digits=3)}"
        whose = strain if strain in self._channels else f"gauge {number}"
        if found == _SOUND:
            return f"{reads}: dry again"
        if found == _DAMP:
            return f"{reads}, under {shown(name, WARN)}: damp, {whose} may drift"
        return f"{reads}, under {shown(name, DOUBT)}: {whose} is in doubt"


def _level(value: float, before: int) -> int:
    """Return how damp a gauge is; it becomes better only well above a bound."""
    wet = DOUBT * (CLEAR if before >= _WET else 1.0)
    damp = WARN * (CLEAR if before >= _DAMP else 1.0)
    if value < wet:
        return _WET
    return _DAMP if value < damp else _SOUND
