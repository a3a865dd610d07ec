"""Why a test stops: what is raised wherever it is found out, and caught by the conductor."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Final

from rig.control.desk import Asked
from rig.control.states import FAULTS
from rig.guards.limits import Trip

_GENERAL: Final = {"run-out": "end", "operator": "operator", "fault": "fault"}
"""The rig file's word for a stop whose own cause it does not name."""


class StopNow(Exception):
    """The test ends or must be stopped: cause for the rig, outcome and why for people.

    `asked` is the request that asked for it, still to be answered.
    """

    def __init__(
        self,
        cause: str,
        outcome: str,
        why: str,
        cycles: int = 0,
        trip: Trip | None = None,
        asked: Asked | None = None,
    ) -> None:
        super().__init__(why)
        self.asked = asked
        self.cause = cause
        self.outcome = outcome
        self.why = why
        self.cycles = cycles
        self.trip = trip


def tripped(trip: Trip, how: str = "") -> StopNow:
    """Return the stop that a limit calls for, and `how` it came; a lost feedback is a fault."""
    lost = trip.kind == "feedback"
    cause, outcome = ("feedback", "fault") if lost else ("limit", "limit")
    return StopNow(cause, outcome, f"{trip.text}; {how}" if how else trip.text, trip=trip)


def category_of(stop: StopNow, stops: Mapping[str, int]) -> int:
    """Return the stop category that a rig file names for a cause; 1 where it names none."""
    return stops.get(stop.cause, stops.get(_GENERAL[stop.outcome], 1))


def table_cause(stop: StopNow) -> str:
    """Return the state table's word for the cause of a stop."""
    if stop.outcome == "operator":
        return "stop"
    if stop.outcome in ("failure", "run-out", "ultimate"):
        return "verdict"
    if stop.outcome == "limit":
        return "limit"
    return stop.cause if stop.cause in FAULTS else "fault"


def forget_cancellation() -> None:
    """Let the stop that follows a cancellation run to its end."""
    task = asyncio.current_task()
    if task is not None:
        task.uncancel()
