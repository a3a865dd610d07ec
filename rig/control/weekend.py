"""A test that would end on a weekend, when nobody takes the specimen off."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from rig.control.hours import local
from rig.protocol.plan import Plan

_SATURDAY: Final = 5
_MORNING: Final = 8 * 60
_AFTERNOON: Final = 16 * 60
"""Minutes after midnight between which somebody is there, where the protocol names no working
hours; common practice, no source."""

_STAYS: Final = 8 * 3600.0
"""Who starts a test that takes less [s] is still there when it ends."""


def ends_on_weekend(plan: Plan, duration: float, now: datetime) -> str:
    """Return a warning where a test of `duration` [s] would end on a weekend, "" where it does not.

    `now` is the aware instant at which it would start. Days and hours are those of the protocol's
    zone. Raises InputError for a zone that the computer does not know.
    """
    end = local(plan.hours, now + timedelta(seconds=duration))
    if end.weekday() < _SATURDAY or duration < _STAYS:
        return ""
    begin, until = plan.hours.working or (_MORNING, _AFTERNOON)
    monday = _at(end + timedelta(days=7 - end.weekday()), begin)
    friday = _at(end - timedelta(days=end.weekday() - _SATURDAY + 1), until)
    later = (monday - end).total_seconds()
    advice = f"start {_hours(later)} later to end on Monday"
    if (fewer := _run_out(plan, (end - friday).total_seconds())) is not None:
        advice += f', or give run_out = "{fewer} cycles" to end on Friday'
    if plan.inspections is not None and plan.hours.working is None:
        advice += (
            '; working = ["08:00", "17:00"] in [hours] also pulls inspections out of the weekend'
        )
    return (
        f"started now, the test would end on {end:%A} {end.day} {end:%B} at {end:%H:%M} if the "
        f"specimen lasts: {advice}"
    )


def _run_out(plan: Plan, seconds: float) -> int | None:
    """Return the run-out in round cycles that ends so much earlier; None where it is none."""
    if plan.loading is None or plan.cyclic is None:
        return None
    left = plan.cyclic.run_out - seconds * plan.loading.frequency
    step = 10 ** max(0, len(str(plan.cyclic.run_out)) - 3)
    fewer = int(left // step) * step
    # No shorter than half of it: that is another test.
    return fewer if fewer >= plan.cyclic.run_out / 2 else None


def _at(day: datetime, minutes: int) -> datetime:
    return day.replace(hour=minutes // 60, minute=minutes % 60, second=0, microsecond=0)


def _hours(seconds: float) -> str:
    hours = -(-seconds // 3600)
    return f"{hours:.0f} h"
