"""The crack log as it is written: what is given is held against the specimen and what is known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from rig.control.crack_limits import LABEL, check
from rig.errors import InputError
from rig.mechanics.specimen import Section
from rig.record.crack_words import millimetres, place
from rig.record.cracks import FACES, WITHDRAWN, CrackEntry, in_place, standing

SAME_PLACE: Final = 0.1
"""Share of the span within which one label on one face is one crack."""
ONE_PLACE: Final = 0.005
"""Distance [m] within which two labels on one face may well be one crack."""
ENDS: Final = ("left-end", "right-end")
"""Faces without a place along the span."""
MOST_ENTRIES: Final = 10_000
"""Entries of one log; more are a program that has run wild."""
NUMBERS: Final = ("position", "height", "width", "length")
WORDS: Final = {"crack": LABEL, "face": 16, "direction": 16, "lost": 200, "picture": 64}
"""Fields of text of what is given, and how many characters they have at most."""
_LESS: Final = {"width": "narrower", "length": "shorter", "height": "its tip lower"}
"""What is said of a crack that has shrunk."""


@dataclass(frozen=True, slots=True)
class CrackGiven:
    """What somebody gives of a crack: `values` by the names of `NUMBERS` [m] and `WORDS`.

    NaN is what was looked for and not read; what is not given has no value. `corrects` is the
    number of an entry that was wrong, 0 for none, `withdrawn` that it is taken back. `read_at` is
    the count of cycles at which it was read, where that was earlier than now.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    corrects: int = 0
    withdrawn: bool = False
    read_at: int | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """An entry for the log, and what whoever gave it is to be told, "" for nothing."""

    entry: CrackEntry
    told: str


class CrackLog:
    """The entries so far, of a specimen with this `section`; None where nobody knows it.

    `number` is that of the entry that comes next.
    """

    def __init__(self, section: Section | None, entries: Iterable[CrackEntry] = ()) -> None:
        self._section = section
        self.entries = [*entries]
        # Kept up entry by entry: a live rig must not wait while a long log is gone through.
        self._standing = {entry.number: entry for entry in standing(self.entries)}
        self._known = _known_of(sorted(self._standing.values(), key=_read_when))
        self.number = 1 + max((entry.number for entry in self.entries), default=0)

    def add(self, given: CrackGiven, new: CrackEntry) -> Taken:
        """Add what is given to a `new` entry, which has its time, count, kind, by and text.

        Raises InputError for what cannot be; nothing is added then.
        """
        taken = self._taken(given, new)
        self.keep(taken.entry)
        return taken

    def check(self, values: Mapping[str, Any]) -> None:
        """Refuse values that no crack of this specimen can have. Raises InputError."""
        check(CrackEntry(0, 0.0, 0, "reading", **values), self._section)

    def keep(self, entry: CrackEntry) -> None:
        """Add an entry. Raises InputError where the log is full."""
        if len(self.entries) >= MOST_ENTRIES:
            raise InputError(f"the crack log is full, it takes {MOST_ENTRIES:,} entries")
        self.entries.append(entry)
        self.number = entry.number + 1
        if entry.kind == "correction":
            self._correct(entry)
            return
        self._standing[entry.number] = entry
        if entry.kind == "reading":
            before = self._known.get((entry.crack, entry.face), entry)
            if entry.cycle < before.cycle:  # of an earlier inspection, written late
                self._known_again(entry.crack)
            else:
                _join(self._known, entry)

    def _correct(self, entry: CrackEntry) -> None:
        wrong = self._standing.pop(entry.corrects)
        right = in_place(wrong, entry)
        if right is not None:
            self._standing[right.number] = right
        for label in {wrong.crack, entry.crack} - {""}:
            self._known_again(label)

    def _known_again(self, label: str) -> None:
        self._known = {key: e for key, e in self._known.items() if key[0] != label}
        self._known |= _known_of(self._of(label))

    def _of(self, label: str) -> list[CrackEntry]:
        """Return what stands of a crack, in the order in which it was read."""
        same = label.casefold()
        found = [e for e in self._standing.values() if e.crack.casefold() == same]
        return sorted(found, key=_read_when)

    def _taken(self, given: CrackGiven, new: CrackEntry) -> Taken:
        new = replace(new, number=self.number, cycle=_count(given, new.cycle))
        values = dict(given.values)
        if given.corrects:
            return self._corrected(given, values, new)
        if not values.get("crack"):
            return self._without_crack(values, new)
        values = self._same_crack(values)
        entry = replace(new, **values)
        kind = "reading" if _reads(values) else "picture"
        entry = replace(entry, kind=kind)
        check(entry, self._section)
        told = (self._clash(entry, None), self._beside(entry), self._same_picture(entry))
        return Taken(entry, _said(told))

    def _without_crack(self, values: dict[str, Any], new: CrackEntry) -> Taken:
        others = [name for name in values if name != "picture"]
        if not values:
            raise InputError("there is nothing of a crack; give its label")
        if others:
            raise InputError(f"which crack? {others[0]} is given, give its label too")
        entry = replace(new, **values, kind="picture")
        check(entry, self._section)
        return Taken(entry, self._same_picture(entry))

    def _corrected(self, given: CrackGiven, values: dict[str, Any], new: CrackEntry) -> Taken:
        wrong = self.standing_entry(given.corrects)
        if given.withdrawn:
            if values:
                raise InputError(
                    "an entry is withdrawn or corrected; give no values with the first"
                )
            if not new.text:
                raise InputError(f"say why entry {wrong.number} is withdrawn; give a text")
            return Taken(withdrawal(wrong, new), "")
        if wrong.fact:
            raise InputError(
                f"entry {wrong.number} is of what was found after the end; say it anew, the newest "
                "counts"
            )
        if not values and not new.text:
            raise InputError(f"what is right of entry {wrong.number}? give at least one value")
        kept = {name: getattr(wrong, name) for name in (*NUMBERS, *WORDS)}
        right = {**kept, **values}
        right["crack"] = self._spelled(right["crack"])
        if not right["crack"] and any(right[name] for name in ("face", "direction", "lost")):
            raise InputError(f"entry {wrong.number} is of no crack; give the label of one too")
        text = new.text or wrong.text
        entry = replace(new, **right, kind="correction", corrects=wrong.number, text=text)
        check(entry, self._section)
        return Taken(entry, self._clash(entry, wrong))

    def standing_entry(self, number: int) -> CrackEntry:
        """Return what stands in the place of an entry. Raises InputError."""
        last = self.number - 1
        if not 1 <= number <= last:
            there = f"there are 1 to {last}" if last else "there is none yet"
            raise InputError(f"there is no entry {number} to correct; {there}")
        while number not in self._standing:
            # A correction stands for the entry it corrects.
            corrects = next((e.corrects for e in self.entries if e.number == number), 0)
            if not 0 < corrects < number:
                raise InputError(f"entry {number} is withdrawn; write a new one")
            number = corrects
        return self._standing[number]

    def _same_crack(self, values: dict[str, Any]) -> dict[str, Any]:
        """Return values of a reading with label and face as they are known of its crack."""
        known = [*_known_of(self._of(values["crack"])).values()]
        if not known:
            needed = ("face",) if values.get("face") in ENDS else ("face", "position")
            missing = [name for name in needed if _is_blank(values.get(name, ""))]
            if missing:
                words = {"face": "its face", "position": "its place along the span"}
                raise InputError(
                    f"{values['crack']} is not known yet; give {words[missing[0]]} too"
                )
            return values
        faces = tuple(dict.fromkeys(entry.face for entry in known))
        if "face" not in values and len(faces) > 1:
            raise InputError(f"{known[0].crack} is on {' and '.join(faces)}; say which is meant")
        return {"face": faces[0], **values, "crack": known[0].crack}

    def known(self) -> tuple[CrackEntry, ...]:
        """Return each crack on each face as it was read last, face by face along the span.

        What was not read last is as it was read before.
        """
        return tuple(sorted(self._known.values(), key=_along))

    def _spelled(self, label: str) -> str:
        """Return a label as it was written first, whatever its capitals."""
        return next((entry.crack for entry in self._of(label)), label)

    def _clash(self, entry: CrackEntry, wrong: CrackEntry | None) -> str:
        """Refuse a label that means another crack; return what is to be told of the reading.

        The correction of a `wrong` entry that keeps its label is told alone: where several are
        wrong, one of them has to be the first to be put right.
        """
        if entry.kind == "picture" or not entry.crack:
            return ""
        number = wrong.number if wrong else 0
        others = [e for e in self._of(entry.crack) if e.number != number]
        same = [*_known_of(others).values()]
        clashes = [text for known in same if (text := self._another(entry, known))]
        if wrong is not None and wrong.crack == entry.crack:
            return _said(clashes)
        if clashes:
            raise InputError(clashes[0])
        if wrong is not None:
            return ""
        earlier = _known_of(e for e in others if e.cycle <= entry.cycle)
        before = earlier.get((entry.crack, entry.face), entry)
        return _said(_shrunk(entry, before, name) for name in _LESS)

    def _another(self, entry: CrackEntry, known: CrackEntry) -> str:
        """Return why an entry is of another crack than what is known by its label, "" if not."""
        wrong = f"it is another crack and needs its own label, or correct entry {known.number}"
        if entry.direction and known.direction and entry.direction != known.direction:
            return f"{known.crack} is {known.direction} since it was found; {wrong}"
        span = self._section.span if self._section is not None else math.inf
        apart = abs(entry.position - known.position)
        if entry.face == known.face and apart > SAME_PLACE * span:
            return f"{place(known)}: {millimetres(apart)} away; {wrong}"
        return ""

    def _beside(self, entry: CrackEntry) -> str:
        """Tell of a new crack that is where another is known."""
        if (entry.crack, entry.face) in self._known:
            return ""
        near = (
            known
            for known in self._known.values()
            if known.face == entry.face
            and known.crack != entry.crack
            and abs(known.position - entry.position) <= ONE_PLACE
            and (not entry.direction or known.direction in ("", entry.direction))
        )
        known = next(near, None)
        if known is None:
            return ""
        return f"{place(known)} is there too: withdraw one of them if they are one crack"

    def _same_picture(self, entry: CrackEntry) -> str:
        """Tell of a picture that stands in the log already."""
        if not entry.picture:
            return ""
        same = (e.number for e in self._standing.values() if e.picture == entry.picture)
        number = next(same, 0)
        return f"it is the same picture as that of entry {number}" if number else ""


def withdrawal(wrong: CrackEntry, new: CrackEntry) -> CrackEntry:
    """Return `new`, which says why, as what takes the entry `wrong` back."""
    return replace(new, kind="correction", corrects=wrong.number, fact=WITHDRAWN)


def _count(given: CrackGiven, now: int) -> int:
    """Return the count of cycles at which something was read. Raises InputError."""
    if given.read_at is None:
        return now
    if given.corrects:
        raise InputError(
            "a correction stays at the count of its entry; withdraw that and write it anew"
        )
    if not 0 <= given.read_at <= now:
        raise InputError(f"cycle {given.read_at:,} is none of this test so far; it is at {now:,}")
    return given.read_at


def _said(texts: Iterable[str]) -> str:
    return "; ".join(text for text in texts if text)


def _read_when(entry: CrackEntry) -> tuple[int, int]:
    return entry.cycle, entry.number


def _known_of(entries: Iterable[CrackEntry]) -> dict[tuple[str, str], CrackEntry]:
    known: dict[tuple[str, str], CrackEntry] = {}
    for entry in entries:
        if entry.kind == "reading":
            _join(known, entry)
    return known


def _along(entry: CrackEntry) -> tuple[int, float, int]:
    at = math.inf if math.isnan(entry.position) else entry.position
    face = FACES.index(entry.face) if entry.face in FACES else len(FACES)
    return face, at, entry.number


def _join(known: dict[tuple[str, str], CrackEntry], entry: CrackEntry) -> None:
    """Put a reading in the place of the one before of its crack; what it lacks is kept."""
    key = (entry.crack, entry.face)
    before = known.get(key, entry)
    numbers = {name: getattr(before, name) for name in NUMBERS if math.isnan(getattr(entry, name))}
    direction = entry.direction or before.direction
    known[key] = replace(entry, direction=direction, **numbers)


def _is_blank(value: str | float) -> bool:
    return value == "" or (isinstance(value, float) and math.isnan(value))


def _reads(values: Mapping[str, Any]) -> bool:
    """Tell a reading from a picture of a crack."""
    return "picture" not in values or any(
        name in values for name in (*NUMBERS, "direction", "lost")
    )


def _shrunk(entry: CrackEntry, before: CrackEntry, name: str) -> str:
    now, then = getattr(entry, name), getattr(before, name)
    if not now < then:
        return ""
    return (
        f"{_LESS[name]} than last time: {millimetres(then)} -> {millimetres(now)}; written all the "
        "same"
    )
