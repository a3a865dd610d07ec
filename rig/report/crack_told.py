"""Numbers of cracks in words: each can be traced to the record, none is bare text."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from rig.report.crack_growth import Inspection, Mark, Rate

NOT_READ: Final = "not read"
_SHOWN: Final = {"m": (1e3, "mm"), "m/cycle": (1e9, "nm/cycle"), "m/decade": (1e3, "mm/decade")}
"""Factor and unit for people, by unit."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A number out of the record: its value [SI] with its unit, "1" for a count.

    `key` says what it is: numbers of entries and counts of cycles tell where it comes from.
    """

    value: float
    unit: str
    key: str

    @property
    def text(self) -> str:
        """The value for people."""
        if math.isnan(self.value):
            return NOT_READ if self.unit == "m" else "none"
        if self.unit == "1":
            return f"{self.value:,.0f}"
        factor, unit = _SHOWN[self.unit]
        return f"{self.value * factor:.3g} {unit}"


Part = str | Measure
"""A piece of a sentence, or a cell of a table."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under their heads."""

    heads: tuple[str, ...]
    rows: tuple[tuple[Part, ...], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What a figure shows: a sentence in parts, and a table."""

    sentence: tuple[Part, ...]
    table: Table

    @property
    def text(self) -> str:
        """The sentence as text."""
        return plain(self.sentence)


def plain(parts: Iterable[Part]) -> str:
    """Return parts as text."""
    return "".join(part if isinstance(part, str) else part.text for part in parts)


def when(at: Inspection) -> tuple[Part, ...]:
    """Return at which count cracks were marked."""
    count = Measure(at.cycle, "1", f"{key_of(at)}.cycle")
    return ("After the end, at ", count, " cycles") if at.after_end else ("At ", count, " cycles")


def key_of(at: Inspection) -> str:
    """Return how the keys of an inspection begin."""
    return f"cracks.at.{at.cycle}{'.after-end' if at.after_end else ''}"


def counted(at: Inspection) -> tuple[Part, ...]:
    """Return how many cracks there are at an inspection, new ones, and the widest."""
    key, unread = key_of(at), len(at.unread("width"))
    parts: list[Part] = [*number(at.cracks, "crack", f"{key}.cracks")]
    if len(at.marks) != at.cracks:
        parts += [" in ", *number(len(at.marks), "mark", f"{key}.marks"), " on faces"]
    parts += [", ", Measure(at.new, "1", f"{key}.new"), " new since last marked; ", *_widest(at)]
    if unread and at.widest is not None:
        parts += ["; ", *number(unread, "width", f"{key}.unread"), " not read"]
    return tuple(parts)


def number(count: int, noun: str, key: str) -> tuple[Part, ...]:
    """Return a count and its noun."""
    return Measure(count, "1", key), f" {noun}{'' if count == 1 else 's'}"


def _widest(at: Inspection) -> tuple[Part, ...]:
    if at.widest is None:
        return ("no width read",)
    mark = at.widest
    return f"widest {name_of(mark)} with ", value(mark, "width")


def name_of(mark: Mark | Rate) -> str:
    """Return label and face of a crack."""
    return f"{mark.label or '(no label)'} {mark.face or '(face not told)'}"


def value(mark: Mark, quantity: str) -> Measure:
    """Return the "width" or "length" of a crack as it was read at an inspection."""
    entry = getattr(mark.now, f"{quantity}_entry")
    return Measure(getattr(mark.now, quantity), "m", f"cracks.entry.{entry}.{quantity}")
