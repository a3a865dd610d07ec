"""Quiet hours: minutes of the day on the lab's clock, over midnight and changes of the clock."""

from __future__ import annotations

from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo


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
