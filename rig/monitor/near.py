"""What whoever goes near the specimen has to know first: when it moves, when water comes."""

from __future__ import annotations

from typing import Final

from rig.monitor import words
from rig.monitor.view import View
from rig.record.status import AGAIN, BEGINS, BREAKS, MOVES, WATER_ON, Coming

STAY_OUT: Final = "STAY OUT"
SHORT: Final = 60.0
"""A wait [s] that is too short to go near and come back; common practice, no source."""
INVITES: Final = frozenset({"waiting", "locked", "paused", "unloaded", "re-wetting"})
"""States in which the rig stands and people go to the specimen."""
_TO_REST: Final = frozenset({"pausing", "unloading"})
_FORESEEN: Final = frozenset({"verdict", "stop"})
_WATER_COMES: Final = frozenset({WATER_ON, BEGINS, AGAIN})
_HOLD: Final = "to hold it before you go near: nightrig note, or open the guard"
_HOLD_NOW: Final = "to hold it: nightrig note"


def motion(view: View) -> tuple[str, bool]:
    """Return a headline where the rig is about to move by itself, and whether to stay out.

    An empty one where it is not, or where it has moved all the time without breaking anything.
    """
    if view.ending is not None or not view.alive:
        return "", False
    state = view.status.state
    soon = next((c for c in view.status.coming if c.what == MOVES), None)
    if soon is not None or state == "starting":
        return f"{STAY_OUT}: {_starts(view, soon)}", True
    if state == "approach":
        return f"{STAY_OUT}: IT MOVES", True
    if _breaks(view):
        return f"{STAY_OUT}: IT IS LOADED UNTIL IT BREAKS", True
    # What stops for a fault calls somebody; what goes to rest as foreseen moves until it stands.
    if state in _TO_REST or (state == "stopping" and view.status.cause in _FORESEEN):
        return f"{STAY_OUT}: IT COMES TO REST", True
    ends = goes_on(view)
    if ends is None or ends.within is None:
        return "", False
    left = view.left(ends.within)
    if left is None:
        return f"{STAY_OUT}: IT MAY MOVE", True
    if left < SHORT:
        return f"{STAY_OUT}: IT MOVES IN {words.span(left)}", True
    return f"LOOK: IT MOVES BY ITSELF IN {words.span(left)}", False


def _starts(view: View, soon: Coming | None) -> str:
    if view.stale:
        return "IT MAY MOVE"
    left = None if soon is None or soon.within is None else view.left(soon.within)
    return "IT MOVES AFTER THE HORN" if not left else f"IT MOVES IN {words.span(left)}"


def _breaks(view: View) -> bool:
    """Tell whether the specimen is being broken: its pieces reach further than the rod does."""
    return view.status.state == "ramp" and view.status.means.startswith(BREAKS)


def goes_on(view: View) -> Coming | None:
    """Return the end of an inspection that goes on by itself, None in every other state."""
    if view.status.state != "waiting":
        return None
    return next((c for c in view.status.coming if c.within is not None), None)


def before(view: View) -> str:
    """Return what goes before motion that comes at any moment, and what keeps the rig still."""
    if view.rehearsal or view.status.state == "approach" or _breaks(view):
        return view.status.means or "nobody knows what moves first"
    return "horn or lamp first, then pressure; to keep it still: nightrig stop"


def hold(view: View) -> str:
    """Return how to hold an inspection that goes on by itself, or nothing."""
    if goes_on(view) is None or view.rehearsal:
        return ""
    return _HOLD_NOW if motion(view)[1] else _HOLD


def water(view: View) -> str:
    """Return that water is on or comes on where people may stand at the specimen, or nothing."""
    told = view.status.water
    if told is None or not (view.over or view.status.state in INVITES):
        return ""
    if told.on:
        return "WATER is on: stay clear of the spray"
    item = told.coming
    if view.over or item is None or item.within is None or item.what not in _WATER_COMES:
        return ""
    when = view.moment(item.within).removeprefix("today ")
    left = view.left(item.within)
    comes = f"at {when}" if left is None else f"in {words.span(left)} ({when})"
    return f"WATER comes on {comes}: stay clear of the spray"
