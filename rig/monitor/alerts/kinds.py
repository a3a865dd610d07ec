"""Which kind of alert an event or a trouble is."""

from __future__ import annotations

import re
from typing import Final

from rig.judging.shadow import WOULD

_OF_EVENTS: Final = {
    "sensor": "sensor",
    "conflict": "sensor",
    "support": "sensor",
    "stiffness-loss": "specimen",
    "stiffness-step": "specimen",
    "residual-growth": "specimen",
    "early-loss": "specimen",
    "water": "water",
    "deviation": "water",
    "record": "record",
    "messages": "message-way",
}
_WATER: Final = re.compile(r"\b(pump|spray|water|tank|periods? (was )?missed|periods missed)\b")
_SENSOR: Final = re.compile(r"\b(slow channels|insulation_\d+|gauge \d+)\b")


def kind_of(event_kind: str, text: str) -> str:
    """Return the kind of alert for a text, and the kind of the event that told it, "" for none."""
    if text.startswith(WOULD):
        return "alert-only"
    if event_kind in _OF_EVENTS:
        return _OF_EVENTS[event_kind]
    if not event_kind and _SENSOR.search(text):
        return "sensor"
    if not event_kind and _WATER.search(text):
        return "water"
    return "rig"
