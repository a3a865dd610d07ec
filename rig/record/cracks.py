"""The crack log: what people read, photographed and found, entry by entry, and what stands of it.

An entry is never changed nor taken out: a correction is an entry that follows it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final, Protocol

from rig.record.entries import LISTS

CRACKS: Final = "cracks"
"""The short list that holds the crack log."""
FACES: Final = ("front", "back", "bottom", "top", "left-end", "right-end")
DIRECTIONS: Final = ("flexural", "longitudinal", "inclined")
KINDS: Final = ("reading", "picture", "words", "correction", "after-test")
NO_RUST: Final = "none"
"""What is said where somebody looked for rust and there was none."""
FACTS: Final = ("mode", "valid", "void", "wires", "rust")
"""What an entry of kind "after-test" tells."""
WITHDRAWN: Final = "withdrawn"
"""The fact of a correction that takes an entry back instead of putting another in its place."""
NAN: Final = math.nan


@dataclass(frozen=True, slots=True)
class CrackEntry:
    """One entry of the crack log.

    `number` counts the entries from 1 on. `time` is the test time [s] at which it was written,
    `cycle` the count at which it was read, the specimen standing; `at_utc` is when it was written
    where that was after the end, else "". `kind` is one of `KINDS`.

    A reading is of a `crack`, by its label, on one of `FACES`: `position` [m] along the span from
    the left support, `height` [m] of its tip above the soffit, one of `DIRECTIONS`, `width` [m],
    `length` [m], `lost` material in words. NaN or "" is what was not read. `picture` is the SHA-256
    of one, of a crack or, without a label, of the inspection.

    A correction has in `corrects` the number of the entry whose place it takes, and all that is to
    stand there; with the fact `WITHDRAWN` nothing is. An entry "after-test" has one of `FACTS`:
    its words are `text` (the mode; why it is void; where wires broke; the rust, or "none"), and
    `wires` how many broke.
    """

    number: int
    time: float
    cycle: int
    kind: str
    by: str = ""
    text: str = ""
    crack: str = ""
    face: str = ""
    position: float = NAN
    height: float = NAN
    direction: str = ""
    width: float = NAN
    length: float = NAN
    lost: str = ""
    corrects: int = 0
    picture: str = ""
    fact: str = ""
    wires: int = 0
    at_utc: str = ""

    def row(self) -> tuple[Any, ...]:
        """Return the entry as a row of the list `CRACKS`."""
        return tuple(getattr(self, name) for name in _attributes())


def _attributes() -> list[str]:
    # In an exported file the column "number" is that of a cycle.
    return ["number" if field.name == "entry" else field.name for field in LISTS[CRACKS]]


@dataclass(frozen=True, slots=True)
class Found:
    """What was found after the end, as it stands; None or "" where nobody said.

    `mode` of failure; whether the test is `valid`, with `void_reason`; `wires_broken` and where;
    `rust` in words, "none" where somebody looked and there was none; other `words`.
    """

    mode: str = ""
    valid: bool | None = None
    void_reason: str = ""
    wires_broken: int | None = None
    wires_where: str = ""
    rust: str = ""
    words: tuple[str, ...] = ()


NOTHING: Final = Found()
"""Nobody said anything after the end."""


class HasLists(Protocol):
    """A journal, a run file or a recording."""

    def entries(self, kind: str) -> list[tuple[Any, ...]]:
        """Return the rows of a short list."""


def read_cracks(source: HasLists) -> tuple[CrackEntry, ...]:
    """Return all entries of the crack log in order. Raises StorageError.

    Rows of records made before the log had columns are words.
    """
    names = _attributes()
    found = []
    for place, row in enumerate(source.entries(CRACKS), start=1):
        given = dict(zip(names, row, strict=True))
        if not given["kind"]:
            given |= {"kind": "words", "number": place}
        found.append(CrackEntry(**given))
    return tuple(found)


def standing(entries: Iterable[CrackEntry]) -> tuple[CrackEntry, ...]:
    """Return the entries as they stand after their corrections, those withdrawn left out.

    Each keeps the number, time, count and kind of the entry that was corrected, whose inspection
    it belongs to; `by`, `at_utc` and the values are those of its last correction.
    """
    found: dict[int, CrackEntry | None] = {}
    firsts: dict[int, CrackEntry] = {}
    roots = _Roots()
    for entry in entries:
        root = roots.of(entry)
        if entry.kind != "correction":
            firsts[root] = found[root] = entry
        elif root in firsts:
            found[root] = in_place(firsts[root], entry)
    return tuple(entry for _, entry in sorted(found.items()) if entry is not None)


def in_place(first: CrackEntry, correction: CrackEntry) -> CrackEntry | None:
    """Return what stands in the place of an entry after its correction, None for nothing."""
    if correction.fact == WITHDRAWN:
        return None
    kept = {name: getattr(first, name) for name in ("number", "time", "cycle", "kind")}
    return replace(correction, corrects=0, **kept)


def corrections(entries: Iterable[CrackEntry]) -> dict[int, tuple[CrackEntry, ...]]:
    """Return the corrections of each entry that has any, by its number, in their order."""
    found: dict[int, tuple[CrackEntry, ...]] = {}
    roots = _Roots()
    for entry in entries:
        root = roots.of(entry)
        if entry.kind == "correction":
            found[root] = (*found.get(root, ()), entry)
    return found


class _Roots:
    """Which entry it is that a correction, or one of a correction, corrects in the end."""

    def __init__(self) -> None:
        self._root: dict[int, int] = {}

    def of(self, entry: CrackEntry) -> int:
        corrected = entry.corrects if entry.kind == "correction" else entry.number
        self._root[entry.number] = self._root.get(corrected, corrected)
        return self._root[entry.number]


def placed(entries: Iterable[CrackEntry]) -> tuple[CrackEntry, ...]:
    """Return the readings that stand, each with place and direction of its crack where it has none.

    A later reading need not say again where the crack is: position and direction are those of the
    nearest reading of it on the same face that tells them, one before it first.
    """
    readings = [entry for entry in standing(entries) if entry.kind == "reading"]
    known: dict[tuple[str, str], CrackEntry] = {}
    found = []
    for entry in (*reversed(readings), *readings):
        key = (entry.crack.casefold(), entry.face)
        filled = _where(entry, known.get(key, entry))
        known[key] = filled
        found.append(filled)
    return tuple(found[len(readings) :])


def _where(entry: CrackEntry, known: CrackEntry) -> CrackEntry:
    position = known.position if math.isnan(entry.position) else entry.position
    return replace(entry, position=position, direction=entry.direction or known.direction)


def found_after(entries: Iterable[CrackEntry]) -> Found:
    """Return what was found after the end: of each fact the newest that stands."""
    told: dict[str, Any] = {}
    words: list[str] = []
    for entry in standing(entries):
        if entry.kind == "words" and entry.at_utc:
            words.append(entry.text)
        if entry.kind == "after-test":
            told |= _told(entry)
    return Found(**told, words=tuple(words))


def _told(entry: CrackEntry) -> dict[str, Any]:
    if entry.fact in {"valid", "void"}:
        void = entry.fact == "void"
        return {"valid": not void, "void_reason": entry.text if void else ""}
    if entry.fact == "wires":
        return {"wires_broken": entry.wires, "wires_where": entry.text}
    return {entry.fact: entry.text} if entry.fact in {"mode", "rust"} else {}
