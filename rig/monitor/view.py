"""What is shown of a run: one view, read from its journal at each look."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Final

from rig.clock import VIRTUAL_EPOCH, SystemClock, real_seconds
from rig.errors import StorageError
from rig.monitor import words
from rig.monitor.curve import Curve, CurveKeeper
from rig.record.entries import Ending, Event, RunHeader
from rig.record.history import Journal, read_journal
from rig.record.status import Status
from rig.record.trouble import free_bytes

ROOM_ASKED: Final = 3.0
"""Age of the newest data [s] from which the disk is asked for its room."""
TOO_OLD: Final = 30.0
"""Age of the newest data [s] from which it tells nothing of now."""
EVENTS: Final = 60
"""Events that a view holds at most, the newest ones."""
_SPEED_OVER: Final = 5.0
"""Real seconds over which the speed of a rehearsal is measured."""


@dataclass(frozen=True, slots=True)
class Playing:
    """How a recording is played: up to test time `end` [s], so many times as fast as it went.

    An infinite `speed` is as fast as it can be read.
    """

    end: float
    speed: float
    paused: bool = False

    def over(self, time: float) -> bool:
        """Tell whether it stands at its end at a test time [s]."""
        return time >= self.end


@dataclass(frozen=True, slots=True)
class View:
    """A run as it is shown: `now` is real UTC.

    `told` is False where the run keeps no status and what can be known was read from its rows;
    `alive` tells whether its program runs. `speed` is test time over real time. `unreadable`
    says why the record, or a part of it, could not be read at this look; what is not known from
    it is then from the last one.
    `zone` is the zone of clock times, None the computer's. `unchanged` is for how long [s] the
    looks have found the same data, whatever the computer's clock was set to meanwhile. `room` is
    what is left on the disk [bytes], asked only where new data stays away, NaN else. `playing`
    tells that this is no run that goes on but a recording that is played; `another` is the run
    that has its rig by now, "" where none has or nobody asked.
    """

    folder: Path
    header: RunHeader
    status: Status
    ending: Ending | None
    events: tuple[Event, ...]
    curve: Curve
    now: datetime
    alive: bool
    told: bool = True
    speed: float = math.nan
    unreadable: str = ""
    zone: tzinfo | None = None
    unchanged: float = 0.0
    room: float = math.nan
    playing: Playing | None = None
    another: str = ""

    @property
    def own_calendar(self) -> bool:
        """Tell whether times are those of a rehearsal's calendar, and not those of the world."""
        if self.playing is not None:
            return self.header.virtual or _time(self.header.started_utc) == VIRTUAL_EPOCH
        return self.rehearsal

    @property
    def rehearsal(self) -> bool:
        """Tell whether nothing of it happens now: no rig is concerned, and nobody answers."""
        return not self.status.live

    @property
    def age(self) -> float:
        """How old the newest data is [s], NaN where nobody knows."""
        stamp = _time(self.status.stamp)
        if stamp is None:
            return math.nan
        return max((self.now - stamp).total_seconds(), self.unchanged, 0.0)

    @property
    def over(self) -> bool:
        """Tell whether nothing of the test comes any more: it ended, or is being stopped."""
        return self.ending is not None or self.status.state in ("stopping", "stopped")

    @property
    def stale(self) -> bool:
        """Tell whether the newest data is too old to tell what the rig does now."""
        return self.ending is None and self.age > TOO_OLD

    def left(self, seconds: float) -> float | None:
        """Return how long it still takes [s] to what is some seconds ahead of the newest data.

        None where that data is stale: nobody knows whether it comes at all.
        """
        if self.stale or not self.alive:
            return None
        passed = 0.0 if self.rehearsal or math.isnan(self.age) else self.age
        return max(seconds - passed, 0.0)

    @property
    def calendar(self) -> datetime:
        """Return the test's present day and time as people read it.

        It goes on between looks in a live run; in a rehearsal it is that of the newest data.
        """
        if self.rehearsal:
            return self.local(_time(self.status.calendar) or VIRTUAL_EPOCH)
        return self.local(self.now)

    def local(self, when: datetime) -> datetime:
        """Return a time in the zone that is shown."""
        if self.own_calendar:
            return when
        try:
            return when.astimezone(self.zone)
        except ValueError:  # the computer's TZ names a zone that is days ahead
            return when.astimezone(UTC)

    def at(self, test_time: float) -> datetime | None:
        """Return day and time of a test time [s], None where nobody knows."""
        begin = _time(self.status.calendar)
        if begin is None or not math.isfinite(test_time - self.status.time):
            return None
        try:
            return self.local(begin + timedelta(seconds=test_time - self.status.time))
        except OverflowError:
            return None

    def within(self, seconds: float) -> datetime | None:
        """Return day and time of what comes some seconds [s] after the newest data."""
        return self.at(self.status.time + seconds)

    def moment(self, seconds: float) -> str:
        """Return in words when something comes that is some seconds [s] ahead."""
        return self.clock(self.within(seconds))

    def clock(self, when: datetime | None) -> str:
        """Return in words when something is or was, by the test's calendar."""
        told = words.moment(when, self.calendar)
        # Of a recording it was that day, which is not today.
        return told.removeprefix("today ") if self.playing is not None else told


def _time(text: str) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when.astimezone(UTC) if when.tzinfo else when.replace(tzinfo=UTC)


class Follower:
    """Reads a run's journal again at each look and keeps what need not be read twice.

    `holds` tells whether the run's program lives; without it a run without an ending counts as
    alive. The journal is open only during a look: a reader that stays would keep it growing.
    `seconds` is the monotonic time [s] by which data that does not change grows old. `another`
    tells which other run has a rig, "" for none.
    """

    def __init__(
        self,
        folder: Path,
        holds: Callable[[], bool] | None = None,
        seconds: Callable[[], float] = real_seconds,
        another: Callable[[str], str] | None = None,
    ) -> None:
        self._folder = folder
        self._another = another
        self._seconds = seconds
        self._changed = seconds()
        self._holds = holds or (lambda: True)
        self._keeper = CurveKeeper()
        self._last: View | None = None
        self._paces: list[tuple[datetime, float]] = []

    def look(self) -> View:
        """Return the run as it stands. Raises StorageError only if it could never be read."""
        # Asked before the journal is read: a program that ends meanwhile has written its end.
        alive = self._holds()
        now = SystemClock().utc()
        try:
            with read_journal(self._folder) as journal:
                view = self._read(journal, now)
        except StorageError as error:
            if self._last is None:
                raise
            view = replace(self._last, now=now, unreadable=str(error))
        if self._last is None or view.status.stamp != self._last.status.stamp:
            self._changed = self._seconds()
        view = replace(view, alive=alive, unchanged=self._seconds() - self._changed)
        if alive and view.age > ROOM_ASKED and not view.rehearsal:
            with contextlib.suppress(StorageError):
                view = replace(view, room=float(free_bytes(self._folder)))
        if self._another is not None and not (alive or view.rehearsal) and view.status.rig:
            view = replace(view, another=self._another(view.status.rig))
        self._last = view
        return view

    def _read(self, journal: Journal, now: datetime) -> View:
        events = tuple(journal.newest_events(EVENTS))
        told = journal.status
        ending = journal.ending
        status = told or _from_rows(journal, events, ending)
        unreadable = ""
        try:
            self._keeper.take(journal)
        except StorageError as error:
            unreadable = str(error)
        return View(
            folder=self._folder,
            header=journal.header,
            status=status,
            ending=ending,
            events=events,
            curve=self._keeper.curve(),
            now=now,
            alive=True,
            told=told is not None,
            speed=self._speed(status),
            unreadable=unreadable,
        )

    def _speed(self, status: Status) -> float:
        stamp = _time(status.stamp)
        if stamp is None:
            return math.nan
        if not self._paces or self._paces[-1][0] != stamp:
            self._paces.append((stamp, status.time))
        while len(self._paces) > 2 and (stamp - self._paces[1][0]).total_seconds() > _SPEED_OVER:
            del self._paces[0]
        passed = (stamp - self._paces[0][0]).total_seconds()
        return (status.time - self._paces[0][1]) / passed if passed > 0 else math.nan


def _from_rows(journal: Journal, events: tuple[Event, ...], ending: Ending | None) -> Status:
    """Return what can be known of a run that keeps no status, from its events and rows."""
    header = journal.header
    row = _newest_row(journal)
    entered = next((e for e in reversed(events) if e.kind == "state"), None)
    state, cause, why = state_words(entered.text) if entered else ("", "", "")
    time = max([e.time for e in events] + [row.get("time", 0.0)])
    started = _time(header.started_utc) or VIRTUAL_EPOCH
    return Status(
        stamp="",
        calendar=(started + timedelta(seconds=time)).isoformat(),
        time=time,
        live=started != VIRTUAL_EPOCH,
        state=state,
        means="",
        cause=cause,
        why=why,
        since=entered.time if entered else math.nan,
        rig="",
        stage="",
        stage_number=0,
        stages=0,
        cycles=ending.cycles if ending else int(row.get("number", 0)),
        run_out=0,
        frequency=row.get("frequency", math.nan),
        load=math.nan,
        deflection=math.nan,
        load_max=row.get("load_max", math.nan),
        load_min=row.get("load_min", math.nan),
        deflection_max=row.get("deflection_max", math.nan),
        deflection_min=row.get("deflection_min", math.nan),
        stiffness=row.get("stiffness", math.nan),
    )


def _newest_row(journal: Journal) -> dict[str, float]:
    places = journal.places("cycles")
    if not places:
        return {}
    chunk = journal.chunk("cycles", places[-1][0])
    return {name: float(values[-1]) for name, values in chunk.columns().items()}


def state_words(text: str) -> tuple[str, str, str]:
    """Return state, cause and why of a state event, such as "cycling, range reached: why"."""
    head, _, why = text.partition(": ")
    state, _, cause = head.partition(", ")
    return state, cause, why
