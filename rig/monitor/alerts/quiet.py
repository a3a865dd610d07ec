"""Quiet hours: minutes of the day on the lab's clock, over midnight and changes of the clock."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

_DAY: Final = 24 * 60


def zone_of(name: str) -> tzinfo | None:
    """Return a lab's zone, None for the computer's."""
    return ZoneInfo(name) if name else None


def quiet(hours: tuple[int, int] | None, now: datetime, zone: tzinfo | None) -> bool:
    """Tell whether quiet hours, minutes of the day from and to, hold at an instant.

    By what the clock on the wall shows: where it is put back, an hour of them comes twice.
    """
    if hours is None:
        return False
    begin, end = hours
    local = now.astimezone(zone)
    minute = 60 * local.hour + local.minute
    if begin <= end:
        return begin <= minute < end
    return minute >= begin or minute < end


def quiet_until(hours: tuple[int, int], now: datetime, zone: tzinfo | None) -> datetime:
    """Return the first whole minute from an instant on at which quiet hours do not hold.

    An instant of the zone of `now`; a day and an hour ahead at the most.
    """
    when = now.replace(second=0, microsecond=0)
    # Minute by minute: what the clock shows where it is changed is the zone's matter alone.
    for _ in range(_DAY + 60):
        if not quiet(hours, when, zone):
            return when
        when += timedelta(minutes=1)
    return when
