"""Pieces of sentences out of a run's record, each with its key."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

from rig.channels import channel_unit
from rig.record.entries import LISTS, STATIC
from rig.report.curve_statistics import Statistics, measured
from rig.report.measure import COUNT, Measure, Part, Words
from rig.report.run_reading import RunRead

NOT_MEASURED: Final = "not measured"
_NUMBERS: Final = {"<f8", "<i8", "|u1"}
_COLUMN_UNITS: Final = {"stiffness": "N/m", "energy": "J", "frequency": "Hz"}


def attribute(read: RunRead, name: str) -> Words:
    """Return a text of the record's head."""
    texts = {
        "title": read.header.title,
        "specimen_id": read.header.specimen_id,
        "exposure": read.header.exposure,
        "run_id": read.header.run_id,
        "software": read.header.software,
        "imported": read.header.imported,
        "outcome": read.outcome,
        "why": read.recording.why,
    }
    said = {"why", "title", "imported"}
    return Words(texts[name], f"attr.{name}", "said" if name in said else "name")


def cell(kind: str, index: int, row: Sequence[Any], name: str, blank: str = NOT_MEASURED) -> Part:
    """Return one value of row `index` of a short list."""
    fields = LISTS[kind]
    place = next(i for i, field in enumerate(fields) if field.name == name)
    field, key = fields[place], f"{kind}.{index}.{name}"
    if field.dtype == "text":
        return Words(str(row[place]), key)
    if field.dtype not in _NUMBERS:
        raise ValueError(f"{field.dtype} is no type of a short list")
    return Measure(float(row[place]), field.units, key, blank=blank)


def of_static(index: int, value: float, name: str, digits: int = 4) -> Measure:
    """Return one value of static check `index`."""
    unit = next(field.units for field in STATIC if field.name == name)
    return Measure(value, unit, f"static.{index}.{name}", digits, blank="not found")


def unit_of(channel: str) -> str:
    """Return the unit in which a channel is shown [SI]; strains are no counts."""
    unit = channel_unit(channel) or COUNT
    return "strain" if channel.startswith("strain_") else unit


def of_column(read: RunRead, name: str, what: str, digits: int = 5) -> Measure:
    """Return "min", "max", "last" or another statistic of a cycle column; NaN where not read."""
    curve = read.columns.curves.get(name)
    found = curve.statistics if curve is not None else Statistics(0, 0)
    unit = _COLUMN_UNITS.get(name) or unit_of(name.removesuffix("_max").removesuffix("_min"))
    return measured(found, what, unit, f"cycles.{name}", digits)


def event_time(read: RunRead, index: int) -> Part:
    """Return when an event was."""
    return read.moment(read.events[index].time, f"events.{index}.time")


def event_cycle(read: RunRead, index: int) -> Measure:
    """Return the last counted cycle before an event."""
    return Measure(read.events[index].cycle, COUNT, f"events.{index}.cycle")


def event_said(read: RunRead, index: int) -> Words:
    """Return what an event says."""
    return Words(read.events[index].text, f"events.{index}.text")


def event_kind(read: RunRead, index: int) -> Words:
    """Return of which kind an event is."""
    return Words(read.events[index].kind, f"events.{index}.kind", "name")


def event_row(read: RunRead, index: int) -> tuple[Part, ...]:
    """Return when an event was, at which cycle, of which kind, and what it says."""
    return (
        event_time(read, index),
        event_cycle(read, index),
        event_kind(read, index),
        event_said(read, index),
    )


def events_of(read: RunRead, *kinds: str) -> list[int]:
    """Return which events are of some kinds."""
    return [i for i, event in enumerate(read.events) if event.kind in kinds]


def listed(parts: Iterable[Part], between: str = ", ") -> tuple[Part, ...]:
    """Return parts with something between them."""
    found: list[Part] = []
    for part in parts:
        found += [between, part] if found else [part]
    return tuple(found)


def known(value: float | None) -> bool:
    """Tell whether a number is there."""
    return value is not None and math.isfinite(value)
