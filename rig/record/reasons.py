"""What the reason of an end and the text of an interruption say, for whoever reads facts there.

The record keeps these facts in words alone. Each pattern is held by a test against the part of the
program that writes those words.
"""

from __future__ import annotations

import re
from typing import Final

UNLOADED: Final = re.compile(r"; unloaded\b")
"""In the text of an interruption that was spent without load."""
_HELD: Final = re.compile(
    r"(?:ultimate load|it had held) ([\d.e+]+) kN(?: at (?:net deflection )?([\d.e+-]+) mm)?"
)
"""In the reason of a static test; the second words where it was cut off with a higher load."""


def ultimate_of(why: str) -> tuple[float, float] | None:
    """Return the largest load [N] that a reason names, and the net deflection [m] named with it.

    The deflection is NaN where none is named; None is returned without any load.
    """
    found = [(1e3 * float(load), 1e-3 * float(bent or "nan")) for load, bent in _HELD.findall(why)]
    return max(found, key=lambda pair: pair[0], default=None)
