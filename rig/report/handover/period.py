"""From when to when a handover tells: as somebody asked, or since people were last there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Protocol

from rig.errors import InputError
from rig.monitor import words
from rig.report.handover.people import Visit
from rig.report.handover.reading import Read
from rig.report.handover.when import Meant, Zone, meant

HERE: Final = 3600.0
"""A visit that ended less long ago [s] is that of whoever asks now: the one before it counts."""
A_DAY: Final = 24 * 3600.0


class Counts(Protocol):
    """The counted cycles of a record, as far as a period needs them."""

    rows: int

    def time(self, row: int) -> float:
        """Return the test time [s] of a row, NaN where there is none."""


@dataclass(frozen=True, slots=True)
class Period:
    """Test times [s] from and to, `why` from then in words, and what has to be said beside.

    `to_now` tells that it ends with the newest data.
    """

    since: float
    until: float
    why: str
    said: tuple[str, ...] = ()
    to_now: bool = True

    def has(self, time: float) -> bool:
        """Tell whether a test time [s] lies in it."""
        return self.since <= time <= self.until


def period_of(
    read: Read, since: str | None, until: str | None, visits: tuple[Visit, ...], cycles: Counts
) -> Period:
    """Return the period of words such as "yesterday 18:00"; without them since the last visit.

    Raises InputError for words that mean nothing, or no moment between start and now.
    """
    said: list[str] = []
    end = read.newest
    if until is not None:
        end = min(_asked(read, until, "--until", said, cycles), end)
    if since is not None:
        begin, why = _asked(read, since, "--since", said, cycles), "as asked"
    else:
        begin, why = _by_itself(read, visits, end)
    if begin < 0:
        if since is not None:
            said.append(f"{_when(read, begin)} was before its start")
        begin, why = 0.0, "when it began"
    if since is not None and begin > read.newest and until is None:
        # Nothing was recorded since then: the test had ended, or its program was gone.
        end = begin
    elif begin > end or (begin == end and until is not None):
        raise InputError(
            f"--since {_when(read, begin)} is not before --until {_when(read, end)}; "
            "give an earlier one"
        )
    return Period(begin, end, why, tuple(said), to_now=until is None)


def _asked(read: Read, text: str, option: str, said: list[str], cycles: Counts) -> float:
    """Return the test time [s] that words mean."""
    zone = Zone(read.view.zone, read.now, late=option == "--until")
    told = meant(text, zone, option)
    if told.said:
        said.append(told.said)
    if told.cycle is not None:
        return _of_cycle(read, told, text, option, cycles)
    return 0.0 if told.at is None else read.test_time(told.at)


def _of_cycle(read: Read, told: Meant, text: str, option: str, cycles: Counts) -> float:
    count = told.cycle or 0
    time = cycles.time(count - 1) if count else 0.0
    if math.isnan(time):
        ends = f"there is no such cycle in its record, which ends at {cycles.rows:,}"
        why = ends if count > cycles.rows else "its record is damaged there"
        raise InputError(f"{option} {text!r}: {why}; give another one")
    return time


def _by_itself(read: Read, visits: tuple[Visit, ...], end: float) -> tuple[float, str]:
    """Return since when people want to know, who did not say it, and why since then."""
    now = min(end, read.newest)
    if end >= read.newest:
        now = max(now, read.test_time(read.now))
    for visit in reversed(visits):
        if visit.end <= now - HERE:
            return visit.begin, f"when people were last at it ({visit.brief()})"
    return min(end, read.newest) - A_DAY, "a day before"


def _when(read: Read, time: float) -> str:
    return words.moment(read.view.at(time), local_now(read))


def local_now(read: Read) -> datetime:
    """Return the present of the test in its zone."""
    return read.view.local(read.now)
