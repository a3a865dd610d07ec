"""Figures of cracks in a sentence and a table each, for whoever cannot see them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rig.record.cracks import DIRECTIONS
from rig.report.crack_growth import UNTOLD, CrackGrowth, Inspection, Rate, Total
from rig.report.crack_tables import (
    counted_at,
    cycle_of,
    fastest,
    key_of_total,
    marks_table,
    per_decade,
    rates_table,
    side_by_side,
)
from rig.report.crack_told import counted, joined, key_of, name_of, numbers_of, reading, value, when
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told, count_of

ROWS: Final = 15
"""Most rows of the table of a figure; the tables of the report have the rest."""
STRIP: Final = ("cycles", "cracks", "marks on faces", "new", "widest", "widths not read")
NONE: Final = "No crack was read."


def map_told(growth: CrackGrowth) -> Told:
    """Return what the map of cracks shows: those of the last inspection, the widest first."""
    if not growth.inspections:
        return Told((NONE,), Table((), ()))
    last = growth.inspections[-1]
    parts = (*when(last), ": ", *counted(last), ".", *_first(len(last.marks), "widest marks"))
    return Told(parts, marks_table(last, growth, ROWS))


def _first(count: int, what: str) -> tuple[Part, ...]:
    if count <= ROWS:
        return ()
    return (f" Of all, the {what} are listed here: ", Measure(ROWS, COUNT, "constant.ROWS"), ".")


def strip_told(inspections: Sequence[Inspection]) -> Told:
    """Return what small maps of inspections show."""
    first, last = inspections[0], inspections[-1]
    parts = (
        *("From ", cycle_of(first), " to ", cycle_of(last), " cycles; at the first "),
        *(*counted(first), "; at the last "),
        *(*counted(last), "."),
        *_first(len(inspections), "inspections spread over them"),
    )
    return Told(parts, Table(STRIP, tuple(_inspected(at) for at in spread(inspections))))


def spread(inspections: Sequence[Inspection], most: int = ROWS) -> list[Inspection]:
    """Return so many inspections at most, the first and the last among them."""
    if len(inspections) <= most:
        return [*inspections]
    return [inspections[n * (len(inspections) - 1) // (most - 1)] for n in range(most)]


def _inspected(at: Inspection) -> tuple[Cell, ...]:
    key = key_of(at)
    widest = at.widest
    return (
        counted_at(at),
        Measure(at.cracks, COUNT, f"{key}.cracks"),
        Measure(len(at.marks), COUNT, f"{key}.marks"),
        Measure(at.new, COUNT, f"{key}.new"),
        "no width read" if widest is None else (*name_of(widest), " ", value(at, widest, "width")),
        Measure(len(at.unread("width")), COUNT, f"{key}.unread"),
    )


def growth_told(growth: CrackGrowth, quantity: str) -> Told:
    """Return what the figure of "width" or "length" over cycles shows, the fastest growth first."""
    rates = fastest(rate for rate in growth.rates if rate.quantity == quantity)
    parts = (*_read(growth, quantity), *_fastest(rates), *_first(len(rates), "fastest rates"))
    return Told(parts, rates_table(rates[:ROWS]))


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
        times = " times" if gaps > 1 else " time"
        gap = Measure(gaps, COUNT, f"cracks.{quantity}.gaps")
        parts += ("; of known cracks it was not read ", gap, times)
    return parts


def _fastest(rates: Sequence[Rate]) -> tuple[Part, ...]:
    if not rates or not rates[0].per_decade > 0:
        if any(rate.change > 0 for rate in rates):
            return ("; how fast they grew over a tenfold of the cycles is not known.",)
        return ("; none is known to have grown between two readings.",)
    most = rates[0]
    return (
        "; ",
        *name_of(most),
        " grew fastest, by ",
        per_decade(most),
        " (a tenfold of the cycles), between entries ",
        *numbers_of(most.entries, " and "),
        ".",
    )


def totals_told(growth: CrackGrowth) -> Told:
    """Return what the figure of total lengths by direction shows."""
    if not growth.inspections:
        return Told((NONE,), Table((), ()))
    last = growth.inspections[-1]
    told = [last.total(name) for name in DIRECTIONS]
    untold = last.total(UNTOLD)
    counts = (_count(last, total) for total in (*told, *([untold] if untold.marks else [])))
    parts = (*when(last), ": ", *joined(counts, "; "))
    more = _first(len(growth.inspections), "inspections spread over the test")
    return Told((*parts, ".", *more), side_by_side(spread(growth.inspections)))


def _count(at: Inspection, total: Total) -> tuple[Part, ...]:
    key = key_of_total(at, total)
    noun = f"{total.direction} crack" if total.direction else "crack"
    count = count_of(total.cracks, noun, f"{key}.cracks")
    if not total.direction:
        count = (*count, " whose direction nobody told")
    if not total.cracks:
        return count
    if math.isnan(total.length):
        return (*count, ", no length read")
    long = (*count, ", ", reading(total.length, f"{key}.length"), " long on all faces together")
    if not total.unread:
        return long
    return (*long, " but for ", *count_of(total.unread, "mark", f"{key}.unread"), " never read")
