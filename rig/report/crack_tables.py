"""Figures of cracks in a sentence and a table each, for whoever cannot see them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from rig.record.crack_words import in_words
from rig.record.cracks import DIRECTIONS, CrackEntry
from rig.report.crack_growth import (
    UNTOLD,
    Corrected,
    CrackGrowth,
    Inspection,
    Mark,
    Rate,
    Total,
)
from rig.report.crack_told import NOT_READ, counted, key_of, name_of, reading, value, when
from rig.report.measure import Measure, Part, Table, Told, count_of

READINGS: Final = (
    "cycles",
    "crack",
    "face",
    "direction",
    "position",
    "height of tip",
    "width",
    "length",
    "lost material",
    "since last marked",
    "entries",
)
RATES: Final = ("crack", "face", "between entries", "from", "to", "change", "a cycle", "a decade")
TOTALS: Final = ("cycles", "direction", "cracks", "marks", "total length", "never read", "earlier")
CORRECTED: Final = ("entry", "what stood", "what stands", "why", "by")


def map_told(growth: CrackGrowth) -> Told:
    """Return what the map of cracks shows: the last inspection, and all readings."""
    if not growth.inspections:
        return Told(("No crack was read.",), readings_table(growth))
    last = growth.inspections[-1]
    return Told((*when(last), ": ", *counted(last), "."), readings_table(growth))


def readings_table(growth: CrackGrowth) -> Table:
    """Return each known crack at each inspection, as it was read there."""
    rows = (_reading(at, mark) for at in growth.inspections for mark in at.marks)
    return Table(READINGS, tuple(rows))


def _reading(at: Inspection, mark: Mark) -> tuple[Part, ...]:
    now, key = mark.now, f"{key_of(at)}.{mark.known.entries[0]}"
    return (
        _cycle(at),
        mark.label,
        mark.face,
        mark.direction or "not told",
        reading(now.position, f"{key}.position"),
        reading(now.height, f"{key}.height"),
        value(mark, "width"),
        value(mark, "length"),
        now.lost,
        "new" if mark.new else "known" if mark.read else NOT_READ,
        ", ".join(map(str, now.entries)),
    )


def _cycle(at: Inspection) -> Measure:
    return Measure(at.cycle, "1", f"{key_of(at)}.cycle")


def growth_told(growth: CrackGrowth, quantity: str) -> Told:
    """Return what the figure of "width" or "length" over cycles shows, and the rates."""
    rates = [rate for rate in growth.rates if rate.quantity == quantity]
    return Told((*_read(growth, quantity), *_fastest(rates)), rates_table(rates))


def _read(growth: CrackGrowth, quantity: str) -> tuple[Part, ...]:
    marks = [mark for at in growth.inspections for mark in at.marks]
    read = len({m.key for m in marks if not math.isnan(getattr(m.now, quantity))})
    gaps = sum(len(at.unread(quantity)) for at in growth.inspections)
    parts: tuple[Part, ...] = (
        f"The {quantity} of ",
        *count_of(read, "mark", f"cracks.{quantity}.marks"),
        " was read, over ",
        *count_of(len(growth.inspections), "inspection", "cracks.inspections"),
    )
    if gaps:
        parts += (
            "; of known cracks it was not read ",
            Measure(gaps, "1", f"cracks.{quantity}.gaps"),
        )
        parts += (" times" if gaps > 1 else " time",)
    return parts


def _fastest(rates: Iterable[Rate]) -> tuple[Part, ...]:
    most = max(rates, key=lambda rate: _or_less(rate.per_decade), default=None)
    if most is None or not most.per_decade > 0:
        return ("; none is known to have grown between two readings.",)
    first, last = most.entries
    return (
        f"; {name_of(most)} grew fastest, by ",
        _rate(most)[-1],
        " (a tenfold of the cycles), between entries ",
        Measure(first, "1", f"cracks.entry.{first}.number"),
        " and ",
        Measure(last, "1", f"cracks.entry.{last}.number"),
        ".",
    )


def _or_less(rate: float) -> float:
    return -math.inf if math.isnan(rate) else rate


def rates_table(rates: Iterable[Rate]) -> Table:
    """Return how fast cracks grew between readings that follow each other."""
    return Table(RATES, tuple(_rate(rate) for rate in rates))


def _rate(rate: Rate) -> tuple[Part, ...]:
    first, last = rate.entries
    key = f"cracks.rate.{rate.quantity}.{first}.{last}"
    return (
        rate.label,
        rate.face,
        f"{first} and {last}",
        Measure(rate.cycles[0], "1", f"cracks.entry.{first}.cycle"),
        Measure(rate.cycles[1], "1", f"cracks.entry.{last}.cycle"),
        reading(rate.change, f"{key}.change"),
        Measure(rate.per_cycle, "m/cycle", f"{key}.per_cycle"),
        Measure(rate.per_decade, "m/decade", f"{key}.per_decade"),
    )


def totals_told(growth: CrackGrowth) -> Told:
    """Return what the figure of total lengths by direction shows."""
    rows = tuple(
        _total(at, total)
        for at in growth.inspections
        for total in at.totals
        if total.marks or total.direction != UNTOLD
    )
    return Told(_compared(growth.inspections), Table(TOTALS, rows))


def _compared(inspections: Sequence[Inspection]) -> tuple[Part, ...]:
    if not inspections:
        return ("No crack was read.",)
    parts: list[Part] = [*when(inspections[-1]), ": "]
    for direction in DIRECTIONS:
        total = inspections[-1].total(direction)
        parts += [*_count(inspections[-1], total), "; " if direction != DIRECTIONS[-1] else "."]
    return tuple(parts)


def _count(at: Inspection, total: Total) -> tuple[Part, ...]:
    key = f"{key_of(at)}.{total.direction}"
    count = count_of(total.cracks, f"{total.direction} crack", f"{key}.cracks")
    if not total.cracks:
        return count
    long = (*count, ", ", reading(total.length, f"{key}.length"), " long in all")
    if not total.unread:
        return long
    return (*long, " without ", *count_of(total.unread, "mark", f"{key}.unread"), " never read")


def _total(at: Inspection, total: Total) -> tuple[Part, ...]:
    key = f"{key_of(at)}.{total.direction or 'untold'}"
    return (
        _cycle(at),
        total.direction or "not told",
        Measure(total.cracks, "1", f"{key}.cracks"),
        Measure(total.marks, "1", f"{key}.marks"),
        reading(total.length, f"{key}.length"),
        Measure(total.unread, "1", f"{key}.unread"),
        Measure(total.earlier, "1", f"{key}.earlier"),
    )


def corrected_table(growth: CrackGrowth) -> Table:
    """Return the readings that were corrected: what stood, what stands, and why."""
    return Table(CORRECTED, tuple(_corrected(one) for one in growth.corrected))


def _corrected(one: Corrected) -> tuple[Part, ...]:
    return (
        Measure(one.number, "1", f"cracks.entry.{one.number}.number"),
        "; then ".join(map(in_words, one.stood)),
        _stands(one.stands),
        one.last.text,
        one.last.by,
    )


def _stands(entry: CrackEntry | None) -> str:
    return "withdrawn" if entry is None else in_words(entry)
