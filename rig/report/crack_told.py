"""Numbers and labels of cracks in words: each can be traced to the record, none is bare text."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from rig.record.cracks import DIRECTIONS, FACES, CrackEntry
from rig.report.crack_growth import Inspection, Mark, Rate
from rig.report.measure import COUNT, Measure, Part, Words, count_of

NOT_READ: Final = "not read"
NOT_TOLD: Final = "not told"


def when(at: Inspection) -> tuple[Part, ...]:
    """Return at which count cracks were marked."""
    count = Measure(at.cycle, COUNT, f"{key_of(at)}.cycle")
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
    parts += [", ", Measure(at.new, COUNT, f"{key}.new"), " new since last marked; ", *_widest(at)]
    if unread and at.widest is not None:
        parts += ["; ", *count_of(unread, "width", f"{key}.unread"), " not read"]
    return tuple(parts)


def _widest(at: Inspection) -> tuple[Part, ...]:
    if at.widest is None:
        return ("no width read",)
    return "widest ", *name_of(at.widest), " with ", value(at, at.widest, "width")


def name_of(mark: Mark | Rate) -> tuple[Part, ...]:
    """Return label and face of a crack."""
    key = f"cracks.entry.{mark.first}"
    label = Words(mark.label, f"{key}.crack", "name") if mark.label else "(no label)"
    return label, " ", fixed(mark.face, FACES, f"{key}.face", "(face not told)")


def direction_of(at: Inspection, mark: Mark) -> Part:
    """Return the direction of a crack."""
    return fixed(mark.direction, DIRECTIONS, f"{key_of(at)}.{mark.first}.direction", NOT_TOLD)


def fixed(word: str, words: Iterable[str], key: str, blank: str) -> Part:
    """Return a word of a fixed set; another, of another program's record, is somebody's words."""
    if not word:
        return blank
    return word if word in words else Words(word, key, "name")


def value(at: Inspection, mark: Mark, quantity: str) -> Measure:
    """Return the "width" or "length" of a crack as it was read at an inspection."""
    entry, read = getattr(mark.now, f"{quantity}_entry"), getattr(mark.now, quantity)
    key = f"{key_of(at)}.{mark.first}" if math.isnan(read) else f"cracks.entry.{entry}"
    return reading(read, f"{key}.{quantity}")


def reading(metres: float, key: str) -> Measure:
    """Return a length or width, NaN where it was not read."""
    return Measure(metres, "m", key, blank=NOT_READ)


def number_of(entry: int) -> Measure:
    """Return the number of an entry."""
    return Measure(entry, COUNT, f"cracks.entry.{entry}.number")


def numbers_of(entries: Iterable[int], between: str = ", ") -> tuple[Part, ...]:
    """Return numbers of entries in a row."""
    return joined(((number_of(entry),) for entry in entries), between)


def joined(pieces: Iterable[tuple[Part, ...]], between: str = ", ") -> tuple[Part, ...]:
    """Return pieces in a row, without the empty ones."""
    parts: list[Part] = []
    for piece in pieces:
        if piece:
            parts += [between, *piece] if parts else piece
    return tuple(parts)


def entry_told(entry: CrackEntry, key: str) -> tuple[Part, ...]:
    """Return all that a reading says; `key` is how the keys of its fields begin."""
    label = Words(entry.crack, f"{key}.crack", "name") if entry.crack else "(no label)"
    face = fixed(entry.face, FACES, f"{key}.face", "(face not told)")
    return joined(
        (
            (label, " ", face),
            _size(entry.position, f"{key}.position", "", " from the left support"),
            (fixed(entry.direction, DIRECTIONS, f"{key}.direction", ""),) * bool(entry.direction),
            _size(entry.height, f"{key}.height", "tip ", " above the soffit"),
            (reading(entry.width, f"{key}.width"), " wide")
            if not math.isnan(entry.width)
            else ("width not read",),
            (reading(entry.length, f"{key}.length"), " long")
            if not math.isnan(entry.length)
            else ("length not read",),
            *remarks(entry, key),
        )
    )


def _size(metres: float, key: str, before: str, after: str) -> tuple[Part, ...]:
    return () if math.isnan(metres) else (before, reading(metres, key), after)


def remarks(entry: CrackEntry, key: str) -> tuple[tuple[Part, ...], ...]:
    """Return lost material, a picture and the words of an entry."""
    return (
        ("lost material: ", Words(entry.lost, f"{key}.lost")) if entry.lost else (),
        ("with a picture",) if entry.picture else (),
        (Words(entry.text, f"{key}.text"),) if entry.text else (),
    )
