"""What happened last: events in human words with clock times."""

from __future__ import annotations

from rich.cells import cell_len
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
    lines: list[Text] = []
    for event in reversed(view.events):
        told = _told(view, event, width, signs)
        if len(lines) + len(told) > height:
            break
        lines = told + lines
    if not lines and view.events and height > 0:
        lines = _told(view, view.events[-1], width, signs)[:height]
    return lines


def _told(view: View, event: Event, width: int, signs: Glyphs) -> list[Text]:
    when = view.at(event.time)
    kind, text = event_words(event)
    clock = f"{when:%H:%M:%S}" if when else "--:--:--"
    today = view.calendar.date()
    if when is not None and when.date() != today:
        clock = f"{words.date(when)[4:]} {when:%H:%M}"
    row = Row(signs, width).put(f"{clock:<12}" if width >= 60 else f"{clock} ", "dim")
    kind = signs.safe(kind)
    row.put(kind, "bold" if event.kind in _LOUD or event.kind == "state" else "")
    row.to(row.used - cell_len(kind) + _KIND)
    indent = row.used
    room = max(width - indent, 8)
    first, *rest = wrapped(signs.safe(text), room) or [""]
    lines = [row.put(first).text]
    if rest:
        second = Row(signs, width).put(" " * indent + rest[0])
        lines.append(second.put(f" {signs.more}").text if len(rest) > 1 else second.text)
    return lines
