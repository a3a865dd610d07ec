"""A lab as it is shown at one moment: its rigs, its broker, and the clock of its people."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from rig.monitor import words
from rig.monitor.lab.rigs import Moment, News, RigTold

_WEEK: Final = timedelta(days=6)
_OTHER_YEAR: Final = timedelta(days=300)


@dataclass(frozen=True, slots=True)
class LabView:
    """What is known of a lab. `broker` is its address, `since` when it came or went.

    `why` says why it is away. `not_understood` messages came of which `newest` was the last, and
    `beyond` of rigs that there was no room for. `zone` is the zone of clock times, None the
    computer's.
    """

    lab: str
    broker: str
    connected: bool
    since: datetime | None
    now: Moment
    why: str = ""
    rigs: tuple[RigTold, ...] = ()
    news: tuple[News, ...] = ()
    not_understood: int = 0
    newest: str = ""
    beyond: int = 0
    zone: tzinfo | None = None

    @property
    def calendar(self) -> datetime:
        """Return the present day and time as the lab's people read it."""
        return self.local(self.now.utc)

    def local(self, when: datetime) -> datetime:
        """Return a time in the lab's zone."""
        try:
            return when.astimezone(self.zone)
        except (ValueError, OverflowError):  # the computer's TZ names a zone that is days ahead
            return when.astimezone(UTC)

    def clock(self, when: datetime | None) -> str:
        """Return day and time in words, such as "today 04:36", a dash for None."""
        return words.moment(None if when is None else self.local(when), self.calendar)

    def short(self, when: datetime | None) -> str:
        """Return day and time in at most twelve letters: "04:36", "Sat 17:16", "26 Dec 17:16"."""
        if when is None:
            return words.DASH
        told = self.local(when)
        return f"{day} {told:%H:%M}" if (day := self._day(told)) else f"{told:%H:%M}"

    def between(self, first: datetime, last: datetime) -> str:
        """Return a stretch of time in few letters: "17:16–19:30", "Sat 17:16–Sun 04:00".

        Where an end of it is a week away or more, days are told: "26–28 Dec".
        """
        one, other = self.local(first), self.local(last)
        if one.date() == other.date():
            return f"{self.short(first)}–{other:%H:%M}"
        if abs(other - self.calendar) <= _WEEK and abs(one - self.calendar) <= _WEEK:
            return f"{self.short(first)}–{_weekday(other)} {other:%H:%M}"
        year = f" {other.year}" if abs(other - self.calendar) > _OTHER_YEAR else ""
        same = (one.year, one.month) == (other.year, other.month)
        month = "" if same else f" {words.month(one)}"
        return f"{one.day}{month}–{other.day} {words.month(other)}{year}"

    def _day(self, told: datetime) -> str:
        if told.date() == self.calendar.date():
            return ""
        if abs(told - self.calendar) <= _WEEK:
            return _weekday(told)
        if abs(told - self.calendar) > _OTHER_YEAR:
            return f"{told.day} {words.month(told)} {told.year}"
        return f"{told.day} {words.month(told)}"


def _weekday(told: datetime) -> str:
    return words.date(told).split()[0]
