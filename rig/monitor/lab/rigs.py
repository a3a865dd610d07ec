"""What each rig of a lab told last, and when it was heard: kept from message to message."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar

from rig.monitor.glyphs import UTF8
from rig.monitor.happened import worth_telling
from rig.monitor.mqtt.told import (
    KINDS,
    Alert,
    Cycles,
    End,
    Forecast,
    ForecastTold,
    Happened,
    NotUnderstood,
    Presence,
    Status,
    read,
)
from rig.monitor.mqtt.topics import (
    ALERTS,
    END,
    EVENTS,
    FORECAST,
    PRESENCE,
    STATUS,
    Topic,
    parts,
)
from rig.record.entries import Event

MOST: Final = 1000
"""Rigs of a lab that are kept; what further ones send is counted."""
_NEWS: Final = 60
_CLASH: Final = 20.0
_SHOWN: Final = 60
"""Letters of a topic that are told where its message is not understood."""


_OfRun = TypeVar("_OfRun", Status, End, ForecastTold, Cycles)


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment by both clocks: monotonic `seconds` [s], and UTC."""

    seconds: float
    utc: datetime


@dataclass(frozen=True, slots=True)
class RigTold:
    """What a rig told last.

    It was `heard` at a monotonic time [s] and in UTC, None where nobody knows; `live` tells that it
    was heard here, and not only kept by the broker. `left` tells that the broker says it is away,
    and nothing came since. Its newest data was new at `stamped` [s]. `clash` is when [s] two runs
    were last heard in turn under its name, and `unread` what of its status is not understood.
    """

    name: str
    presence: Presence | None = None
    kept_status: Status | None = None
    kept_forecast: ForecastTold | None = None
    kept_end: End | None = None
    kept_cycles: Cycles | None = None
    heard: float = -math.inf
    heard_utc: datetime | None = None
    live: bool = False
    left: bool = False
    stamped: float = -math.inf
    before: str = ""
    clash: float = -math.inf
    unread: str = ""

    @property
    def run(self) -> str:
        """Return the run it speaks of now, "" where nobody knows."""
        if self.presence is not None and (self.presence.online or self.kept_status is None):
            return self.presence.run
        return self.kept_status.run if self.kept_status is not None else ""

    @property
    def status(self) -> Status | None:
        """Return the status of its run: one kept of an earlier run tells nothing of this one."""
        return self._of_run(self.kept_status)

    @property
    def end(self) -> End | None:
        """Return how its run ended, None where it did not."""
        return self._of_run(self.kept_end)

    @property
    def forecast(self) -> Forecast | None:
        """Return what is foretold of its run."""
        told = self._of_run(self.kept_forecast)
        return told or (self.status.forecast if self.status is not None else None)

    @property
    def cycles(self) -> int | None:
        """Return the newest counted cycle."""
        newest = self._of_run(self.kept_cycles)
        known = [self.status.cycles] if self.status is not None else []
        known += [newest.cycle] if newest is not None and newest.cycle is not None else []
        return max(known, default=None)

    def _of_run(self, told: _OfRun | None) -> _OfRun | None:
        return told if told is not None and told.run == self.run else None


@dataclass(frozen=True, slots=True)
class News:
    """One event of a rig, or one alert about it, as it arrived."""

    rig: str
    told: Happened


class Rigs:
    """Takes message after message of one lab; whatever arrives, it stays small and goes on."""

    def __init__(self, lab: str) -> None:
        self._lab = lab
        self._rigs: dict[str, RigTold] = {}
        self._seen: dict[tuple[str, Topic], tuple[str, int]] = {}
        self._news: deque[News] = deque(maxlen=_NEWS)
        self.not_understood = 0
        self.newest_of_them = ""
        self.beyond = 0

    @property
    def told(self) -> tuple[RigTold, ...]:
        """Return every rig, by name; who only sent an alert to try the broker is none."""
        found = (self._rigs[name] for name in sorted(self._rigs))
        return tuple(rig for rig in found if rig.presence or rig.kept_status or rig.unread)

    @property
    def news(self) -> tuple[News, ...]:
        """Return the newest events and alerts, the newest last."""
        return tuple(self._news)

    def take(self, topic: str, payload: bytes, now: Moment, *, retained: bool) -> None:
        """Take one message; `retained` ones were kept by the broker, nobody knows since when."""
        found = parts(topic)
        if found is None or found[0] != self._lab or found[2] not in KINDS:
            self._refuse(topic, "no rig of this lab has such a topic")
            return
        _, name, kind = found
        if name not in self._rigs and len(self._rigs) >= MOST:
            self.beyond += 1
            return
        rig = self._rigs.get(name, RigTold(name))
        if not payload:
            self._forget(rig, kind)
            return
        try:
            told = read(kind, payload)
        except NotUnderstood as error:
            self._refuse(topic, str(error))
            if kind is STATUS:
                rig = _heard(replace(rig, unread=str(error)), now, retained=retained)
                self._rigs[name] = rig
            return
        self._rigs[name] = _taken(rig, told, now, retained=retained)
        if isinstance(told, Happened) and self._is_new(name, kind, told):
            self._tell(News(name, told))

    def _tell(self, news: News) -> None:
        told = news.told
        if isinstance(told, Alert) or worth_telling(Event(0.0, 0, told.kind, told.text)):
            self._news.append(news)

    def _refuse(self, topic: str, why: str) -> None:
        self.not_understood += 1
        short = UTF8.safe("/".join(topic.split("/")[-2:]))[:_SHOWN]
        self.newest_of_them = f"{short}: {why}"

    def _is_new(self, name: str, kind: Topic, told: Happened) -> bool:
        """Tell whether it is told for the first time: a broker may deliver it twice."""
        run, seq = self._seen.get((name, kind), ("", 0))
        if run == told.run and told.seq <= seq:
            return False
        self._seen[name, kind] = (told.run, told.seq)
        return True

    def _forget(self, rig: RigTold, kind: Topic) -> None:
        """Forget what somebody had the broker forget, by an empty message."""
        if kind is PRESENCE:
            rig = replace(rig, presence=None)
        elif kind is STATUS:
            rig = replace(rig, kept_status=None)
        elif kind is FORECAST:
            rig = replace(rig, kept_forecast=None)
        elif kind is END:
            rig = replace(rig, kept_end=None)
        if rig.presence is not None or rig.kept_status is not None:
            self._rigs[rig.name] = rig
        elif self._rigs.pop(rig.name, None) is not None:
            for one in (EVENTS, ALERTS):
                self._seen.pop((rig.name, one), None)


def _taken(rig: RigTold, told: Any, now: Moment, *, retained: bool) -> RigTold:
    if isinstance(told, Presence):
        if _is_late(told, rig.presence):
            return rig
        rig = replace(rig, presence=told, left=not told.online)
        return _heard(rig, now, retained=retained) if told.online else rig
    if isinstance(told, Status):
        rig = _with_status(rig, told, now, retained=retained)
    elif isinstance(told, ForecastTold):
        rig = replace(rig, kept_forecast=told)
    elif isinstance(told, End):
        rig = replace(rig, kept_end=told)
    elif isinstance(told, Cycles):
        rig = replace(rig, kept_cycles=told)
    return _heard(rig, now, retained=retained)


def _is_late(told: Presence, known: Presence | None) -> bool:
    """Tell whether it is the last word of an earlier run: a broker may take long to lose one."""
    if known is None or known.taken is None or told.taken is None:
        return False
    return told.taken < known.taken


def _with_status(rig: RigTold, told: Status, now: Moment, *, retained: bool) -> RigTold:
    before = rig.kept_status
    newer = before is None or before.stamp != told.stamp
    if before is not None and before.run != told.run:
        clash = now.seconds if rig.before == told.run and not retained else rig.clash
        rig = replace(rig, before=before.run, clash=clash)
    stamped = now.seconds if newer else rig.stamped
    rig = replace(rig, kept_status=told, stamped=stamped, unread="")
    when = told.told or told.stamp
    if not retained or when is None:
        return rig
    # What the broker kept is as old as it says: whoever sent it may be gone since.
    ago = max(now.utc - when, timedelta(0))
    if (kept := now.seconds - ago.total_seconds()) > rig.heard:
        rig = replace(rig, heard=kept, stamped=kept, heard_utc=now.utc - ago)
    return rig


def _heard(rig: RigTold, now: Moment, *, retained: bool) -> RigTold:
    """Return a rig that gave a sign of life; what the broker kept is none."""
    if retained:
        return rig
    return replace(rig, heard=now.seconds, heard_utc=now.utc, live=True, left=False)


def clashes(rig: RigTold, now: Moment) -> bool:
    """Tell whether two runs are heard in turn under one name."""
    return now.seconds - rig.clash < _CLASH
