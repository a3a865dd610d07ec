"""What happened last: events in human words with clock times."""

from __future__ import annotations

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import Row, wrapped
from rig.monitor.view import View, state_words
from rig.record.entries import Event

_KIND = 13
_STANDS_FOR = {
    "start": "begins",
    "real rig": "the checklist comes first",
    "confirm": "the checklist is confirmed",
    "range reached": "counting",
    "go on": "takes up where it stood",
    "stage": "begins",
    "wait over": "nobody came: goes on by itself",
    "long dry": "it was dry for long",
    "at rest": "stands still",
}
_LOUD = frozenset({"verdict", "limit", "stop", "sensor", "pressure", "oil", "pause", "deviation"})


def event_words(event: Event) -> tuple[str, str]:
    """Return what kind of thing happened, and what, in human words."""
    if event.kind != "state":
        return event.kind, event.text
    state, cause, why = state_words(event.text)
    return state, why or _STANDS_FOR.get(cause, cause)


def event_line(view: View, event: Event) -> str:
    """Return an event as one plain line: "03:10:12  water      on"."""
    when = view.at(event.time)
    kind, text = event_words(event)
    clock = f"{when:%H:%M:%S}" if when else "--:--:--"
    return f"{clock}  {kind:<{_KIND - 2}} {text}"


def happened(view: View, width: int, height: int, signs: Glyphs) -> list[Text]:
    """Return the newest events in at most `height` lines, the newest at the bottom."""
    if height < 1:
        return []
    newest = view.events[-height:]
    days = any(_day(view, event) not in ("", "today") for event in newest)
    lines: list[Text] = []
    for event in reversed(newest):
        told = _told(view, event, width, signs, days=days)
        spare = height - len(lines)
        if 0 < spare < len(told):
            told = told[:spare]
            told[-1].append(f" {signs.more}")
        lines = told[:spare] + lines
    return lines


def _day(view: View, event: Event) -> str:
    when = view.at(event.time)
    return words.day(when, view.calendar) if when else ""


def _told(view: View, event: Event, width: int, signs: Glyphs, *, days: bool) -> list[Text]:
    when = view.at(event.time)
    kind, text = event_words(event)
    row = Row(signs, width)
    if days and width >= 60:
        day = _day(view, event)
        row.put("" if day == "today" else words.date(when)[4:] if when else "", "dim").to(7)
    row.put(f"{when:%H:%M:%S}  " if when else "--:--:--  ", "dim")
    indent = row.used + _KIND
    row.put(kind[: _KIND - 2], "bold" if event.kind in _LOUD or event.kind == "state" else "")
    row.text.append(" " * (indent - row.used))
    first, *rest = wrapped(signs.safe(text), max(width - indent, 8)) or [""]
    lines = [row.put(first).text]
    if rest:
        second = Row(signs, width).put(" " * indent + rest[0])
        lines.append(second.put(f" {signs.more}").text if len(rest) > 1 else second.text)
    return lines
