"""Why a test stops: what is raised wherever it is found out, and caught by the conductor."""

from __future__ import annotations

from rig.control.desk import Asked
from rig.control.states import FAULTS
from rig.guards.limits import Trip


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


def table_cause(stop: StopNow) -> str:
    """Return the state table's word for the cause of a stop."""
    if stop.outcome == "operator":
        return "stop"
    if stop.outcome in ("failure", "run-out", "ultimate"):
        return "verdict"
    if stop.outcome == "limit":
        return "limit"
    return stop.cause if stop.cause in FAULTS else "fault"
