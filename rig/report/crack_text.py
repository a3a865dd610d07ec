"""Words of others in figures: whatever they hold, they are one short line of letters."""

from __future__ import annotations

from typing import Final

from rig.report.letters import wrap
from rig.report.lives_look import SETTINGS

LONGEST: Final = 300
"""Letters of a text that are looked at: more than a figure has room for."""

# Lines are dashed alike whatever their weight.
LOOK: Final = {**SETTINGS, "lines.scale_dashes": False}


def short(text: str, width: float, size: float) -> str:
    """Return text on one line no wider than a width [mm] at a size [pt], cut off where needed.

    Letters that the font does not have, and control characters, are question marks.
    """
    lines = wrap(text[:LONGEST], width, size)
    if len(lines) == 1 and len(text) <= LONGEST:
        return lines[0]
    return wrap(text[:LONGEST], width - size * 0.35, size)[0] + "…"


def label(text: str) -> str:
    """Return the label of a crack for a figure."""
    return short(text.strip() or "(no label)", 22.0, 7.0)


def joined(names: list[str], most: int = 8) -> str:
    """Return names in a row, of many how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
