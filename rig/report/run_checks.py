"""The static checks of a run, and what of its forecasts came true."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from rig.report.curve_statics import deflection_step
from rig.report.document import Facts, Listed, Paragraph, Section
from rig.report.event_words import FORETOLD, PRESTRESS
from rig.report.measure import COUNT, Cell, Measure, Part, Table, count_of, no_finer
from rig.report.run_parts import event_said, event_time, events_of, of_static
from rig.report.run_reading import RunRead
from rig.report.run_stood import FOLDED, capped

CHECKED: Final = (
    "counted cycles",
    "when",
    "stiffness",
    "cracks re-open at",
    "residual deflection",
    "effective prestress, as told then",
)
FORECASTS: Final = (
    "when",
    "at cycle",
    "failure expected at",
    "low",
    "high",
    "foretold / true",
    "off by [decades]",
    "true life inside",
)


def statics_section(read: RunRead) -> Section:
    """Return the static checks in a table."""
    checks = [(c.time, c.cycle, c.stiffness, c.reopening_load, c.residual) for c in _heads(read)]
    title = "Static checks"
    if not checks:
        said = "No static check is in the record."
        return Section("static-checks", title, (Paragraph((said,)),))
    told = events_of(read, "static")
    shown, _ = capped(checks, "check")
    rows = tuple(
        _check(read, i, checks[i], told[i] if len(told) == len(checks) else None) for i in shown
    )
    caption: tuple[Part, ...] = count_of(len(checks), "slow loading", "static.count")
    listed = Listed(caption, Table(CHECKED, rows), folded=len(rows) > FOLDED)
    return Section("static-checks", title, (*_references(read), listed))


def _references(read: RunRead) -> Iterator[Facts]:
    """Yield when it first cracked, and what the cycles of the baseline told."""
    first, base = events_of(read, "first crack"), events_of(read, "baseline")
    named = [("First crack", first), ("Baseline", base[:1]), ("Baseline, taken again", base[1:])]
    facts = [
        (name, (event_time(read, index), ", ", event_said(read, index)))
        for name, indices in named
        for index in indices
    ]
    if facts:
        yield Facts(tuple(facts))


def _heads(read: RunRead) -> Iterator[Any]:
    return read.recording.static()


def _check(read: RunRead, index: int, row: tuple[float, ...], told: int | None) -> tuple[Cell, ...]:
    time, cycle, stiffness, reopening, residual = row
    return (
        Measure(cycle, COUNT, f"static.{index}.cycle"),
        read.moment(time, f"static.{index}.time"),
        of_static(index, stiffness, "stiffness", 5),
        of_static(index, reopening, "reopening_load"),
        no_finer(of_static(index, residual, "residual"), deflection_step(read.header.channels)),
        _prestress(read, told),
    )


def _prestress(read: RunRead, told: int | None) -> Measure:
    """Return the effective prestress [Pa] that the event of a check tells."""
    found = PRESTRESS.search(read.events[told].text) if told is not None else None
    value = 1e6 * float(found[1].replace(",", "")) if found else math.nan
    return Measure(value, "Pa", f"derived.prestress.{told}", 4, blank="not found")


def forecast_section(read: RunRead) -> Section:
    """Return what was forecast when, against what came."""
    title = "Forecasts against the end"
    told = events_of(read, "forecast")
    if not told:
        said = "No failure was foretold in this test."
        return Section("forecast", title, (Paragraph((said,)),))
    numbered = [i for i in told if FORETOLD.search(read.events[i].text)]
    facts = Facts(tuple(_facts(read, numbered)))
    shown, _ = capped(told, "forecast")
    rows = tuple(_forecast(read, told[place]) for place in shown)
    key = "derived.events.forecast.count"
    caption = count_of(len(told), "event of the forecast", key)
    if len(told) > 1:
        caption = (Measure(len(told), COUNT, key), " events of the forecast")
    listed = Listed(caption, Table(FORECASTS, rows), folded=len(rows) > FOLDED)
    return Section("forecast", title, (facts, listed))


def _facts(read: RunRead, numbered: list[int]) -> Iterator[tuple[str, tuple[Part, ...]]]:
    yield "Forecasts with a number", (Measure(len(numbered), COUNT, "derived.forecast.count"),)
    if read.outcome != "failure":
        said = "the specimen did not fail in cycles, so that no forecast can be held against a life"
        yield "Against the end", (said,)
        return
    yield "True life", (read.cycles, " counted cycles")
    inside = sum(_inside(read, index) for index in numbered)
    yield "Intervals that held the true life", (Measure(inside, COUNT, "derived.forecast.inside"),)


def _numbers(read: RunRead, index: int) -> tuple[float, float, float] | None:
    found = FORETOLD.search(read.events[index].text)
    if found is None:
        return None
    median, low, high = (float(number.replace(",", "")) for number in found.groups())
    return median, low, high


def _inside(read: RunRead, index: int) -> bool:
    found = _numbers(read, index)
    return found is not None and found[1] <= read.recording.cycles <= found[2]


def _forecast(read: RunRead, index: int) -> tuple[Cell, ...]:
    found = _numbers(read, index)
    at = Measure(read.events[index].cycle, COUNT, f"events.{index}.cycle")
    if found is None:
        return event_time(read, index), at, event_said(read, index), "", "", "", "", ""
    key = f"derived.forecast.{index}"
    parts = zip(("median", "low", "high"), found, strict=True)
    measures = tuple(Measure(value, COUNT, f"{key}.{name}") for name, value in parts)
    if read.outcome != "failure" or not read.recording.cycles > 0 or not found[0] > 0:
        return event_time(read, index), at, *measures, "not known", "not known", "not known"
    ratio = Measure(found[0] / read.recording.cycles, "ratio", f"{key}.ratio")
    off = Measure(math.log10(found[0] / read.recording.cycles), "ratio", f"{key}.error")
    held = "yes" if _inside(read, index) else "no"
    return event_time(read, index), at, *measures, ratio, off, held
