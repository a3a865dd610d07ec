"""Readings without load, and how far they have moved from the first."""

from __future__ import annotations

from typing import Any

from rig.report.document import Items, Listed, Paragraph, Section
from rig.report.event_words import MOVED
from rig.report.measure import Cell, Measure, Part, Table, Words, count_of
from rig.report.run_parts import event_said, event_time, events_of, unit_of
from rig.report.run_reading import RunRead
from rig.report.run_stood import FOLDED, capped


def zeros_section(read: RunRead) -> Section:
    """Return the readings without load, and how far they have moved from the first."""
    rows = read.rows("zeros")
    title = "Zeros and their shifts"
    if not rows:
        said = "No reading without load is in the record."
        return Section("zeros", title, (Paragraph((said,)),))
    shown, _ = capped(rows, "zero")
    caption: tuple[Part, ...] = count_of(len(rows), "reading", "zeros.count")
    if len(shown) < len(rows):
        caption = (*caption, ": the first and the last of them")
    table = Table(
        ("when", "channel", "reading", "less the first", "as told"),
        tuple(_zero(read, rows, index) for index in shown),
    )
    told = events_of(read, "zero", "dead load")
    items = tuple((event_time(read, i), ": ", event_said(read, i)) for i in told)
    block = (Items(items),) if items else ()
    return Section("zeros", title, (Listed(caption, table, folded=len(rows) > FOLDED), *block))


def _zero(read: RunRead, rows: list[tuple[Any, ...]], index: int) -> tuple[Cell, ...]:
    time, channel, value, text = rows[index]
    # At a sensor that was moved the load may be on: no reading to hold against the first.
    zeros = [row[2] for row in rows if row[1] == channel and not row[3].startswith(MOVED)]
    unit, key = unit_of(channel), f"zeros.{index}"
    moved = "K difference" if unit == "K" else unit
    return (
        read.moment(time, f"{key}.time"),
        Words(channel, f"{key}.channel", "name"),
        Measure(value, unit, f"{key}.value", 4),
        "the sensor was moved"
        if text.startswith(MOVED)
        else Measure(value - zeros[0], moved, f"derived.zero_shift.{index}", 4),
        Words(text, f"{key}.text"),
    )
