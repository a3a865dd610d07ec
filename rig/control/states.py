"""The conductor's states as a table: what may follow what."""

from __future__ import annotations

from typing import Final

TRANSITIONS: Final[dict[str, frozenset[str]]] = {
    "idle": frozenset({"starting"}),
    "starting": frozenset({"approach", "static", "ramp", "hold", "build-up", "stopping"}),
    "approach": frozenset({"static", "ramp", "hold", "build-up", "stopping"}),
    "static": frozenset({"static", "ramp", "hold", "build-up", "stopping"}),
    "ramp": frozenset({"static", "ramp", "hold", "build-up", "stopping"}),
    "hold": frozenset({"static", "ramp", "hold", "build-up", "stopping"}),
    "build-up": frozenset({"cycling", "stopping"}),
    "cycling": frozenset({"inspection", "stopping"}),
    "inspection": frozenset({"build-up", "stopping"}),
    "stopping": frozenset({"stopped"}),
    "stopped": frozenset(),
}
"""Every state, and the states that may follow it."""


def may_follow(state: str, following: str) -> bool:
    """Tell whether the table lets one state follow another."""
    return following in TRANSITIONS[state]
