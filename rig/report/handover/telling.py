"""The handover of a run, put together: what a page and a program are told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from rig.control.hours import quiet_until
from rig.errors import InputError
from rig.monitor.alerts.desk import Alert, Silence
from rig.monitor.call import Call, call
from rig.monitor.view import View
from rig.record.entries import Event
from rig.record.history import read_journal
from rig.record.status import Coming
from rig.report.handover.changes import Change, changes_of
from rig.report.handover.happening import END, Happening, Rank
from rig.report.handover.happenings import happenings
from rig.report.handover.people import Doing, Visit, doing_of, visits_of
from rig.report.handover.period import Period, period_of
from rig.report.handover.reading import Damage, Read, read_run
from rig.report.handover.rows import Table


@dataclass(frozen=True, slots=True)
class Handover:
    """What happened to a run in a period, and how it stands now.

    `coming` is what comes by itself, the soonest first; `quiet` until when nothing is resumed,
    None outside quiet hours. `alerts` are those that are open, `silences` those that last. `notes`
    are events; they and the `visits` are those of the period; `afar` is what was asked from
    elsewhere in it, which is no visit. `damage` says what of the record could not be read.
    """

    view: View
    now: datetime
    call: Call
    period: Period
    happened: tuple[Happening, ...]
    changes: tuple[Change, ...]
    coming: tuple[Coming, ...]
    quiet: datetime | None
    alerts: tuple[Alert, ...]
    silences: tuple[Silence, ...]
    visits: tuple[Visit, ...]
    afar: tuple[Visit, ...]
    notes: tuple[Event, ...]
    damage: tuple[str, ...]

    def at(self, time: float) -> datetime | None:
        """Return day and clock time of a test time [s]."""
        return self.view.at(time)


def hand_over(
    folder: Path,
    holds: Callable[[], bool],
    since: str | None = None,
    until: str | None = None,
    another: Callable[[str], str] | None = None,
) -> Handover:
    """Return the handover of the run in a folder; `holds` tells whether its program lives.

    `another` tells which other run has a rig by now, "" for none.
    `since` and `until` are words for a moment (see `when`). Raises InputError for others, and
    StorageError where nothing of the journal can be read.
    """
    damage = Damage()
    return told_of(read_run(folder, holds, damage, another), damage, since, until)


def told_of(read: Read, damage: Damage, since: str | None, until: str | None) -> Handover:
    """Return the handover of a run that was read; raises as `hand_over`."""
    doings = [doing for event in read.events if (doing := doing_of(event)) is not None]
    doings += _acknowledged(read)
    there = visits_of([d for d in doings if not d.far])
    with read_journal(read.view.folder) as journal:
        cycles = Table(journal, "cycles", damage)
        period = period_of(read, since, until, there, cycles)
        changes = changes_of(read, journal, cycles, period, damage)
    found = happenings(read.events, period, read.newest, read.stood)
    return Handover(
        view=read.view,
        now=read.now,
        call=call(read.view),
        period=period,
        happened=(*_gone(read, period), *(_counted(each, read) for each in found)),
        changes=changes,
        coming=_coming(read.view),
        quiet=_quiet(read),
        alerts=read.desk.open_alerts(),
        silences=tuple(s for s in read.desk.silences.values() if s.until > read.now),
        visits=_inside(there, period),
        afar=_inside(visits_of([d for d in doings if d.far]), period),
        notes=tuple(
            e
            for e in read.events
            if e.kind in ("note", "catch can", "after the end") and period.has(e.time)
        ),
        damage=tuple(damage.said),
    )


def _gone(read: Read, period: Period) -> tuple[Happening, ...]:
    """Return that the program of a test was gone, which no event can tell."""
    view, newest = read.view, read.newest
    if view.alive or view.ending is not None or not period.has(newest):
        return ()
    state = view.status.state or "an unknown state"
    text = f"its record breaks off here, without an end; it was in {state}"
    return (Happening(Rank.END, "gone", text, newest, newest, view.status.cycles),)


def _counted(each: Happening, read: Read) -> Happening:
    """Return an end with the count at the verdict: cycles follow that do not count."""
    ending = read.view.ending
    if each.kind != END or ending is None or ending.ended_time > each.end:
        return each
    return replace(each, cycle=ending.cycles)


def _acknowledged(read: Read) -> list[Doing]:
    """Return what people did about alerts."""
    return [
        Doing(read.test_time(a.acknowledged_at), f"alert {a.number} acknowledged", a.acknowledged)
        for a in read.desk.alerts.values()
        if a.acknowledged_at is not None
    ]


def _inside(visits: tuple[Visit, ...], period: Period) -> tuple[Visit, ...]:
    """Return the visits of a period, of those that reach out of it the part inside."""
    parts = [tuple(d for d in visit.doings if period.has(d.time)) for visit in visits]
    return tuple(Visit(part) for part in parts if part)


def _coming(view: View) -> tuple[Coming, ...]:
    """Return what comes by itself, the soonest first, what has no time last."""
    if view.ending is not None or not view.alive:
        return ()
    found = list(view.status.coming)
    water = view.status.water
    if water is not None and water.coming is not None:
        found.append(water.coming)
    return tuple(sorted(found, key=_order))


def _order(item: Coming) -> float:
    return math.inf if item.within is None or math.isnan(item.within) else item.within


def _quiet(read: Read) -> datetime | None:
    if read.plan is None or read.view.ending is not None or not read.view.alive:
        return None
    try:
        return quiet_until(read.plan.hours, read.now)
    except InputError:
        return None
