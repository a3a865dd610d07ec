"""Hours of the day: when nothing is resumed, and inspections pulled into working hours.

Hours are wall-clock time in the protocol's zone. What the wall clock says changes evenly but
for the moments at which the zone's offset changes, so time is walked from one to the next of
those moments and the bounds of the hours: right also where an hour is left out or comes twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rig.errors import InputError
from rig.protocol.plan import Hours, Plan

LEAD: Final = timedelta(hours=1)
"""Time left of the working hours for an inspection; common practice, no source."""

_DAY: Final = 24 * 60
_SATURDAY: Final = 5
_LONGEST_QUIET: Final = timedelta(days=8)
_SHORTEST_STEP: Final = timedelta(microseconds=1)


def local(hours: Hours, now: datetime) -> datetime:
    """Return an aware instant as local time in the protocol's zone, "" being the computer's.

    Raises InputError for a zone that the computer does not know.
    """
    if not hours.zone:
        return now.astimezone()
    try:
        return now.astimezone(ZoneInfo(hours.zone))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            f"unknown time zone {hours.zone!r}; give an IANA name such as 'Europe/Lisbon', "
            "or leave it out for the computer's own"
        ) from None


def quiet_until(hours: Hours, now: datetime) -> datetime | None:
    """Return when the quiet hours end (UTC) that an aware instant lies in, None outside them.

    Raises InputError for an unknown zone and for quiet hours that never end.
    """
    if not _is_quiet(hours, local(hours, now)):
        return None
    end = now.astimezone(UTC) + _LONGEST_QUIET
    for moment in _moments(hours, now, end):
        if not _is_quiet(hours, local(hours, moment)):
            return moment
    raise InputError("the quiet hours never end, so that nothing could be resumed; shorten them")


def pulled_forward(
    hours: Hours, planned: int, counted: int, now: datetime, frequency: float
) -> int:
    """Return the count at which the inspection planned at count `planned` is to be held.

    `counted` is reached at the aware instant `now`, and cycles follow at `frequency` [Hz]. Where
    `planned` falls outside working hours it is the latest count within them that leaves `LEAD`
    of them, or the earliest that is allowed where none leaves so much; `planned` itself where
    no working hour lies within `pull_forward` before it. Ask once per inspection: the answer
    moves with every pause. Raises InputError for an unknown zone.
    """
    if hours.working is None or planned <= counted:
        return planned

    def when(count: int) -> datetime:
        return now.astimezone(UTC) + timedelta(seconds=(count - counted) / frequency)

    if _is_working(hours, local(hours, when(planned))):
        return planned
    # A hair of rounding must not take a cycle from 10 % of a round count.
    earliest = planned - math.floor(hours.pull_forward * planned + 1e-9)
    first = max(earliest, counted + 1)
    for begin, end in _working_times(hours, when(first), when(planned)):
        low = _first_at(when, first, planned, begin)
        high = _first_at(when, first, planned, end) - 1
        wanted = _first_at(when, first, planned, end - LEAD + _SHORTEST_STEP) - 1
        if low <= high:
            return max(low, min(wanted, high))
    return planned


def next_inspection(
    plan: Plan, run_out: int, inspected: int, counted: int, now: datetime | None, frequency: float
) -> int | None:
    """Return the count of the next inspection of a stage, None where none comes before `run_out`.

    `inspected` is the protocol's count of the one made last; `counted` is reached at the aware
    instant `now`, None where the calendar does not count. Cycles follow at `frequency` [Hz].
    """
    planned = plan.inspections.next_after(inspected) if plan.inspections else None
    if planned is None or planned >= run_out:
        return None
    count = planned
    if now is not None:
        count = pulled_forward(plan.hours, planned, counted, now, frequency)
    # One that a pause kept from being made is made now.
    return max(count, counted + 1)


def _first_at(when: Callable[[int], datetime], low: int, high: int, moment: datetime) -> int:
    """Return the first count in [low, high] that is reached at a moment or later, else high."""
    while low < high:
        middle = (low + high) // 2
        if when(middle) >= moment:
            high = middle
        else:
            low = middle + 1
    return low


def _working_times(hours: Hours, begin: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
    """Return the working hours between two instants as (from, until), the latest first."""
    times: list[tuple[datetime, datetime]] = []
    start = begin
    for moment in (*_moments(hours, begin, end), end):
        if _is_working(hours, local(hours, start)):
            if times and times[-1][1] == start:
                start = times.pop()[0]
            times.append((start, moment))
        start = moment
    return times[::-1]


def _moments(hours: Hours, begin: datetime, end: datetime) -> Iterator[datetime]:
    """Yield the instants (UTC) after `begin` and before `end` at which anything may change."""
    bounds = {0, *(hours.quiet or ()), *(hours.working or ())}
    now = begin.astimezone(UTC)
    while True:
        wall = local(hours, now)
        following = now + _until_next(wall, bounds)
        if local(hours, following).utcoffset() != wall.utcoffset():
            following = _offset_change(hours, now, following)
        if following >= end:
            return
        yield following
        now = following


def _until_next(wall: datetime, bounds: set[int]) -> timedelta:
    """Return how long the wall clock takes to the next of some minutes of the day."""
    passed = timedelta(hours=wall.hour, minutes=wall.minute, seconds=wall.second)
    passed += timedelta(microseconds=wall.microsecond)
    days = (timedelta(minutes=bound + day) for bound in bounds for day in (0, _DAY))
    return min(time - passed for time in days if time > passed)


def _offset_change(hours: Hours, before: datetime, after: datetime) -> datetime:
    """Return the instant at which the zone's offset changes, one lying between two others."""
    offset = local(hours, before).utcoffset()
    low, high = math.floor(before.timestamp()), math.ceil(after.timestamp())
    while high - low > 1:
        middle = (low + high) // 2
        if local(hours, datetime.fromtimestamp(middle, UTC)).utcoffset() == offset:
            low = middle
        else:
            high = middle
    return datetime.fromtimestamp(high, UTC)


def _is_quiet(hours: Hours, wall: datetime) -> bool:
    if hours.quiet_weekend and wall.weekday() >= _SATURDAY:
        return True
    return hours.quiet is not None and _within(hours.quiet, wall)


def _is_working(hours: Hours, wall: datetime) -> bool:
    return hours.working is not None and wall.weekday() < _SATURDAY and _within(hours.working, wall)


def _within(span: tuple[int, int], wall: datetime) -> bool:
    """Tell whether the wall clock is in [from, until) minutes of the day; may wrap midnight."""
    minute, (begin, end) = wall.hour * 60 + wall.minute, span
    if begin <= end:
        return begin <= minute < end
    return minute >= begin or minute < end
