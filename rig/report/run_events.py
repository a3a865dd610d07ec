"""The events of a run: of a long list the first and the last, and all that matter between."""

from __future__ import annotations

from typing import Final

from rig.report.document import Items, Listed, Paragraph, Section
from rig.report.event_words import STOPPING
from rig.report.measure import COUNT, Measure, Part, Table, count_of
from rig.report.run_keys import constant
from rig.report.run_parts import event_row, event_said, event_time, events_of
from rig.report.run_reading import RunRead

HEADS: Final = ("when", "counted cycles", "kind", "what")
ENDS: Final = 40
"""Events at each end of a long list that are always shown."""
IMPORTANT: Final = (
    ("verdict", "limit", "stop", "found", "residual", "first crack", "baseline", "after the end"),
    ("deviation", "offset", "accepted", "resume", "rig file", "doubt", "skipped", "corrected"),
    ("stiffness-loss", "stiffness-step", "residual-growth", "early-loss", "load-short"),
    ("overload", "off-target", "uneven-load", "conflict", "sensor", "support", "pause", "record"),
    ("import", "note", "catch can", "zero", "oil", "clock", "request", "correction", "forecast"),
)
"""Kinds of events in the order in which they are kept where not all have room."""


def events_section(read: RunRead) -> Section:
    """Return the events in the order in which they were recorded."""
    shown = _shown(read)
    total = len(read.events)
    title = "Events"
    if not total:
        return Section("events", title, (Paragraph(("No event is in the record.",)),))
    caption: tuple[Part, ...] = count_of(total, "event", "events.count")
    if len(shown) < total:
        left_out = Measure(total - len(shown), COUNT, "derived.events.left_out")
        caption = (
            *caption,
            "; those of most weight are shown, ",
            left_out,
            " are left out here and stand in /events of run.h5",
        )
    rows = tuple(event_row(read, index) for index in shown)
    return Section("events", title, (Listed(caption, Table(HEADS, rows), folded=len(rows) > ENDS),))


def _shown(read: RunRead) -> list[int]:
    """Return which events are shown, in their order: at most as many as a page holds well."""
    total, most = len(read.events), int(constant("events_shown").value)
    if total <= most:
        return list(range(total))
    kept = {*range(ENDS), *range(total - ENDS, total)}
    for kinds in IMPORTANT:
        of_them = [i for i, e in enumerate(read.events) if e.kind in kinds and i not in kept]
        kept.update(of_them[: most - len(kept)])
    others = sorted(set(range(total)) - kept, key=lambda i: (read.events[i].kind == "line", i))
    kept.update(others[: most - len(kept)])
    return sorted(kept)


def last_minute(read: RunRead) -> tuple[Items | Paragraph, ...]:
    """Return what happened in the last minute before the stop, and after it, event by event."""
    found = _around_the_end(read)
    if not found:
        return (Paragraph(("No event is recorded of the time about the end.",)),)
    rows = tuple((event_time(read, index), ": ", event_said(read, index)) for index in found)
    lead = Paragraph(("What was recorded from ", constant("before_stop"), " before the stop on:"))
    return lead, Items(rows)


def _around_the_end(read: RunRead) -> list[int]:
    found = stops(read)
    if not found:
        return []
    began = read.events[found[-1]].time - constant("before_stop").value
    late = [i for i, e in enumerate(read.events) if e.time >= began]
    return [i for i in late if read.events[i].kind not in {"crack", "after the end"}][-ENDS:]


def stops(read: RunRead) -> list[int]:
    """Return the events at which the program began to end a test."""
    return [i for i in events_of(read, "state") if read.events[i].text.startswith(STOPPING)]
