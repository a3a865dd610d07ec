"""What of a journal still holds, row by row, and what is missing between it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rig.record import plain
from rig.record.entries import LISTS, Ending, RunHeader
from rig.record.journal import chunk_label, entry_label, samples_label
from rig.record.log import Log
from rig.record.pages import Pages, Row
from rig.record.sealing import checksum

SAMPLE_KINDS: Final = ("static", "full_rate")
TABLES: Final = ("cycles", "build_up", "slow")
METADATA: Final = {
    "version": "the version of the format",
    "header": "the header (what the columns are; protocol, rig and specimen file)",
    "restart": "the restart point",
    "status": "the status",
    "ending": "the ending",
    "received": "the number of the last message received",
    "run_file": "the checksums of run.h5",
}
"""What there is one of, and how people call it."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Sealed rows [`first`, `first + rows`) of a table, of which the first `skip` are doubled."""

    first: int
    rows: int
    body: bytes
    skip: int = 0


@dataclass(frozen=True, slots=True)
class Hole:
    """What is missing: `count` of something from number `first` on; 0 where nobody can tell."""

    what: str
    first: int
    count: int
    words: str


@dataclass(slots=True)
class Remains:
    """The rows of a journal whose checksum holds, and the names of those where it does not."""

    meta: dict[str, str] = field(default_factory=dict)
    entries: dict[int, tuple[str, str]] = field(default_factory=dict)
    samples: dict[int, tuple[str, str, bytes]] = field(default_factory=dict)
    pieces: dict[str, list[Piece]] = field(default_factory=lambda: {kind: [] for kind in TABLES})
    bad: set[tuple[str, int, int]] = field(default_factory=set)

    @property
    def header(self) -> RunHeader | None:
        """The header, or None if it is lost."""
        text = self.meta.get("header")
        return RunHeader.from_json(text) if text else None

    @property
    def ending(self) -> Ending | None:
        """How the run ended, or None if it did not or that is lost."""
        text = self.meta.get("ending")
        return Ending.from_json(text) if text else None

    @property
    def recorded(self) -> Mapping[str, int]:
        """The rows of each table that the newest restart point knew of."""
        text = self.meta.get("restart")
        found: Mapping[str, Any] = plain.from_text(text).get("recorded", {}) if text else {}
        return {kind: int(found.get(kind, 0)) for kind in TABLES}

    def take(self, row: Row) -> None:
        """Keep a row if it is one of a journal's and its checksum holds, else its name."""
        match row.columns:
            case (None, str(kind), str(body), int(crc)) if kind in LISTS:
                if self._holds(entry_label(kind, row.number), body.encode(), crc, row):
                    self.entries[row.number] = kind, body
                else:
                    self.bad.add(("entries", row.number, 1))
            case (None, str(kind), str(head), bytes(body), int(crc)) if kind in SAMPLE_KINDS:
                if self._holds(samples_label(kind, row.number, head), body, crc, row):
                    self.samples[row.number] = kind, head, body
                else:
                    self.bad.add(("samples", row.number, 1))
            case (str(kind), int(first), int(rows), bytes(body), int(crc)) if kind in TABLES:
                if self._holds(chunk_label(kind, first, rows), body, crc, row):
                    self.pieces[kind].append(Piece(first, rows, body))
                else:
                    self.bad.add((kind, first, rows))
            case (str(key), str(body), int(crc)) if key in METADATA:
                if self._holds(key, body.encode(), crc, row):
                    self.meta[key] = body
                else:
                    self.bad.add((key, 0, 1))
            case _:
                self._name(row)

    @staticmethod
    def _holds(label: str, body: bytes, crc: int, row: Row) -> bool:
        return row.whole and checksum(label, body) == crc

    def _name(self, row: Row) -> None:
        """Keep the name of a row that has lost its end."""
        match row.columns:
            case (None, str(kind), *_) if kind in SAMPLE_KINDS:
                self.bad.add(("samples", row.number, 1))
            case (None, str(kind), *_) if kind in LISTS:
                self.bad.add(("entries", row.number, 1))
            case (str(kind), int(first), int(rows), *_) if kind in TABLES:
                self.bad.add((kind, first, rows))
            case (str(key), str(), *_) if key in METADATA:
                self.bad.add((key, 0, 1))


def gather(folder: Path, log: Log) -> Remains:
    """Read everything that holds. Raises StorageError if the disk refuses."""
    found = Remains()
    with closing(Pages(folder, log)) as pages:
        for row in pages.rows():
            found.take(row)
    for kind, pieces in found.pieces.items():
        found.pieces[kind] = _in_a_row(pieces)
    return found


def _in_a_row(pieces: Iterable[Piece]) -> list[Piece]:
    """Return pieces in order, with what an earlier one holds already left out."""
    kept: list[Piece] = []
    end = 0
    for piece in sorted(pieces, key=lambda p: (p.first, -p.rows)):
        skip = max(end - piece.first, 0)
        if skip < piece.rows:
            kept.append(Piece(piece.first, piece.rows, piece.body, skip))
            end = piece.first + piece.rows
    return kept


def stretches(pieces: Iterable[Piece]) -> list[tuple[int, int]]:
    """Return the stretches of rows without a hole, each as its first row and the one after."""
    found: list[tuple[int, int]] = []
    for piece in pieces:
        first, stop = piece.first + piece.skip, piece.first + piece.rows
        if found and found[-1][1] == first:
            first = found.pop()[0]
        found.append((first, stop))
    return found


def holes(remains: Remains) -> list[Hole]:
    """Return everything that is known to be missing."""
    found = []
    damaged = {"version", "header", *(what for what, _, _ in remains.bad)}
    for key, name in METADATA.items():
        if key in damaged and key not in remains.meta:
            found.append(Hole(key, 0, 1, f"{name} is lost"))
    for kind, pieces in remains.pieces.items():
        known = max(
            [first + rows for what, first, rows in remains.bad if what == kind],
            default=0,
        )
        known = max(known, remains.recorded[kind])
        for first, stop in _gaps(stretches(pieces), known):
            words = f"{kind} {first + 1} to {stop} are lost"
            found.append(Hole(kind, first, stop - first, words))
    for what, kept in (("entries", remains.entries), ("samples", remains.samples)):
        known = max([number for name, number, _ in remains.bad if name == what], default=0)
        spans = [(number, number + 1) for number in sorted(kept)]
        for first, stop in _gaps(spans, known + 1, 1):
            noun = "lists: entries" if what == "entries" else "stretches of samples:"
            words = f"{noun} {first} to {stop - 1} are lost"
            found.append(Hole(what, first, stop - first, words))
    return found


def _gaps(
    spans: Iterable[tuple[int, int]], known: int, begin: int = 0
) -> Iterable[tuple[int, int]]:
    """Yield what lies between spans, and after them where more is `known` to have been."""
    end = begin
    for first, stop in (*spans, (known, known)):
        if first > end:
            yield end, first
        end = max(end, stop)
