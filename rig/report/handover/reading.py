"""What is read of a run for its handover; of a damaged record all that can be read."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from rig.clock import SystemClock
from rig.errors import InputError, StorageError
from rig.monitor.alerts.book import Read as Book
from rig.monitor.alerts.book import read_on
from rig.monitor.alerts.desk import Desk
from rig.monitor.curve import Curve
from rig.monitor.view import Follower, View
from rig.protocol.plan import Plan
from rig.record.entries import Event
from rig.record.history import Journal, read_journal
from rig.replay.kept_files import plan_of_kept
from rig.report.handover.states_told import Stood

_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True)
class Read:
    """A run as it stands, in the zone of its hours, with all its events.

    `stood` are the interruptions of a test that was taken up, `wet` stretches of water: test times
    [s] on and off, volume [m3]. `plan` is None where the files that the record keeps cannot be
    read by this version. `desk` is where its alerts stand.
    """

    view: View
    events: tuple[Event, ...]
    wet: tuple[tuple[float, float, float], ...]
    stood: tuple[Stood, ...]
    plan: Plan | None
    desk: Desk = field(default_factory=Desk)

    @property
    def now(self) -> datetime:
        """Return the present of the test: of what is no run that somebody waits for, its end."""
        view = self.view
        if view.rehearsal or view.own_calendar or view.header.imported or not view.status.stamp:
            return view.at(view.status.time) or view.calendar
        return view.local(view.now)

    @property
    def newest(self) -> float:
        """Return the test time [s] of what was recorded last."""
        return max([self.view.status.time, *(e.time for e in self.events[-1:])])

    def test_time(self, when: datetime) -> float:
        """Return the test time [s] of an aware instant."""
        begin = self.view.at(0.0)
        if begin is None:
            return 0.0
        return (when.astimezone(UTC) - begin.astimezone(UTC)).total_seconds()


class Damage:
    """Reads part by part, and keeps what is said of those that cannot be read."""

    def __init__(self) -> None:
        self.said: dict[str, None] = {}

    def tried(self, read: Callable[[], _Found], instead: _Found) -> _Found:
        """Return what is read, or something in its place where the record is damaged."""
        try:
            return read()
        except StorageError as error:
            self.said[str(error)] = None
            return instead


def read_run(
    folder: Path,
    holds: Callable[[], bool],
    damage: Damage,
    another: Callable[[str], str] | None = None,
) -> Read:
    """Return what is known of the run in a folder; `holds` tells whether its program lives.

    `another` tells which other run has a rig by now. Raises StorageError where nothing of its
    journal can be read.
    """
    view = _seen(Follower(folder, holds, another=another), folder, holds, damage)
    with read_journal(folder) as journal:
        events = damage.tried(journal.events, None)
        if events is None:
            events = _newest(journal)
            damage.said[f"of its events the newest {len(events)} could be read"] = None
        rows: list[tuple[Any, ...]] = damage.tried(lambda: journal.entries("spray"), [])
        rests: list[tuple[Any, ...]] = []
        if any(event.kind == "resume" for event in events):
            rests = damage.tried(lambda: journal.entries("interruptions"), [])
    return Read(
        view=replace(view, zone=zone_of(view)),
        events=tuple(events),
        wet=tuple((float(row[0]), float(row[1]), float(row[2])) for row in rows),
        stood=_stood(rests),
        plan=_plan(view),
        desk=_desk(folder, damage),
    )


def _stood(rows: list[tuple[Any, ...]]) -> tuple[Stood, ...]:
    return tuple(Stood(float(began), float(lasted), str(why)) for began, _, lasted, why in rows)


def _desk(folder: Path, damage: Damage) -> Desk:
    """Return where the alerts of a run stand, none where it has no book of them."""
    book = damage.tried(lambda: read_on(folder, Book()), Book())
    damage.said |= dict.fromkeys(book.damaged)
    return book.desk


def _seen(follower: Follower, folder: Path, holds: Callable[[], bool], damage: Damage) -> View:
    """Return a view of the run, without events where those recorded last cannot be read."""
    try:
        return follower.look()
    except StorageError as error:
        with read_journal(folder) as journal:
            status = damage.tried(lambda: journal.status, None)
            if status is None:
                raise
            damage.said[str(error)] = None
            return View(
                folder=folder,
                header=journal.header,
                status=status,
                ending=damage.tried(lambda: journal.ending, None),
                events=tuple(_newest(journal)),
                curve=Curve(),
                now=SystemClock().utc(),
                alive=holds(),
                unreadable=str(error),
            )


def _newest(journal: Journal) -> list[Event]:
    """Return as many of the newest events as can be read without a hole."""
    found: list[Event] = []
    low, high, step = 0, math.inf, 64
    while low + 1 < high:
        count = low + step if math.isinf(high) else int(low + high) // 2
        try:
            events = journal.newest_events(count)
        except StorageError:
            high = count
            continue
        found, low, step = events, count, 2 * step
        if len(events) < count:
            break
    return found


def zone_of(view: View) -> tzinfo | None:
    """Return the zone in which times are told: the protocol's, None for the computer's.

    A rehearsal has a calendar of its own.
    """
    if view.own_calendar:
        return UTC
    try:
        hours = tomllib.loads(view.header.texts.get("protocol", "")).get("hours", {})
        name = hours.get("zone", "")
        return ZoneInfo(name) if name else None
    # What a file of another version says there may be anything.
    except (ValueError, AttributeError, TypeError, OSError, KeyError):
        return None


def _plan(view: View) -> Plan | None:
    if view.header.imported:
        return None
    try:
        return plan_of_kept(view.folder, view.header.texts)
    except InputError:
        return None
