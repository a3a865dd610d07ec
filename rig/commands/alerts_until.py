"""Until when something holds, in words of a person: the next "06:00", or "2 h" from now."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from rig.errors import InputError
from rig.monitor.alerts.desk import LONGEST_SILENCE
from rig.units import UnitError, parse

_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


def ends(text: str, now: datetime, zone: tzinfo | None) -> datetime:
    """Return the instant (UTC) that "06:00", the next one, "2 h" from now, or "now" names.

    Raises InputError for anything else, and for one too far ahead.
    """
    if text.strip() == "now":
        return now
    found = _CLOCK.fullmatch(text.strip())
    end = _next(int(found[1]), int(found[2]), now, zone) if found else now + _span(text)
    if end - now > LONGEST_SILENCE:
        raise InputError(f"--until {text!r}: at most 7 days from now; what is so old is mended")
    return end


def _next(hour: int, minute: int, now: datetime, zone: tzinfo | None) -> datetime:
    local = now.astimezone(zone)
    for day in range(2):
        # Put together anew: a day is not always 24 hours long, and an hour may come twice in it.
        naive = datetime(local.year, local.month, local.day, hour, minute) + timedelta(days=day)  # noqa: DTZ001 - in that zone
        for fold in (0, 1):
            folded = naive.replace(fold=fold)
            there = folded.astimezone() if zone is None else folded.replace(tzinfo=zone)
            if (end := there.astimezone(UTC)) > now:
                return end
    raise InputError(f"--until {hour:02}:{minute:02}: there is no such time within a day")


def _span(text: str) -> timedelta:
    refusal = (
        f'--until {text!r}: give a time on the clock such as "06:00", how long, such as "2 h" or '
        '"3 d", or "now"'
    )
    try:
        span = timedelta(seconds=parse(text, "time"))
    except (UnitError, OverflowError) as error:
        raise InputError(refusal) from error
    if span <= timedelta():
        raise InputError(refusal)
    return span
