"""How cracks grew from inspection to inspection, out of the entries of the crack log."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Final

from rig.record.cracks import DIRECTIONS, CrackEntry, corrections, placed, standing

NAN: Final = math.nan
UNTOLD: Final = ""
"""Direction of a crack of which nobody told it."""
QUANTITIES: Final = ("width", "length")
LARGEST: Final = 1e3
"""A place or size [m] beyond this is of no specimen and counts as not read."""

CrackKey = tuple[str, str]
"""Label, whatever its capitals, and face: what is one crack over all inspections."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read of a crack [m], NaN where it was not.

    `position` along the span from the left support, `height` of its tip above the soffit. `entries`
    are the numbers of the entries it comes from, `width_entry`, `length_entry` and `height_entry`
    those of the values, 0 where they were not read.
    """

    entries: tuple[int, ...] = ()
    position: float = NAN
    height: float = NAN
    width: float = NAN
    length: float = NAN
    width_entry: int = 0
    length_entry: int = 0
    height_entry: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A crack as it is known at an inspection.

    `now` is what was read there, without entries where it was passed over. `known` has of each
    value what was read last, there or earlier, and `before` the same without this inspection, None
    where the crack is new since last marked.
    """

    label: str
    face: str
    direction: str
    now: Reading
    known: Reading
    before: Reading | None

    @property
    def key(self) -> CrackKey:
        """What tells it from other cracks."""
        return self.label.casefold(), self.face

    @property
    def first(self) -> int:
        """The number of the entry it was found by."""
        return self.known.entries[0]

    @property
    def new(self) -> bool:
        """Whether it was not there when cracks were marked last."""
        return self.before is None

    @property
    def read(self) -> bool:
        """Whether anything of it was read at this inspection."""
        return bool(self.now.entries)


@dataclass(frozen=True, slots=True)
class Total:
    """The cracks of one direction at an inspection, "" for those whose direction nobody told.

    `cracks` counts labels, `marks` cracks on faces: one seen on two faces is two marks. `length`
    [m] is the sum over the marks as they were read last, NaN where there are marks and none was;
    `unread` of them never were, and `earlier` were at an earlier inspection.
    """

    direction: str
    cracks: int
    marks: int
    length: float
    unread: int
    earlier: int


@dataclass(frozen=True, slots=True)
class Inspection:
    """All cracks known when they were marked at a count of cycles, in the order they were found.

    `time` is test time of the first reading [s], `after_end` tells that it was after the test.
    `widest` is the mark with the largest width read there, None where no width was.
    """

    cycle: int
    time: float
    after_end: bool
    marks: tuple[Mark, ...]
    widest: Mark | None
    totals: tuple[Total, ...]

    @property
    def cracks(self) -> int:
        """How many cracks are known: one on two faces is one."""
        return len(_labels(self.marks))

    @property
    def new(self) -> int:
        """How many cracks are new since last marked: they were on no face before."""
        return len(_labels(self.marks) - _labels(mark for mark in self.marks if not mark.new))

    def unread(self, quantity: str) -> tuple[Mark, ...]:
        """Return the known cracks whose "width" or "length" was not read there."""
        return tuple(m for m in self.marks if math.isnan(getattr(m.now, quantity)))

    def total(self, direction: str) -> Total:
        """Return the total of one direction."""
        return next(total for total in self.totals if total.direction == direction)


def _labels(marks: Iterable[Mark]) -> set[str]:
    return {mark.label.casefold() for mark in marks}


@dataclass(frozen=True, slots=True)
class Rate:
    """Growth of "width" or "length" [m] of a crack between two readings that follow each other.

    `entries` and `cycles` are those of the two, `first` the entry it was found by. `per_cycle`
    [m/cycle] and `per_decade` [m a factor of ten in cycles] are NaN where the count did not rise,
    or began at zero.
    """

    label: str
    face: str
    first: int
    quantity: str
    entries: tuple[int, int]
    cycles: tuple[int, int]
    change: float
    per_cycle: float
    per_decade: float


@dataclass(frozen=True, slots=True)
class Corrected:
    """A reading that was corrected: what `stands`, None where it was withdrawn, and what stood.

    `stood` is the entry as it was written first and each correction but the last.
    """

    number: int
    stands: CrackEntry | None
    stood: tuple[CrackEntry, ...]
    last: CrackEntry

    @property
    def why(self) -> str:
        """What the last correction says; one without words keeps those of what it corrects."""
        same = self.stands is not None and self.last.text == self.stood[-1].text
        return "" if same else self.last.text


@dataclass(frozen=True, slots=True)
class CrackGrowth:
    """The cracks of a test: inspections in order, rates crack by crack, readings corrected.

    `read` are the readings as they stand, with place and direction of their cracks. `unmapped`
    are the counts of inspections at which no crack was read.
    """

    inspections: tuple[Inspection, ...] = ()
    rates: tuple[Rate, ...] = ()
    corrected: tuple[Corrected, ...] = ()
    read: tuple[CrackEntry, ...] = ()
    unmapped: tuple[int, ...] = ()

    @property
    def cracks(self) -> tuple[CrackKey, ...]:
        """All cracks in the order they were found."""
        return tuple(mark.key for mark in self.inspections[-1].marks) if self.inspections else ()


def growth_of(
    entries: Iterable[CrackEntry], inspected: Iterable[int] = (), ended: int = 0
) -> CrackGrowth:
    """Return how cracks grew, from all entries of the log, corrections included.

    Readings at one count of cycles are of one inspection, those made after the end of another; of
    a value read twice there the later counts. `inspected` are the counts of all inspections. A
    reading of a count below that of the end, `ended`, is of an inspection, also one that was
    written down after the end.
    """
    entries = tuple(entries)
    late = {entry.number for entry in entries if entry.at_utc and entry.cycle >= ended}
    readings = sorted(placed(entries), key=lambda entry: _when(entry, late))
    inspections: list[Inspection] = []
    marks: dict[CrackKey, Mark] = {}
    for (after, cycle), group in groupby(readings, key=lambda entry: _when(entry, late)):
        there = tuple(group)
        marks = _marks(marks, there)
        inspections.append(_inspection(cycle, there[0].time, after, tuple(marks.values())))
    mapped = {at.cycle for at in inspections}
    return CrackGrowth(
        inspections=tuple(inspections),
        rates=_rates(inspections),
        corrected=_corrected(entries),
        read=tuple(readings),
        unmapped=tuple(sorted(set(inspected) - mapped)),
    )


def _when(entry: CrackEntry, late: set[int]) -> tuple[bool, int]:
    return entry.number in late, entry.cycle


def _marks(before: dict[CrackKey, Mark], there: Sequence[CrackEntry]) -> dict[CrackKey, Mark]:
    """Return the marks of all cracks known after the readings of one inspection."""
    marks = {
        key: Mark(mark.label, mark.face, mark.direction, Reading(), mark.known, mark.known)
        for key, mark in before.items()
    }
    for entry in there:
        key = entry.crack.casefold(), entry.face
        old = marks.get(key) or Mark(entry.crack, entry.face, UNTOLD, Reading(), Reading(), None)
        marks[key] = Mark(
            old.label,
            old.face,
            entry.direction or old.direction,
            _joined(old.now, entry),
            _joined(old.known, entry),
            old.before,
        )
    return marks


def _joined(reading: Reading, entry: CrackEntry) -> Reading:
    """Return a reading with what an entry has read put in the place of what was there."""
    width, length, height = (_size(v) for v in (entry.width, entry.length, entry.height))
    known = abs(entry.position) <= LARGEST
    return Reading(
        entries=(*reading.entries, entry.number),
        position=entry.position if known else reading.position,
        height=reading.height if math.isnan(height) else height,
        width=reading.width if math.isnan(width) else width,
        length=reading.length if math.isnan(length) else length,
        width_entry=reading.width_entry if math.isnan(width) else entry.number,
        length_entry=reading.length_entry if math.isnan(length) else entry.number,
        height_entry=reading.height_entry if math.isnan(height) else entry.number,
    )


def _size(value: float) -> float:
    """Return a size, NaN where it is none."""
    return value if 0 <= value <= LARGEST else NAN


def _inspection(cycle: int, time: float, after_end: bool, marks: tuple[Mark, ...]) -> Inspection:
    measured = [mark for mark in marks if not math.isnan(mark.now.width)]
    return Inspection(
        cycle=cycle,
        time=time,
        after_end=after_end,
        marks=marks,
        widest=max(measured, key=lambda mark: mark.now.width, default=None),
        totals=tuple(_total(name, marks) for name in (*DIRECTIONS, UNTOLD)),
    )


def _total(direction: str, marks: Iterable[Mark]) -> Total:
    of_it = [mark for mark in marks if _direction(mark) == direction]
    lengths = [m.known.length for m in of_it if not math.isnan(m.known.length)]
    return Total(
        direction=direction,
        cracks=len(_labels(of_it)),
        marks=len(of_it),
        length=NAN if of_it and not lengths else math.fsum(lengths),
        unread=len(of_it) - len(lengths),
        earlier=sum(math.isnan(m.now.length) and m.known.length_entry > 0 for m in of_it),
    )


def _direction(mark: Mark) -> str:
    return mark.direction if mark.direction in DIRECTIONS else UNTOLD


def _rates(inspections: Sequence[Inspection]) -> tuple[Rate, ...]:
    seen: dict[CrackKey, list[tuple[int, Mark]]] = {}
    for at in inspections:
        for mark in at.marks:
            seen.setdefault(mark.key, []).append((at.cycle, mark))
    return tuple(
        rate for marks in seen.values() for name in QUANTITIES for rate in _rates_of(marks, name)
    )


def _rates_of(marks: Iterable[tuple[int, Mark]], quantity: str) -> Iterator[Rate]:
    read = [(at, mark) for at, mark in marks if not math.isnan(getattr(mark.now, quantity))]
    for (first, old), (last, new) in pairwise(read):
        change = getattr(new.now, quantity) - getattr(old.now, quantity)
        entry = f"{quantity}_entry"
        yield Rate(
            label=new.label,
            face=new.face,
            first=new.first,
            quantity=quantity,
            entries=(getattr(old.now, entry), getattr(new.now, entry)),
            cycles=(first, last),
            change=change,
            per_cycle=change / (last - first) if last > first else NAN,
            per_decade=change / math.log10(last / first) if last > first > 0 else NAN,
        )


def _corrected(entries: Sequence[CrackEntry]) -> tuple[Corrected, ...]:
    first = {entry.number: entry for entry in entries}
    stands = {entry.number: entry for entry in standing(entries)}
    return tuple(
        Corrected(number, stands.get(number), (first[number], *found[:-1]), found[-1])
        for number, found in sorted(corrections(entries).items())
        if number in first and first[number].kind == "reading"
    )
