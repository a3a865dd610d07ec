"""When loading was interrupted, and what inspections found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from rig.record.reasons import UNLOADED
from rig.record.spans import covered
from rig.report.crack_growth import Inspection, growth_of
from rig.report.crack_told import counted
from rig.report.document import Block, Facts, Listed, Paragraph, Section
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words, count_of
from rig.report.run_keys import constant
from rig.report.run_parts import event_row, events_of
from rig.report.run_reading import RunRead

INTERRUPTED: Final = ("begin", "end", "counted cycles", "lasted", "cause; load; water; ended by")
INSPECTED: Final = ("when", "counted cycles", "lasted", "what was done", "cracks")
FOLDED: Final = 12
"""Rows from which on a table is closed at first."""

Row = tuple[Any, ...]


def interruptions_section(read: RunRead) -> Section:
    """Return every interruption, their sum, and those of weight for the life."""
    rows = read.rows("interruptions")
    title = "Interruptions"
    if not rows:
        said = "No interruption of the loading is in the record."
        return Section("interruptions", title, (Paragraph((said,)),))
    shown, caption = capped(rows, "interruption")
    cells = tuple((*_interruption(read, i, rows[i]), _weight(rows[i])) for i in shown)
    listed = Listed(
        caption, Table((*INTERRUPTED, "counts as a deviation"), cells), folded=len(rows) > FOLDED
    )
    return Section("interruptions", title, (Facts(tuple(_sums(rows, ended=read.ended))), listed))


def capped(rows: Sequence[object], noun: str) -> tuple[list[int], tuple[Part, ...]]:
    """Return which rows of a short list are shown, and how their table is called."""
    most = int(constant("rows_shown").value)
    caption: tuple[Part, ...] = count_of(len(rows), noun, f"{noun}s.count")
    if len(rows) <= most:
        return list(range(len(rows))), caption
    half = most // 2
    shown = [*range(half), *range(len(rows) - half, len(rows))]
    more = ("; of the first and the last together ", constant("rows_shown"), " are shown here")
    return shown, (*caption, *more)


def long_unloaded(rows: Sequence[Row]) -> list[int]:
    """Return which interruptions were spent without load for longer than is passed over."""
    return [i for i, row in enumerate(rows) if _long(row)]


def late_unloaded(rows: Sequence[Row]) -> list[int]:
    """Return which interruptions without load came after many cycles."""
    return [i for i, row in enumerate(rows) if _late(row)]


def _free(row: Row) -> bool:
    return bool(UNLOADED.search(row[3]))


def _long(row: Row) -> bool:
    return _free(row) and row[2] > constant("long_interruption").value


def _late(row: Row) -> bool:
    return _free(row) and row[1] > constant("late_unloading").value


def _weight(row: Row) -> tuple[Part, ...]:
    found: list[Part] = []
    if _long(row):
        found += ["without load for over ", constant("long_interruption")]
    if _late(row):
        found += ["; " if found else "", "unloaded after ", constant("late_unloading"), " cycles"]
    return tuple(found) or ("no",)


def _sums(rows: Sequence[Row], *, ended: bool) -> Iterator[tuple[str, tuple[Part, ...]]]:
    total = covered((row[0], row[0] + row[2]) for row in rows)
    free = covered((row[0], row[0] + row[2]) for row in rows if _free(row))
    yield "Together", (Measure(total, "s", "derived.interruptions.sum", 4),)
    if not ended:
        yield "Under way when the record breaks off", ("not among them, if there was one",)
    yield "Of it without load", (Measure(free, "s", "derived.interruptions.unloaded", 4),)
    long = Measure(len(long_unloaded(rows)), COUNT, "derived.interruptions.long")
    late = Measure(len(late_unloaded(rows)), COUNT, "derived.interruptions.late")
    yield "Without load for long", (long, " over ", constant("long_interruption"))
    yield "Unloaded late", (late, " after ", constant("late_unloading"), " cycles")


def _interruption(read: RunRead, index: int, row: Row) -> tuple[Cell, ...]:
    time, cycle, lasted, text = row
    key = f"interruptions.{index}"
    return (
        read.moment(time, f"{key}.time"),
        read.moment(time + lasted, f"{key}.end"),
        Measure(cycle, COUNT, f"{key}.cycle"),
        Measure(lasted, "s", f"{key}.duration"),
        Words(text, f"{key}.text"),
    )


def inspections_section(read: RunRead) -> Section:
    """Return every inspection with what was found at it."""
    rows = read.rows("inspections")
    title = "Inspections"
    if not rows:
        return Section("inspections", title, (Paragraph(("No inspection is in the record.",)),))
    shown, caption = capped(rows, "inspection")
    growth = growth_of(read.cracks, [int(row[1]) for row in rows], read.recording.cycles)
    found = {at.cycle: at for at in growth.inspections if not at.after_end}
    cells = tuple((*_inspection(read, i, rows[i]), _cracks(found.get(rows[i][1]))) for i in shown)
    listed = Listed(caption, Table(INSPECTED, cells), folded=len(rows) > FOLDED)
    return Section("inspections", title, (listed, *_notes(read)))


def inspections_asked(read: RunRead) -> int:
    """Return how many inspections the protocol asks for before the last counted cycle."""
    plan, count = read.plan, 0
    if plan is None or plan.inspections is None or plan.cyclic is None:
        return 0
    asked = plan.inspections.next_after(0)
    while asked is not None and asked < read.recording.cycles:
        count += 1
        asked = plan.inspections.next_after(asked)
    return count


def inspections_left(read: RunRead) -> int:
    """Return how many of those were not held up to the end."""
    until = read.recording.cycles
    held = sum(1 for row in read.rows("inspections") if row[1] <= until)
    return max(inspections_asked(read) - held, 0)


def _inspection(read: RunRead, index: int, row: Row) -> tuple[Cell, ...]:
    time, cycle, lasted, text = row
    key = f"inspections.{index}"
    return (
        read.moment(time, f"{key}.time"),
        Measure(cycle, COUNT, f"{key}.cycle"),
        Measure(lasted, "s", f"{key}.duration"),
        Words(text, f"{key}.text"),
    )


def _cracks(at: Inspection | None) -> tuple[Part, ...]:
    return ("none read",) if at is None else counted(at)


def _notes(read: RunRead) -> Iterator[Block]:
    """Yield what people wrote down beside the crack log."""
    notes = events_of(read, "note")
    if not notes:
        yield Paragraph(("Nobody wrote a note.",))
        return
    shown, caption = capped(notes, "note")
    rows = tuple(event_row(read, notes[place]) for place in shown)
    heads = ("when", "counted cycles", "kind", "what")
    named = (Measure(len(notes), COUNT, "derived.events.note.count"), *caption[1:])
    yield Listed(named, Table(heads, rows), folded=len(rows) > FOLDED)
