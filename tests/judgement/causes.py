"""Which cause the program names: its words against the causes of the truth file, in one place."""

from __future__ import annotations

import re
from typing import Final

from rig.record import Event

NOTHING: Final = "nothing"
UNNAMED: Final = "unnamed"
"""It ended the test and did not say what was the matter."""
CHANNELS: Final = (
    *("support_left", "support_right", "midspan", "load_2", "stroke", "crack_opening"),
    *("end_slip_1", "temperature_air", "temperature_water", "temperature_oil"),
    *("flow", "tank", "level", "load"),
)
OF_EVENTS: Final = {
    "support": "support",
    "uneven-load": "rig",
    "guide": "rig",
    "off-target": "rig",
    "stiffness-step": "specimen",
    "step": "specimen",
    "stiffness-loss": "specimen",
}
"""Cause by kind of event, of those whose kind says it."""
OF_STOPS: Final = {
    "leak": "water",
    "oil": "rig",
    "mains": "rig",
    "watchdog": "rig",
    "silent": "rig",
    "feedback": "load",
}
"""Cause by the word of the table of states with which a test is being stopped."""
MISSED: Final = re.compile(r"flow .*: |spray period missed|does not switch on|does not answer")
LOOK_AT_LOAD: Final = re.compile(
    r"load cell|feedback (in doubt|lost)|load is noisy|one in the load"
)


def named_by(event: Event) -> str | None:
    """Return the cause that an event names, None where it names none.

    A growth of residual deflection, an overload or a correction under way is a fact, not a cause.
    """
    kind, text = event.kind, event.text
    if kind in OF_EVENTS:
        return OF_EVENTS[kind]
    if kind in ("sensor", "conflict"):
        return _of_channel(text)
    if kind == "correction":
        return "specimen" if "softens" in text else "rig"
    if kind == "water" and MISSED.search(text):
        return "water"
    return None


def named_by_end(outcome: str, cause: str, why: str) -> str | None:
    """Return the cause that the end of a test names, None of a run-out.

    `cause` is the word of the table of states with which it was being stopped.
    """
    if outcome == "run-out":
        return None
    if outcome == "failure":
        return "specimen"
    if cause in OF_STOPS:
        return OF_STOPS[cause]
    if LOOK_AT_LOAD.search(why):
        return "load"
    if "the rig is at fault" in why or "controller" in why or "not reached" in why:
        return "rig"
    if MISSED.search(why) or "periods missed" in why:
        return "water"
    if "look at its sensor" in why or "drifting sensor" in why or "in doubt" in why:
        return "sensor"
    return _of_channel(why) if outcome == "fault" else UNNAMED


def _of_channel(text: str) -> str:
    """Return the cause of a doubt about a channel: that of the first channel it speaks of."""
    if "not in the load" in text:
        return "sensor"
    if LOOK_AT_LOAD.search(text):
        return "load"
    doubted = re.search(r"(\w+) is in doubt", text)
    first = doubted[1] if doubted else _first_channel(text)
    return "load" if first == "load" else "sensor"


def _first_channel(text: str) -> str:
    found = [(m.start(), name) for name in CHANNELS if (m := re.search(rf"\b{name}\b", text))]
    return min(found, default=(0, ""))[1]
