"""Numbers of cracks in words: each can be traced to the record, none is bare text."""

from __future__ import annotations

from typing import Final

from rig.report.crack_growth import Inspection, Mark, Rate
from rig.report.measure import Measure, Part, count_of

NOT_READ: Final = "not read"


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
    parts: list[Part] = [*count_of(at.cracks, "crack", f"{key}.cracks")]
    if len(at.marks) != at.cracks:
        parts += [" in ", *count_of(len(at.marks), "mark", f"{key}.marks"), " on faces"]
    parts += [", ", Measure(at.new, "1", f"{key}.new"), " new since last marked; ", *_widest(at)]
    if unread and at.widest is not None:
        parts += ["; ", *count_of(unread, "width", f"{key}.unread"), " not read"]
    return tuple(parts)


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
    return reading(getattr(mark.now, quantity), f"cracks.entry.{entry}.{quantity}")


def reading(metres: float, key: str) -> Measure:
    """Return a length or width, NaN where it was not read."""
    return Measure(metres, "m", key, blank=NOT_READ)
