"""What water and warmth a specimen really had: as achieved, not as asked."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from rig.record.spans import covered
from rig.report.curve_statistics import Statistics
from rig.report.document import Block, Facts, Items, Listed, Paragraph, Section
from rig.report.event_words import MISSED, WAS_DRY, WATER_SUM
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words, count_of
from rig.report.run_parts import NOT_MEASURED, event_said, event_time, events_of, unit_of
from rig.report.run_reading import RunRead

WET: Final = ("spray", "submerged")
WARMTH: Final = "temperature_"
SLOW: Final = ("channel", "least", "mean", "most", "readings", "without a value")

Row = tuple[str, tuple[Part, ...]]


def water_section(read: RunRead, figures: tuple[Block, ...]) -> Section:
    """Return water and warmth of a run as they were achieved, after `figures` of both."""
    blocks = (*figures, *_water(read), *_slow(read), _temperatures(read))
    return Section("water", "Water and temperatures as achieved", blocks)


def _water(read: RunRead) -> Iterator[Facts | Paragraph | Items]:
    exposure = read.header.exposure
    if read.header.imported and exposure in WET and not read.rows("spray"):
        said = "What water an imported recording was given is not in the record."
        yield Facts(tuple(_asked(read)))
        yield Paragraph((said,))
    elif exposure == "submerged":
        yield from _submerged(read)
    elif read.rows("spray") or exposure == "spray":
        yield Facts((*_asked(read), *_given(read)))
    else:
        yield Paragraph(("No water was asked for, and none is in the record.",))
    cans = events_of(read, "catch can")
    if cans:
        yield Paragraph(("Nozzles checked with a catch can:",))
        yield Items(tuple((event_time(read, i), ": ", event_said(read, i)) for i in cans))


def _submerged(read: RunRead) -> Iterator[Facts]:
    ended = read.recording.ended_time
    wet = Measure(ended, "s", "attr.ended_time", 4, blank="not known")
    level = "" if "level" in read.header.slow else "; no level was measured"
    yield Facts((("In water", ("the whole test, as its protocol says, ", wet, level)),))


def _asked(read: RunRead) -> Iterator[Row]:
    """Yield the schedule as the protocol has it."""
    spray = read.table("protocol", "spray")
    names = {
        "begin": "Begins",
        "on": "Water on for",
        "every": "in every",
        "continuous": "Without an end",
        "flow": "Flow asked for",
        "tolerance": "Tolerance of the flow",
        "faces": "Faces",
        "on_pause": "In a pause",
        "on_stop": "After a stop",
    }
    for key, name in names.items():
        if key in spray:
            value = spray[key]
            text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
            yield name, (Words(text, f"protocol.spray.{key}"),)


def wet_time(read: RunRead) -> Measure:
    """Return for how long [s] the flow was confirmed."""
    rows = read.rows("spray")
    wet = covered((row[0], row[1]) for row in rows if row[3])
    return Measure(wet, "s", "derived.water.wet", 4)


def missed(read: RunRead) -> list[int]:
    """Return the events that tell of a period without water."""
    return [i for i, e in enumerate(read.events) if e.text.startswith(MISSED)]


def dry_spells(read: RunRead) -> list[int]:
    """Return the events that tell how long it was dry beyond the plan."""
    found = events_of(read, "deviation")
    return [i for i in found if WAS_DRY.match(read.events[i].text)]


def dry_hours(read: RunRead, index: int) -> Measure:
    """Return how long it was dry [s], as an event says."""
    hours = WAS_DRY.match(read.events[index].text)
    seconds = 3600.0 * float(hours[1]) if hours else math.nan
    return Measure(seconds, "s", f"derived.water.dry.{index}")


def _given(read: RunRead) -> Iterator[Row]:
    rows = read.rows("spray")
    measured = any(channel.name == "flow" for channel in read.header.channels)
    by = () if measured else ("; confirmed by the pump's own word alone",)
    yield "Wet, flow confirmed", (wet_time(read), ", in ", *_stretches(rows), *by)
    volume = math.fsum(row[2] for row in rows)
    litres: tuple[Part, ...] = (Measure(volume, "m3", "derived.water.volume", 4),)
    if not measured:
        litres += (" by the flow that the pump tells, or by nominal flow: no channel measures it",)
    yield "Water given", litres
    unsure = math.fsum(row[1] - row[0] for row in rows if not row[3])
    yield "Water on, flow not confirmed", (Measure(unsure, "s", "derived.water.unconfirmed"),)
    if rows:
        first, last = (read.moment(*at) for at in _ends(rows))
        yield "First and last water", (first, " to ", last)
    wet = read.columns.flags.get("spray", 0)
    share = Measure(wet, COUNT, "cycles.flags.spray.count")
    yield "Cycles with water on", (share, " of ", Measure(read.columns.rows, COUNT, "attr.cycles"))
    count = len(missed(read))
    yield from _at_first_crack(read)
    yield "Periods missed", (Measure(count, COUNT, "derived.water.missed"),)
    spells = dry_spells(read)
    told: tuple[Part, ...] = (Measure(len(spells), COUNT, "derived.water.dry_spells"),)
    for index in spells:
        told += ("; ", dry_hours(read, index), " up to ", event_time(read, index))
    yield "Dry beyond the plan", told
    for index in [i for i in events_of(read, "water") if read.events[i].text.startswith(WATER_SUM)]:
        yield "Summed up by the program", (event_said(read, index),)


def _at_first_crack(read: RunRead) -> Iterator[Row]:
    """Yield whether there was water when it cracked: cracks draw it in as they open."""
    for index in events_of(read, "first crack")[:1]:
        at = read.events[index].time
        wet = any(row[0] <= at <= row[1] for row in read.rows("spray"))
        yield "Water at the first crack", ("on, " if wet else "off, ", event_time(read, index))


def _stretches(rows: list[tuple[Any, ...]]) -> tuple[Part, ...]:
    return count_of(len(rows), "stretch" if len(rows) == 1 else "stretche", "spray.count")


def _ends(rows: list[tuple[Any, ...]]) -> tuple[tuple[float, str], tuple[float, str]]:
    return (rows[0][0], "spray.0.time_on"), (rows[-1][1], f"spray.{len(rows) - 1}.time_off")


def _slow(read: RunRead) -> Iterator[Listed]:
    """Yield the other slow channels: flow, level, tank."""
    rows = tuple(_of_slow(read, lambda name: not name.startswith(WARMTH)))
    if rows:
        yield Listed(("Slow channels over the whole test",), Table(SLOW, rows))


def _temperatures(read: RunRead) -> Listed | Paragraph:
    rows = (*_of_slow(read, lambda name: name.startswith(WARMTH)), *_of_sampled(read))
    if not rows:
        said = "No temperature was measured: neither of the air, nor of water, nor of oil."
        return Paragraph((said,))
    return Listed(("Temperatures over the whole test",), Table(SLOW, rows))


def _of_slow(read: RunRead, wanted: Any) -> Iterator[tuple[Cell, ...]]:
    for name in (n for n in read.header.slow if wanted(n)):
        found = read.columns.slow.get(name, Statistics(0, 0))
        yield _row(name, found, f"slow.{name}", unit_of(name))


def _row(name: str, found: Statistics, key: str, unit: str) -> tuple[Cell, ...]:
    least, mean, most = (
        Measure(getattr(found, what), unit, f"{key}.{what}", 4, NOT_MEASURED)
        for what in ("min", "mean", "max")
    )
    return (
        Words(name, f"{key}.name", "name"),
        least,
        mean,
        most,
        Measure(found.count, COUNT, f"{key}.count"),
        Measure(found.missing, COUNT, f"{key}.missing"),
    )


def _of_sampled(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    """Yield temperatures that come with every frame: the largest of each cycle."""
    for name in (n for n in read.header.sampled if n.startswith(WARMTH)):
        curve = read.columns.curves.get(f"{name}_max")
        if curve is not None:
            yield _row(name, curve.statistics, f"cycles.{name}_max", "K")
