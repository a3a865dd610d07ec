"""What hangs between load cell and specimen, in words."""

from __future__ import annotations

from rig.protocol.trust import Frame


def dead_load_words(frame: Frame) -> str:
    """Return what the load that is shown says of the dead load, "" where none is stated.

    Levels and capacities stay as shown: companions were loaded through the same spreader.
    """
    if not frame.dead_load:
        return ""
    weight = f"{frame.dead_load / 1e3:.4g} kN"
    begins = f"dead load {weight}, zeroed {frame.zeroed}"
    if frame.zeroed == "resting":
        return f"{begins}: the specimen carries {weight} more than the load that is shown"
    return f"{begins}: the load that is shown is all that rests on the specimen"
