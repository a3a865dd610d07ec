"""The handover as one page of a terminal; what has no room is counted."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from rich.cells import cell_len

from rig.monitor import words
from rig.monitor.call import Level, may_move
from rig.monitor.glyphs import Glyphs
from rig.monitor.panels import kind
from rig.monitor.rows import LABEL, wrapped
from rig.record.entries import Event
from rig.report.handover.happening import END, Happening, Rank
from rig.report.handover.needed import needs, unless_looked
from rig.report.handover.numbers_told import LABELS, NOT_MEASURED, NOW, THEN, number_rows
from rig.report.handover.people import Visit
from rig.report.handover.telling import Handover

_NOTHING: Final = "nothing out of the usual was recorded"
_ONE_DAY: Final = timedelta(hours=20)
"""A period up to so long shows clock times alone."""
_FEW_DAYS: Final = timedelta(days=6)
_PIECE: Final = 500
"""Letters that are cleaned at a time: of a longer text the screen's signs keep the beginning."""
_TIGHTER: Final = (2, 1)
"""Lines that one thing takes at most, the first that suffices; the gravest take one more."""


@dataclass(frozen=True, slots=True)
class Section:
    """Lines behind a label; each entry is a thing that stays whole or is left out.

    `least` entries stay however little room there is, None for all.
    """

    label: str
    entries: tuple[tuple[str, ...], ...]
    least: int | None = None
    left_out: int = 0

    @property
    def height(self) -> int:
        """Lines that it takes."""
        return sum(map(len, self.entries)) + bool(self.left_out)

    def shorter(self) -> Section:
        """Return it with one thing less."""
        return replace(self, entries=self.entries[:-1], left_out=self.left_out + 1)

    def lines(self) -> Iterator[str]:
        """Yield its lines, the first one with the label."""
        shown = [line for entry in self.entries for line in entry]
        if self.left_out:
            shown.append(f"and {self.left_out} more: --all")
        for place, line in enumerate(shown):
            yield f"{self.label if place == 0 else '':<{LABEL}}{line}".rstrip()


def page(told: Handover, width: int, height: int | None, signs: Glyphs) -> list[str]:
    """Return the handover in lines of `width` cells, at most `height` of them where they suffice.

    With None nothing is left out. The verdict and the notes of people are never cut, whatever the
    height.
    """
    for lines in _TIGHTER if height is not None else (None,):
        paper = _Paper(told, width, signs, lines)
        head, sections = [paper.title(), *paper.verdict()], paper.sections()
        if height is not None:
            sections = _fitting(sections, height - len(head))
        found = [*head, *(line for section in sections for line in section.lines())]
        if height is None or len(found) <= height:
            break
    return found


def _fitting(sections: list[Section], height: int) -> list[Section]:
    """Leave out things until all has room, always of the longest section that may get shorter."""
    while sum(section.height for section in sections) > height:
        able = [
            i
            for i, section in enumerate(sections)
            if section.least is not None and len(section.entries) > section.least
        ]
        if not able:
            break
        longest = max(able, key=lambda i: sections[i].height)
        sections[longest] = sections[longest].shorter()
    return sections


class _Paper:
    """What all parts of the page need: what is told, its width, its signs."""

    def __init__(self, told: Handover, width: int, signs: Glyphs, lines: int | None) -> None:
        self._told, self._width, self._signs, self._lines = told, max(width, 40), signs, lines
        view, period = told.view, told.period
        self._begin = view.at(period.since) or told.now
        self._live = period.to_now and view.alive and view.ending is None and not view.stale
        self._end = told.now if self._live else view.at(period.until) or told.now
        # Of two times of one zone the difference is that of clocks, which may have been changed.
        self._lasted = self._end.astimezone(UTC) - self._begin.astimezone(UTC)
        self._long = self._lasted > _ONE_DAY
        self._very_long = self._lasted > _FEW_DAYS

    def _safe(self, text: str) -> str:
        pieces = (text[i : i + _PIECE] for i in range(0, len(text), _PIECE))
        return "".join(self._signs.safe(piece) for piece in pieces)

    def _clock(self, when: datetime | None) -> str:
        """Return a clock time as short as the period lets it be without doubt."""
        if when is None:
            return "--:--"
        if self._very_long:
            return f"{when.day:>2} {words.month(when)} {when:%H:%M}"
        day = words.date(when)[:3]
        return f"{day} {when:%H:%M}" if self._long else f"{when:%H:%M}"

    def _at(self, time: float) -> str:
        return self._clock(self._told.at(time))

    def _wrapped(self, text: str, *, indent: int = 0, most: int | None = None) -> tuple[str, ...]:
        """Return a text in lines of the width behind the labels, what follows set in."""
        room = self._width - LABEL - indent
        lines = wrapped(self._safe(text), max(room, 10)) or [""]
        if most is not None and len(lines) > most:
            lines = wrapped(self._safe(text), max(room - 2, 10))[:most]
            lines[-1] += f" {self._signs.more}"
        return (lines[0], *(" " * indent + line for line in lines[1:]))

    def _timed(self, clock: str, text: str, *, most: int | None = None) -> tuple[str, ...]:
        indent = len(clock) + 2
        first, *rest = self._wrapped(text, indent=indent, most=most)
        return (f"{clock}  {first}", *rest)

    def title(self) -> str:
        """Return which run it is, what kind of run, and what time it is."""
        view, now = self._told.view, self._told.now
        name = view.header.specimen_id[:30] or "run"
        rig = f" on {view.status.rig}" if view.status.rig else ""
        mark = kind(view) or ("IMPORTED" if view.header.imported else "")
        zone = "" if view.own_calendar else f" {words.zone_name(now)}"
        clock = f"{words.date(now)} {now:%H:%M}{zone}"
        parts = (f"HANDOVER {name}{rig}", mark, clock)
        text = self._safe("  ".join(part for part in parts if part))
        return wrapped(text, self._width)[0] if cell_len(text) > self._width else text

    def verdict(self) -> list[str]:
        """Return how it stands and whether somebody is needed."""
        told = self._told.call
        text = f"{told.headline}: {told.why[0]}" if told.why else told.headline
        return wrapped(self._safe(text), self._width)

    def sections(self) -> list[Section]:
        """Return all parts, in their order."""
        told = self._told
        return [
            Section("since", (self._wrapped(self._since()), *self._said())),
            self._happened(),
            Section("numbers", tuple(self._numbers()), least=5),
            Section("next", tuple(self._coming()), least=2),
            Section("needed", tuple(map(self._wrapped, self._needed())), least=4),
            Section("notes", tuple(map(self._note, told.notes)) or (("none",),)),
            Section("looked in", self._visits(told.visits) or (("nobody told of it",),), least=1),
            *([Section("from afar", self._visits(told.afar), least=1)] if told.afar else []),
        ]

    def _day(self, when: datetime) -> str:
        """Return a day and clock time, without seconds however near it is."""
        return f"{words.day(when, self._told.now)} {when:%H:%M}"

    def _since(self) -> str:
        told, period = self._told, self._told.period
        begin = f"{self._day(self._begin)}, {period.why}"
        if not period.since < period.until:
            return f"{begin}; nothing has been recorded since then"
        lasted = words.span(self._lasted.total_seconds())
        until = "now" if self._live else self._day(self._end)
        ended = "" if self._live or not period.to_now else f", {_stops(told)}"
        return f"{begin}; until {until}{ended}: {lasted}{self._turned()}"

    def _turned(self) -> str:
        """Return that the clocks were changed meanwhile: their times do not tell how long."""
        then, now = self._begin.utcoffset(), self._end.utcoffset()
        if then is None or now is None or then == now:
            return ""
        return f"; the clocks went {'back' if now < then else 'forward'} meanwhile"

    def _said(self) -> Iterator[tuple[str, ...]]:
        told = self._told
        for text in (*told.period.said, *told.damage):
            yield self._wrapped(f"note: {text}")

    def _happened(self) -> Section:
        found = tuple(
            self._timed(self._at(each.begin), self._told_of(each), most=self._most(each))
            for each in self._told.happened
        )
        return Section("happened", found or (self._wrapped(_NOTHING),), least=3)

    def _most(self, each: Happening) -> int | None:
        return None if self._lines is None else self._lines + (each.rank <= Rank.PAUSE)

    def _told_of(self, each: Happening) -> str:
        why = self._told.call.why
        if each.kind == END and why and each.text.endswith(why[0]):
            outcome = each.text.removesuffix(why[0]).removesuffix(": ")
            count = f" at cycle {words.number(each.cycle)}" if each.cycle else ""
            return f"{END}: {outcome or each.text}{count}"
        if each.count == 1:
            return f"{each.kind}: {each.text}"
        lasted = f", {words.span(each.lasted)} in all" if each.lasted else ""
        last = "; the last: " if each.varied else ": "
        until = self._at(each.end)
        return f"{each.kind}, {each.count} times until {until}{lasted}{last}{each.text}"

    def _numbers(self) -> Iterator[tuple[str, ...]]:
        begin = self._clock(self._begin)
        end = "now" if self._live else self._clock(self._end)
        yield self._number(f"{'':<{LABELS}}{begin:>{THEN - LABELS}}{end:>{NOW - THEN}}  change")
        rows, lacking = number_rows(self._told.changes)
        yield from map(self._number, rows)
        if lacking:
            yield self._wrapped(f"{NOT_MEASURED}, then or now: {', '.join(lacking)}")

    def _number(self, row: str) -> tuple[str, ...]:
        """Return a row of the table; where it has no room, without its tail or in several lines."""
        room = self._width - LABEL
        if cell_len(row) > room:
            row = row[:NOW]
        return (self._safe(row),) if cell_len(row) <= room else self._wrapped(row)

    def _coming(self) -> Iterator[tuple[str, ...]]:
        told, view = self._told, self._told.view
        for item in told.coming:
            if unless_looked(item):
                continue
            count = f", at cycle {words.number(item.cycle)}" if item.cycle is not None else ""
            when = "by itself"
            if item.within is not None and math.isfinite(item.within):
                at = view.within(item.within)
                when = "by itself" if at is None else self._day(at).removeprefix("today ")
            yield self._timed(when, f"{item.what}{count}")
        if told.quiet is not None:
            until = words.moment(view.local(told.quiet), told.now)
            yield self._wrapped(f"quiet hours: nothing is resumed until {until}")
        if view.another:
            yield self._wrapped(may_move(view.another))
        elif not told.coming:
            yield ("nothing by itself",)

    def _needed(self) -> list[str]:
        told = self._told
        if found := needs(told):
            return found
        nobody = told.call.level in (Level.NOTHING, Level.ENDED)
        return ["nobody" if nobody else "what the first line says"]

    def _note(self, event: Event) -> tuple[str, ...]:
        mark = "" if event.kind == "note" else f"{event.kind}: "
        return self._timed(self._at(event.time), f"{mark}{event.text}")

    def _visits(self, visits: Iterable[Visit]) -> tuple[tuple[str, ...], ...]:
        return tuple(self._timed(self._span(visit), visit.brief()) for visit in visits)

    def _span(self, visit: Visit) -> str:
        begin, end = self._at(visit.begin), self._at(visit.end)
        return begin if begin == end else f"{begin} to {end}"


def _stops(told: Handover) -> str:
    """Return why nothing was recorded up to now."""
    if told.view.ending is not None:
        return "when it ended"
    return "the newest data" if told.view.alive else "when its record breaks off"
