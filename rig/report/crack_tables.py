"""Tables of cracks: what was read, how fast they grew, totals by direction, corrections."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from rig.record.cracks import DIRECTIONS, CrackEntry
from rig.report.crack_growth import UNTOLD, Corrected, CrackGrowth, Inspection, Mark, Rate, Total
from rig.report.crack_told import (
    NOT_READ,
    NOT_TOLD,
    direction_of,
    entry_told,
    joined,
    key_of,
    name_of,
    number_of,
    numbers_of,
    reading,
    remarks,
    value,
)
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words

READINGS: Final = (
    "cycles",
    "crack",
    "direction",
    "place from the left support",
    "height of tip",
    "width",
    "length",
    "since last marked",
    "lost material, words",
    "read by",
    "entries",
)
RATES: Final = ("crack", "between entries", "from", "to", "change", "a cycle", "a decade")
TOTALS: Final = ("cycles", "direction", "cracks", "marks", "total length", "never read", "earlier")
CORRECTED: Final = ("entry", "what stood", "what stands", "why", "by")
NOBODY: Final = "nobody named"
UNKNOWN: Final = "not known"
"""A rate between readings at one count, or a decade from no cycle at all."""


def readings_table(growth: CrackGrowth, newest: int | None = None) -> Table:
    """Return each known crack at each inspection, as it was read there; the `newest` rows only."""
    entries = {entry.number: entry for entry in growth.read}
    marks = [(at, mark) for at in growth.inspections for mark in at.marks]
    shown = marks if newest is None else marks[max(len(marks) - newest, 0) :]
    return Table(READINGS, tuple(_reading(at, mark, entries) for at, mark in shown))


def marks_table(at: Inspection, growth: CrackGrowth, most: int) -> Table:
    """Return the cracks of one inspection, the widest first, so many at most."""
    entries = {entry.number: entry for entry in growth.read}
    widest = sorted(at.marks, key=lambda mark: -_or_less(mark.now.width))[:most]
    return Table(READINGS[1:], tuple(_reading(at, mark, entries)[1:] for mark in widest))


def _reading(at: Inspection, mark: Mark, entries: dict[int, CrackEntry]) -> tuple[Cell, ...]:
    key = f"{key_of(at)}.{mark.first}"
    there = [entries[number] for number in mark.now.entries]
    return (
        counted_at(at),
        name_of(mark),
        direction_of(at, mark),
        reading(mark.known.position, f"{key}.position"),
        reading(mark.now.height, f"{key}.height"),
        value(at, mark, "width"),
        value(at, mark, "length"),
        "new" if mark.new else "known" if mark.read else NOT_READ,
        _remarks(there),
        _people(there),
        numbers_of(mark.now.entries),
    )


def _remarks(there: Iterable[CrackEntry]) -> tuple[Part, ...]:
    said = (piece for entry in there for piece in remarks(entry, f"cracks.entry.{entry.number}"))
    return joined(said, "; ")


def _people(there: Iterable[CrackEntry]) -> tuple[Part, ...]:
    named = {entry.by: entry.number for entry in there}
    return joined(
        (Words(by, f"cracks.entry.{number}.by", "name") if by else NOBODY,)
        for by, number in named.items()
    )


def cycle_of(at: Inspection) -> Measure:
    """Return the count of cycles of an inspection."""
    return Measure(at.cycle, COUNT, f"{key_of(at)}.cycle")


def counted_at(at: Inspection) -> Cell:
    """Return the count of cycles of an inspection, and whether it was after the end."""
    return ("after the end, ", cycle_of(at)) if at.after_end else cycle_of(at)


def rates_table(rates: Sequence[Rate]) -> Table:
    """Return how fast cracks grew between readings that follow each other."""
    return Table(RATES, tuple(_rate(rate) for rate in rates))


def fastest(rates: Iterable[Rate]) -> list[Rate]:
    """Return rates, the fastest a decade of cycles first, those without one last."""
    return sorted(rates, key=lambda rate: -_or_less(rate.per_decade))


def _or_less(number: float) -> float:
    return -math.inf if math.isnan(number) else number


def per_decade(rate: Rate) -> Measure:
    """Return the growth a tenfold of the cycles."""
    key = f"{_key_of(rate)}.per_decade"
    return Measure(rate.per_decade, "m/decade", key, blank=UNKNOWN)


def _key_of(rate: Rate) -> str:
    first, last = rate.entries
    return f"cracks.rate.{rate.quantity}.{first}.{last}"


def _rate(rate: Rate) -> tuple[Cell, ...]:
    first, last = rate.entries
    return (
        name_of(rate),
        numbers_of(rate.entries, " and "),
        Measure(rate.cycles[0], COUNT, f"cracks.entry.{first}.cycle"),
        Measure(rate.cycles[1], COUNT, f"cracks.entry.{last}.cycle"),
        reading(rate.change, f"{_key_of(rate)}.change"),
        Measure(rate.per_cycle, "m/cycle", f"{_key_of(rate)}.per_cycle", blank=UNKNOWN),
        per_decade(rate),
    )


def totals_table(growth: CrackGrowth) -> Table:
    """Return the total of each direction at each inspection."""
    rows = tuple(
        _total(at, total)
        for at in growth.inspections
        for total in at.totals
        if total.marks or total.direction != UNTOLD
    )
    return Table(TOTALS, rows)


def key_of_total(at: Inspection, total: Total) -> str:
    """Return how the keys of a total begin."""
    return f"{key_of(at)}.{total.direction or 'untold'}"


def _total(at: Inspection, total: Total) -> tuple[Cell, ...]:
    key = key_of_total(at, total)
    return (
        counted_at(at),
        total.direction or NOT_TOLD,
        Measure(total.cracks, COUNT, f"{key}.cracks"),
        Measure(total.marks, COUNT, f"{key}.marks"),
        reading(total.length, f"{key}.length"),
        Measure(total.unread, COUNT, f"{key}.unread"),
        Measure(total.earlier, COUNT, f"{key}.earlier"),
    )


def side_by_side(inspections: Iterable[Inspection]) -> Table:
    """Return count and total length of each direction, a row an inspection."""
    inspections = tuple(inspections)
    shown = [*DIRECTIONS]
    if any(at.total(UNTOLD).marks for at in inspections):
        shown.append(UNTOLD)
    names = [direction or "direction not told" for direction in shown]
    heads = [head for name in names for head in (f"{name}: cracks", f"{name}: length")]
    rows = (
        (counted_at(at), *(cell for name in shown for cell in _beside(at, at.total(name))))
        for at in inspections
    )
    return Table(("cycles", *heads), tuple(rows))


def _beside(at: Inspection, total: Total) -> tuple[Cell, Cell]:
    key = key_of_total(at, total)
    unread = Measure(total.unread, COUNT, f"{key}.unread"), " never read"
    length = reading(total.length, f"{key}.length")
    more = (", ", *unread) if total.unread and not math.isnan(total.length) else ()
    return Measure(total.cracks, COUNT, f"{key}.cracks"), (length, *more)


def corrected_table(growth: CrackGrowth) -> Table:
    """Return the readings that were corrected: what stood, what stands, and why."""
    return Table(CORRECTED, tuple(_corrected(one) for one in growth.corrected))


def _corrected(one: Corrected) -> tuple[Cell, ...]:
    last = f"cracks.written.{one.last.number}"
    stood = (entry_told(entry, f"cracks.written.{entry.number}") for entry in one.stood)
    return (
        number_of(one.number)
        if one.stands
        else Measure(one.number, COUNT, f"cracks.written.{one.number}.number"),
        joined(stood, "; then "),
        entry_told(one.stands, f"cracks.entry.{one.number}") if one.stands else "withdrawn",
        Words(one.why, f"{last}.text") if one.why else "not said",
        Words(one.last.by, f"{last}.by", "name") if one.last.by else NOBODY,
    )
