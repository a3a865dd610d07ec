"""What happened last: events in human words with clock times."""

from __future__ import annotations

import re
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import Row, fitted, wrapped
from rig.monitor.view import View, state_words
from rig.record.entries import Event

_KIND: Final = 13
"""Cells for the kind of an event, as far as it has room in them."""
_WITH_DAYS: Final = 60
"""Width from which older events show their day."""
_KINDS: Final = {
    "early-loss": "stiffness",
    "stiffness-loss": "stiffness",
    "stiffness-step": "stiffness",
    "residual-growth": "residual",
    "load-short": "load",
    "uneven-load": "load",
    "off-target": "load",
    "guide": "rig",
    "conflict": "channels",
    "static": "slow cycle",
    "resume": "taken up",
}
"""Kinds of events in a word that has room."""
_SAID: Final = {
    ("starting", "start"): "the test begins: {}",
    ("starting", "wait over"): "goes on by itself: {}",
    ("starting", "wetted"): "wet enough, goes on",
    ("checklist", "real rig"): "the checklist comes first",
    ("approach", "stage"): "towards the specimen",
    ("static", "stage"): "stage begins: {}",
    ("ramp", "stage"): "stage begins: {}",
    ("hold", "stage"): "stage begins: {}",
    ("build-up", "stage"): "the amplitude grows",
    ("cycling", "range reached"): "loads reached, {}",
    ("inspection", "count"): "begins at {}",
    ("inspection", "go on"): "goes on at {}",
    ("locked", "pause"): "held {}",
    ("locked", "people"): "held for people: {}",
    ("paused", "at rest"): "stands still, power kept",
    ("re-wetting", "long dry"): "it was dry for long: {}",
    ("unloading", "wait over"): "unloads by itself: {}",
    ("unloaded", "unloaded"): "specimen free, pressure off",
}
"""What happened when a state was entered on a cause; {} stands for why."""
_AT: Final = ("cycle ", "motion ")
"""A place where an inspection goes on; any other reason is told as it is."""
_GOES_ON: Final = "goes on"
_AGAIN: Final = "contact again"
_TAKEN_UP: Final = "taken up again"
_LOUD: Final = frozenset(
    {"verdict", "limit", "stop", "sensor", "pressure", "oil", "pause", "deviation", "resume"}
    | {"conflict", "support"}
)
_LINE: Final = "line"
_REPORT: Final = re.compile(r"; [\d,]+ good, [\d,]+ bad, [\d,]+ dropped(?!.*; trouble: )")
"""In the report of a line on which all is well: it is for the record, and says nothing new."""
_PATH: Final = re.compile(r" \((?:/|COM)[^()]*\)|, (?:/|COM)[^()]*(?=\): )")
"""The path of a port, which has a name."""


def worth_telling(event: Event) -> bool:
    """Return whether an event is for people who look on; the record holds the others too."""
    return event.kind != _LINE or not _REPORT.search(event.text)


def event_words(event: Event) -> tuple[str, str]:
    """Return what kind of thing happened, and what, in human words."""
    if event.kind == _LINE:
        return event.kind, _PATH.sub("", event.text)
    if event.kind != "state":
        # Some texts begin with their kind: once is enough.
        text = event.text.removeprefix(f"{event.kind}: ").removeprefix(f"{event.kind} ")
        return _KINDS.get(event.kind, event.kind), text
    state, cause, why = state_words(event.text)
    said = _SAID.get((state, cause))
    if said is None:
        return state, words.asked(cause, why) or cause
    if state == "starting" and why.startswith(_TAKEN_UP):
        # Why is told by the event that follows.
        return state, _TAKEN_UP
    if why == _GOES_ON or (cause == "go on" and not why.startswith(_AT)):
        return state, why
    if state == "approach" and why.startswith(_AGAIN):
        return state, f"{said}: {why}"
    if state == "locked" and why.startswith("by "):
        why = words.asked("", why).removeprefix("asked ")
    return state, said.format(why).removesuffix(": ").removesuffix(", ")


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
    newest = [event for event in view.events if worth_telling(event)][-height:]
    days = width >= _WITH_DAYS and any(_day(view, event) for event in newest)
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
    """Return the date of an event such as "27 Dec", nothing if it is today or not known."""
    when = view.at(event.time)
    if when is None or when.date() == view.calendar.date():
        return ""
    return f"{when.day} {words.month(when)}"


def _told(view: View, event: Event, width: int, signs: Glyphs, *, days: bool) -> list[Text]:
    when = view.at(event.time)
    kind, text = event_words(event)
    row = Row(signs, width)
    if days:
        row.put(_day(view, event), "dim").to(7)
    row.put(f"{when:%H:%M:%S}  " if when else "--:--:--  ", "dim")
    begin = row.used
    loud = event.kind in _LOUD or event.kind == "state"
    short = fitted(Text(signs.safe(kind)), _KIND - 1, signs).plain
    row.put(short, "bold" if loud else "").to(begin + _KIND)
    indent = row.used
    first, *rest = wrapped(signs.safe(text), max(width - indent, 8)) or [""]
    lines = [row.put(first).text]
    if rest:
        second = Row(signs, width).put(" " * indent + rest[0])
        lines.append(second.put(f" {signs.more}").text if len(rest) > 1 else second.text)
    return lines
