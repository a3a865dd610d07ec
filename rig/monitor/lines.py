"""A run in plain lines, where there is no terminal; and in one line."""

from __future__ import annotations

import math
from typing import Final

from rig.monitor import words
from rig.monitor.call import OLD, loss
from rig.monitor.foretold import expected
from rig.monitor.glyphs import Glyphs
from rig.monitor.happened import event_line, worth_telling
from rig.monitor.panels import kind
from rig.monitor.played import called
from rig.monitor.view import View
from rig.record.entries import Event

EVERY: Final = 10.0
"""Seconds between two status lines in a rehearsal, and at first in a run."""
LATER: Final = 60.0
"""Seconds between two status lines of a run once it has been shown for a while."""
_AT_FIRST: Final = 60.0
_MOST: Final = 12
"""Events that are written at one look at most; a rehearsal can have hundreds a second."""


class PlainLines:
    """Turns looks into lines: each new event once, and the state now and then."""

    def __init__(self, signs: Glyphs) -> None:
        self._signs = signs
        self._last: Event | None = None
        self._begun = math.nan
        self._due = -math.inf
        self._day = ""

    def news(self, view: View, now: float) -> list[str]:
        """Return what is new at a look at real time `now` [s], a line each."""
        lines = []
        if math.isnan(self._begun):
            self._begun = now
            lines.append(_title(view))
        lines += self._events(view)
        played = view.playing is not None and view.playing.over(view.status.time)
        over = view.ending is not None or not view.alive or played
        if now >= self._due or over:
            young = now - self._begun < _AT_FIRST
            self._due = now + (EVERY if view.rehearsal or young else LATER)
            lines.append(report_line(view))
        return [self._signs.safe(line) for line in lines]

    def _events(self, view: View) -> list[str]:
        new = list(view.events)
        if self._last in new:
            new = new[len(new) - new[::-1].index(self._last) :]
        if new:
            self._last = new[-1]
        new = [event for event in new if worth_telling(event)]
        lines = []
        if len(new) > _MOST:
            lines.append(f"          ({len(new) - _MOST} or more before these)")
        for event in new[-_MOST:]:
            when = view.at(event.time)
            today = words.date(when, with_year=True) if when else ""
            if today != self._day:
                self._day = today
                lines.append(today)
            lines.append(event_line(view, event))
        return lines


def _title(view: View) -> str:
    told = kind(view)
    zone = "rehearsal calendar" if view.own_calendar else words.zone_name(view.calendar)
    mark = f" [{told}]" if told else ""
    rig = f" on {view.status.rig}" if view.status.rig else ""
    return (
        f"{view.header.specimen_id}{rig}, in {view.folder}{mark}: {view.header.title} "
        f"(times: {zone})"
    )


def report_line(view: View) -> str:
    """Return the whole state in one line, without control characters."""
    status, verdict = view.status, called(view)
    parts = [verdict.headline]
    if view.ending is not None:
        parts.append(f"{words.number(view.ending.cycles)} cycles")
        parts.append(view.ending.why)
        parts += [view.ending.residual.words] if view.ending.residual is not None else []
    else:
        if verdict.level:
            parts.append(verdict.why[0])
        parts.append(status.state or "nothing known")
        parts += _progress(view)
        if view.age >= OLD:
            parts.append(f"data {words.span(view.age)} old")
    text = " | ".join(part for part in (*parts, kind(view)) if part)
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _progress(view: View) -> list[str]:
    status, parts = view.status, []
    if status.run_out:
        share = words.per_cent(status.cycles / status.run_out)
        parts.append(
            f"{words.number(status.cycles)} of {words.number(status.run_out)} cycles, {share}"
        )
    elif status.cycles:
        parts.append(f"{words.number(status.cycles)} cycles")
    if math.isfinite(loss(view)):
        lost = words.per_cent(abs(loss(view)))
        word = "below" if loss(view) >= 0 else "above"
        parts.append(f"stiffness {lost} {word} baseline")
    parts += [f"failure {told}" for told in expected(view)[:1]]
    coming = next((c for c in status.coming if c.within is not None), None)
    if coming is not None and coming.within is not None and view.alive:
        left = view.left(coming.within)
        when = view.moment(coming.within) if left is None else f"in {words.span(left)}"
        parts.append(f"next: {coming.what} {when}")
    return parts
