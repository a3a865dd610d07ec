"""The forecast as people are shown it: counted cycles, and in how long they will have run."""

from __future__ import annotations

import math

from rig.control.cyclic_stage import CyclicStage
from rig.control.station import Station
from rig.criteria.forecast import Forecast
from rig.protocol.estimate import cycling_seconds
from rig.protocol.plan import Plan
from rig.record.status import Foreseen


def foretold(station: Station, cyclic: CyclicStage | None) -> Foreseen | None:
    """Return what is foretold of the specimen; None where no cycle counts, or none any more."""
    if cyclic is None or cyclic.state.forecast is None or station.ran_out is not None:
        return None
    cycling = station.book.state == "cycling"
    return as_shown(station.plan, cyclic.state.forecast.newest, station.book.counted, cycling)


def as_shown(plan: Plan, newest: Forecast, counted: int, cycling: bool) -> Foreseen:
    """Return a forecast with its times, known only while the rig cycles at count `counted`."""
    if not newest.shown:
        return Foreseen(why=newest.why)
    low, high = (max(at, counted) for at in (newest.low, newest.high))
    soonest, latest = (_in(plan, counted, at) if cycling else math.nan for at in (low, high))
    return Foreseen(
        newest.low, newest.median, newest.high, soonest, latest, _waits(plan, counted, high)
    )


def _in(plan: Plan, counted: int, at: float) -> float:
    """Return in how long [s] a count comes."""
    stage = plan.cyclic
    return cycling_seconds(plan, stage, counted, math.ceil(at)) if stage else math.nan


def _waits(plan: Plan, counted: int, high: float) -> bool:
    """Tell whether an inspection on the way goes on only when somebody lets it."""
    inspections = plan.inspections
    if inspections is None or inspections.go_on_after is not None:
        return False
    count = inspections.next_after(counted)
    return count is not None and count < high
