"""A moment that is past in a few words: "18:00", "Monday 07:00", "2 h ago", "cycle 100000"."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from rig.errors import InputError
from rig.monitor import words

FORMS: Final = (
    '"18:00", "yesterday 18:00", "Monday 07:00", "2026-11-29 18:00", "2 h ago", "cycle 100000" '
    'or "start"'
)
"""All that is understood, by example."""

_DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_NEAR: Final = {"today": 0, "yesterday": 1}
_SECONDS: Final = {
    **dict.fromkeys(("s", "second", "seconds"), 1.0),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
    **dict.fromkeys(("d", "day", "days"), 86400.0),
}
_CLOCK: Final = r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?"
_SPAN: Final = r"(\d+(?:\.\d+)?)\s*([a-z]+)"
_A_DAY: Final = re.compile(rf"([a-z]+)\s+{_CLOCK}")
_A_DATE: Final = re.compile(rf"(\d{{4}}-\d\d-\d\d)[ t]{_CLOCK}\s*(z|[+-]\d\d:\d\d)?")
_AGO: Final = re.compile(rf"{_SPAN}(?:\s+{_SPAN})?(?:\s+ago)?")
_COUNT: Final = re.compile(r"(?:cycle|count)\s+(\d[\d,]{0,15}|\d{1,3}e\d{1,2})")


@dataclass(frozen=True, slots=True)
class Meant:
    """What words mean: an instant, or a counted cycle; neither is the start of the test.

    `said` is what has to be said of a clock time that came twice, or not at all.
    """

    at: datetime | None = None
    cycle: int | None = None
    said: str = ""


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone of clock times, None the computer's, and "now" as an aware instant.

    Of a clock time that comes twice the first is meant, with `late` the second.
    """

    zone: tzinfo | None
    now: datetime
    late: bool = False

    def local(self, when: datetime) -> datetime:
        """Return an aware instant in the zone."""
        try:
            return when.astimezone(self.zone)
        except (OverflowError, ValueError):
            return when.astimezone(UTC)

    def instant(self, day: date, clock: time) -> tuple[datetime, str]:
        """Return the instant (UTC) of a clock time, and what has to be said of it.

        Of one that comes twice the first (or, with `late`, the second); of one that does not come
        the moment at which the clocks went forward. Raises OverflowError beyond the calendar.
        """
        wall = datetime.combine(day, clock)
        first, second = (self._as_clock(wall.replace(fold=fold)) for fold in (0, 1))
        if first == second:
            return first, ""
        told = f"{clock:%H:%M} on {words.date(wall)}"
        if first < second:
            taken, place = (second, "second") if self.late else (first, "first")
            name = words.zone_name(self.local(taken))
            return taken, f"{told} came twice: the {place} is taken ({name})"
        changed = self._changed(second, first)
        at = f"{self.local(changed):%H:%M}"
        return changed, f"{told} did not come, the clocks went forward: {at} is taken"

    def _as_clock(self, wall: datetime) -> datetime:
        aware = wall.astimezone() if self.zone is None else wall.replace(tzinfo=self.zone)
        return aware.astimezone(UTC)

    def _changed(self, before: datetime, after: datetime) -> datetime:
        """Return the second at which the zone's offset changes, which lies between two others."""
        offset = self.local(before).utcoffset()
        low, high = math.floor(before.timestamp()), math.ceil(after.timestamp())
        while high - low > 1:
            middle = (low + high) // 2
            if self.local(datetime.fromtimestamp(middle, UTC)).utcoffset() == offset:
                low = middle
            else:
                high = middle
        return datetime.fromtimestamp(high, UTC)


def meant(text: str, zone: Zone, option: str = "--since") -> Meant:
    """Return what words mean, seen from `zone.now`.

    Raises InputError for other words, for a moment that has not come yet, and for days that no
    calendar has; `option` is what the words were given as.
    """
    plain = " ".join(text.lower().split())
    if plain == "start":
        return Meant()
    try:
        return _past(_read(plain, zone), zone)
    except (OverflowError, ValueError) as error:
        raise InputError(f"{option} {text!r}: no calendar has that day; give {FORMS}") from error
    except InputError as error:
        raise InputError(f"{option} {text!r}: {error}") from error


def _read(plain: str, zone: Zone) -> Meant:
    for pattern, read in _FORMS:
        if found := re.fullmatch(pattern, plain):
            return read(found, zone)
    raise InputError(f"is no moment that is known here; give {FORMS}")


def _past(told: Meant, zone: Zone) -> Meant:
    if told.at is not None and told.at > zone.now:
        now = zone.local(zone.now)
        when = zone.local(told.at)
        told_at = f"{words.day(when, now)} {when:%H:%M}"
        raise InputError(f"{told_at} has not come yet, it is {now:%H:%M}; give one that is past")
    return told


def _clock(hour: str, minute: str, second: str | None) -> time:
    return time(int(hour), int(minute), int(second or 0))


def _last(found: re.Match[str], zone: Zone) -> Meant:
    """Return the last time a clock showed a time."""
    clock, today = _clock(*found.groups()), zone.local(zone.now).date()
    # Today, else the day before; a third one where the zone jumped over a whole day.
    for back in (0, 1, 2):
        at, said = zone.instant(today - timedelta(days=back), clock)
        if at <= zone.now:
            break
    return Meant(at, said=said)


def _of_day(found: re.Match[str], zone: Zone) -> Meant:
    name, *clock = found.groups()
    today, at = zone.local(zone.now), _clock(*clock)
    place = next((i for i, day in enumerate(_DAYS) if name in (day, day[:3])), None)
    if place is None and name not in _NEAR:
        raise InputError(f"there is no day called {name!r}; give {FORMS}")
    back = _NEAR[name] if place is None else (today.weekday() - place) % 7
    when, said = zone.instant(today.date() - timedelta(days=back), at)
    if place is not None and when > zone.now:
        when, said = zone.instant(today.date() - timedelta(days=back + 7), at)
    return Meant(when, said=said)


def _of_date(found: re.Match[str], zone: Zone) -> Meant:
    day, hour, minute, second, offset = found.groups()
    when, clock = date.fromisoformat(day), _clock(hour, minute, second)
    if offset is None:
        at, said = zone.instant(when, clock)
        return Meant(at, said=said)
    given = datetime.fromisoformat(f"{when.isoformat()}T{clock.isoformat()}{offset.upper()}")
    return Meant(given.astimezone(UTC))


def _ago(found: re.Match[str], zone: Zone) -> Meant:
    pairs = [found.group(1, 2), found.group(3, 4)]
    given = [(float(number), unit) for number, unit in pairs if number is not None]
    for _, unit in given:
        if unit not in _SECONDS:
            raise InputError(f"{unit!r} is no unit of time; give s, min, h or d")
    seconds = sum(number * _SECONDS[unit] for number, unit in given)
    try:
        return Meant(zone.now.astimezone(UTC) - timedelta(seconds=seconds))
    except OverflowError:  # before anything that a calendar has
        return Meant()


def _of_count(found: re.Match[str], _zone: Zone) -> Meant:
    return Meant(cycle=int(float(found[1].replace(",", ""))))


_FORMS: Final[tuple[tuple[str | re.Pattern[str], Callable[[re.Match[str], Zone], Meant]], ...]] = (
    (_CLOCK, _last),
    (_A_DATE, _of_date),
    (_COUNT, _of_count),
    (_AGO, _ago),
    (_A_DAY, _of_day),
)
