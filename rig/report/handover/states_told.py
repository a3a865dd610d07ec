"""Pauses, inspections and ends, each put together from the states that a test went through."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from rig.monitor import words
from rig.monitor.happened import event_words
from rig.monitor.view import state_words
from rig.record.entries import Event
from rig.report.handover.happening import END, Happening, Rank

_STIFFNESS: Final = re.compile(r"stiffness ([\d.,]+ kN/mm)")
_ON_THE_WAY: Final = {
    "unloading": "unloaded",
    "locked": "people were at it",
    "re-wetting": "wetted",
}
"""What a pause went through, by the state."""
_ENTERED: Final = {
    "finding": "it found something",
    "no flow": "no spray water",
    "unattended": "nobody looked in time",
}
_AGAIN: Final = "taken up again: "


@dataclass(frozen=True, slots=True)
class Stood:
    """An interruption as recorded: from a test time [s], how long [s], why."""

    begin: float
    lasted: float
    why: str


@dataclass(slots=True)
class _Stand:
    """A pause or an inspection under way."""

    rank: Rank
    begin: float
    cycle: int
    why: str
    through: dict[str, None] = field(default_factory=dict)
    check: str = ""

    def told(self, end: float, how: str, *, is_open: bool = False) -> Happening:
        """Return it once it has ended, or as it stands."""
        kind = "pause" if self.rank is Rank.PAUSE else "inspection"
        lasted = words.span(end - self.begin)
        took = f"for {lasted} so far" if is_open else lasted
        if self.rank is Rank.PAUSE:
            # Its cause may be long: what it came to goes before.
            parts = [", ".join(filter(None, (took, how))), self.why, *self.through]
        else:
            first = ", ".join(filter(None, (self.why, took, self.check)))
            parts = [first, *self.through, how]
        text = "; ".join(filter(None, parts))
        return Happening(
            self.rank,
            kind,
            text,
            self.begin,
            end,
            self.cycle,
            lasted=end - self.begin,
            open=is_open,
        )


class StatesTold:
    """Follows the events of states in their order; `told` are the things that they made.

    `stood` are the interruptions as recorded: of a test whose program was gone no event tells
    since when.
    """

    def __init__(self, stood: tuple[Stood, ...] = ()) -> None:
        self.told: list[Happening] = []
        self._stood = stood
        self._pause: _Stand | None = None
        self._inspection: _Stand | None = None

    def follow(self, events: Iterable[Event], newest: float) -> list[Happening]:
        """Return what happened until the newest data [s]."""
        for event in events:
            if event.kind == "state":
                self._entered(event)
            elif event.kind == "static" and self._inspection is not None:
                found = _STIFFNESS.search(event.text)
                self._inspection.check = f"stiffness {found[1]}" if found else ""
        for stand in (self._inspection, self._pause):
            if stand is not None:
                self.told.append(stand.told(newest, "", is_open=True))
        return self.told

    def _entered(self, event: Event) -> None:
        state, cause, why = state_words(event.text)
        if state == "pausing":
            self._pause = _Stand(Rank.PAUSE, event.time, event.cycle, _why(cause, why))
        elif state == "inspection" and cause == "count":
            self._inspection = _Stand(Rank.INSPECTION, event.time, event.cycle, f"at {why}")
        elif state == "unloading" and self._pause is None and cause == "unload":
            self._pause = _Stand(Rank.PAUSE, event.time, event.cycle, _why(cause, why))
        elif state in _ON_THE_WAY:
            self._through(state, cause)
        elif state == "starting":
            self._starts(event, cause, why)
        elif state in ("build-up", "cycling"):
            self._close(event.time, "")
        elif state == "stopping":
            self._close(event.time, "then it was stopped")
        elif state == "stopped":
            self.told.append(Happening(Rank.END, END, why, event.time, event.time, event.cycle))

    def _through(self, state: str, cause: str) -> None:
        stand = self._pause or self._inspection
        if stand is None:
            return
        alone = state == "unloading" and cause == "wait over"
        stand.through["unloaded by itself, nobody came" if alone else _ON_THE_WAY[state]] = None

    def _starts(self, event: Event, cause: str, why: str) -> None:
        if cause == "start" and why.startswith(_AGAIN):
            self._close(event.time, "then its program was gone")
            self.told.append(self._taken_up(event, why.removeprefix(_AGAIN)))
            return
        if cause == "start":
            text = "the test begins"
            self.told.append(
                Happening(Rank.OTHER, "start", text, event.time, event.time, event.cycle)
            )
            return
        how = words.asked("continue", why)
        if cause == "wait over":
            how = "nobody came"
        if self._pause is not None:
            self.told.append(self._pause.told(event.time, how))
            self._pause = None
        elif self._inspection is not None:
            self.told.append(self._inspection.told(event.time, how))
            self._inspection = None

    def _taken_up(self, event: Event, why: str) -> Happening:
        """Return that a test went on whose program was gone."""
        same = [s for s in self._stood if s.begin <= event.time and s.why.startswith(why)]
        begin, end, text = event.time, event.time, why
        if same:
            begin, end = same[-1].begin, same[-1].begin + same[-1].lasted
            text = f"{words.span(same[-1].lasted)}: {why}"
        lasted = end - begin
        return Happening(Rank.PAUSE, "taken up", text, begin, end, event.cycle, lasted=lasted)

    def _close(self, time: float, how: str) -> None:
        """End what is under way: the test cycles, or is being stopped."""
        for stand in (self._inspection, self._pause):
            if stand is not None:
                self.told.append(stand.told(time, how))
        self._pause = self._inspection = None


def _why(cause: str, why: str) -> str:
    """Return why a test stands: who asked for it, or what was found."""
    said = words.asked(cause, why)
    first = _ENTERED.get(cause, "")
    return f"{first}: {said}" if first and said else first or said or cause


def in_words(event: Event) -> str:
    """Return an event of another kind in words, in one line."""
    return event_words(event)[1].partition("\n")[0]
