"""Reading a journal: of a live run, after a crash, or of a finished one."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np

from rig.errors import StorageError
from rig.record import plain
from rig.record.entries import (
    LISTS,
    Ending,
    Event,
    Field,
    FullRateRecord,
    RunHeader,
    StaticRecord,
    filled,
    tables,
)
from rig.record.journal import (
    JOURNAL,
    VERSION,
    chunk_label,
    entry_label,
    refuse_empty,
    samples_label,
)
from rig.record.kept_samples import SHA256, kept_pieces
from rig.record.sealing import CHUNK_ROWS, AnyArray, check, split, unseal
from rig.record.status import Status
from rig.record.trouble import storage

_LOG_HEADER: Final = 32


@dataclass(frozen=True, slots=True)
class Chunk:
    """Rows [`first`, `first + rows`) of a table, one sealed part a column."""

    first: int
    rows: int
    parts: list[bytes]
    fields: tuple[Field, ...]

    @property
    def is_whole(self) -> bool:
        """Whether its parts are chunks of the run file, byte for byte."""
        return self.rows == CHUNK_ROWS and self.first % CHUNK_ROWS == 0

    def columns(self) -> dict[str, AnyArray]:
        """Return the columns by name."""
        return {f.name: self.column(i) for i, f in enumerate(self.fields)}

    def column(self, index: int) -> AnyArray:
        """Return one column, shape (rows,)."""
        return unseal(self.parts[index], self.fields[index].dtype, self.rows)


class OtherVersion(Exception):
    """Why a journal cannot be read although nothing of it is damaged: the cause of the error."""


class Journal:
    """A journal open for reading; a context manager. Use one in the thread that made it.

    With `keep_index` the index of a log that a crash left stays as it is: it tells whether the log
    has lost its end. No writer may be opened in this process meanwhile: it could not write.
    """

    def __init__(self, folder: Path, *, keep_index: bool = False) -> None:
        self.path = folder / JOURNAL
        self.samples_in = folder / "run.h5"
        with storage(self.path, "read the journal"):
            if _size(self.path) is None:
                raise StorageError(f"{self.path}: there is no journal; name the folder of a run")
            refuse_empty(self.path)
            uri = f"{self.path.absolute().as_uri()}?{_query(self.path, keep_index=keep_index)}"
            self._db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10.0)
        try:
            self._meta = self._read_meta()
        except StorageError:
            self._db.close()
            raise
        try:
            self.header = RunHeader.from_json(self._meta["header"])
            self.tables = tables(self.header)
        except (TypeError, KeyError, ValueError, AttributeError) as error:
            self._db.close()
            raise self._other(f"its header: {error}") from OtherVersion()

    def _read_meta(self) -> dict[str, str]:
        with storage(self.path, "read the journal"):
            # One snapshot for everything that is read: a live writer goes on beside it.
            self._db.execute("BEGIN")
            meta = list(self._db.execute("SELECT key, body, crc FROM meta"))
        for key, body, crc in meta:
            check(key, body, crc, str(self.path))
        found = {key: body for key, body, _ in meta}
        if found.get("version") != str(VERSION) or "header" not in found:
            version = found.get("version")
            raise self._other(f"{version}, this reads {VERSION}") from OtherVersion()
        return found

    def _other(self, what: str) -> StorageError:
        return StorageError(
            f"{self.path}: a journal of another version ({what}); read it with the version that "
            "wrote it"
        )

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the journal."""
        self._db.close()

    @property
    def ending(self) -> Ending | None:
        """How the run ended, or None if it did not."""
        text = self._meta.get("ending")
        try:
            return Ending.from_json(text) if text else None
        except (TypeError, ValueError) as error:
            raise self._other(f"its ending: {error}") from OtherVersion()

    @property
    def restart_point(self) -> dict[str, Any] | None:
        """The newest restart point, or None."""
        text = self._meta.get("restart")
        return plain.from_text(text) if text else None

    @property
    def status(self) -> Status | None:
        """The newest status; None before the first, or if this version cannot read it."""
        text = self._meta.get("status")
        try:
            return Status.from_json(text) if text else None
        except ValueError:
            return None

    @property
    def received(self) -> int:
        """Number of the last message whose content is committed, 0 where nobody counted."""
        return int(self._meta.get("received", "0"))

    @property
    def run_file(self) -> str | None:
        """Digest of the run file made last, or None."""
        return self._meta.get("run_file")

    def rows(self, kind: str) -> int:
        """Return the number of rows of "cycles", "build_up" or "slow"."""
        with storage(self.path, "read the journal"):
            query = "SELECT coalesce(max(first + rows), 0) FROM chunk WHERE kind = ?"
            return int(self._db.execute(query, (kind,)).fetchone()[0])

    def chunks(self, kind: str, start: int = 0) -> Iterator[Chunk]:
        """Yield the chunks of a table in order, from the one that begins with row `start` on.

        Raises StorageError for damage or a hole.
        """
        query = (
            "SELECT first, rows, body, crc FROM chunk WHERE kind = ? AND first >= ? ORDER BY first"
        )
        expected = start
        with storage(self.path, "read the journal"):
            for first, rows, body, crc in self._db.execute(query, (kind, start)):
                if first != expected:
                    raise StorageError(
                        f"{self.path}: the journal is damaged: {kind} rows {expected} to "
                        f"{first} are missing; keep a copy of the folder before anything else"
                    )
                yield self._chunk(kind, first, rows, body, crc)
                expected = first + rows

    def _chunk(self, kind: str, first: int, rows: int, body: bytes, crc: int) -> Chunk:
        check(chunk_label(kind, first, rows), body, crc, str(self.path))
        fields = self.tables[kind]
        return Chunk(first, rows, split(body, len(fields)), fields)

    def places(self, kind: str, start: int = 0) -> list[tuple[int, int]]:
        """Return first row and number of rows of each chunk, from row `start` on, unchecked.

        The content is not read. Chunks short of `CHUNK_ROWS` are pieces of the tail: while a run
        goes on they are joined, and one that begins with the same row may be longer next time.
        """
        query = "SELECT first, rows FROM chunk WHERE kind = ? AND first >= ? ORDER BY first"
        with storage(self.path, "read the journal"):
            return [(int(f), int(n)) for f, n in self._db.execute(query, (kind, start))]

    def chunk(self, kind: str, first: int) -> Chunk:
        """Return the chunk that begins with a row; StorageError if none does or it is damaged."""
        query = "SELECT first, rows, body, crc FROM chunk WHERE kind = ? AND first = ?"
        with storage(self.path, "read the journal"):
            found = self._db.execute(query, (kind, first)).fetchone()
            if found is not None:
                return self._chunk(kind, *found)
        raise StorageError(f"{self.path}: no {kind} chunk begins with row {first}; see `places`")

    def columns(self, kind: str, start: int = 0) -> dict[str, AnyArray]:
        """Return the rows of a table from row `start` on, by column, each of shape (rows,)."""
        fields = self.tables[kind]
        found = [c.columns() for c in self.chunks(kind) if c.first + c.rows > start]
        skip = start - (self.rows(kind) - sum(len(c[fields[0].name]) for c in found))
        empty = {f.name: np.empty(0, f.dtype) for f in fields}
        return {
            f.name: np.concatenate([empty[f.name], *(c[f.name] for c in found)])[max(skip, 0) :]
            for f in fields
        }

    def entries(self, kind: str) -> list[tuple[Any, ...]]:
        """Return the rows of one of the short lists, in the order of their fields."""
        return self._entries().get(kind, [])

    def _entries(self) -> dict[str, list[tuple[Any, ...]]]:
        found: dict[str, list[tuple[Any, ...]]] = {kind: [] for kind in LISTS}
        with storage(self.path, "read the journal"):
            rows = self._db.execute("SELECT seq, kind, body, crc FROM entry ORDER BY seq")
            for expected, (seq, kind, body, crc) in enumerate(rows, start=1):
                if seq != expected:
                    label = entry_label(kind, seq)
                    raise StorageError(f"{self.path}: the journal is damaged: {label} is missing")
                found[kind].append(self._entry(kind, seq, body, crc))
        return found

    def _entry(self, kind: str, seq: int, body: str, crc: int) -> tuple[Any, ...]:
        check(entry_label(kind, seq), body, crc, str(self.path))
        return filled(kind, json.loads(body))

    def events(self) -> list[Event]:
        """Return all events in the order in which they were recorded."""
        return [Event(*row) for row in self.entries("events")]

    def newest_events(self, count: int) -> list[Event]:
        """Return the last so many events, the newest last; read from the end, so soon done."""
        query = "SELECT kind, seq, body, crc FROM entry WHERE kind = 'events' ORDER BY seq DESC"
        with storage(self.path, "read the journal"):
            rows = self._db.execute(query + " LIMIT ?", (max(count, 0),)).fetchall()
            return [Event(*self._entry(*row)) for row in reversed(rows)]

    def events_after(self, entry: int, most: int) -> list[tuple[int, Event]]:
        """Return at most so many events that follow an entry of the lists, each with its entry.

        Entries are numbered from 1 on; 0 begins with the first event.
        """
        query = (
            "SELECT kind, seq, body, crc FROM entry WHERE seq > ? AND kind = 'events' "
            "ORDER BY seq LIMIT ?"
        )
        with storage(self.path, "read the journal"):
            rows = self._db.execute(query, (entry, most)).fetchall()
            return [(int(row[1]), Event(*self._entry(*row))) for row in rows]

    def full_rate(self) -> Iterator[FullRateRecord]:
        """Yield the full-rate records in order; that of an imported run comes in pieces.

        Its samples are read from the run file, `samples_in`, and held against their hash, which
        is told at its end. Raises StorageError.
        """
        for head, values in self._samples("full_rate"):
            yield FullRateRecord(values=values, **head)

    def static(self) -> Iterator[StaticRecord]:
        """Yield the static checks in order."""
        for head, values in self._samples("static"):
            yield StaticRecord(values=values, **head)

    def samples(self, kind: str) -> Iterator[FullRateRecord | StaticRecord]:
        """Yield the records of "full_rate" or "static" in order."""
        return self.full_rate() if kind == "full_rate" else self.static()

    def sample_heads(self, kind: str) -> list[dict[str, Any]]:
        """Return what is known of each stretch of samples, without the samples."""
        query = "SELECT head FROM samples WHERE kind = ? ORDER BY seq"
        with storage(self.path, "read the journal"):
            return [json.loads(row[0]) for row in self._db.execute(query, (kind,))]

    def _samples(self, wanted: str) -> Iterator[tuple[dict[str, Any], Any]]:
        with storage(self.path, "read the journal"):
            for _, text, body in self._checked_samples(wanted):
                head = json.loads(text)
                if SHA256 in head:
                    yield from kept_pieces(self.samples_in, head)
                    continue
                frames, channels = head.pop("frames"), tuple(head.pop("channels"))
                parts = split(body, len(channels))
                values = np.empty((len(channels), frames), np.float32)
                for row, part in zip(values, parts, strict=True):
                    row[:] = unseal(part, "<f4", frames)
                yield head | {"channels": channels}, values

    def _checked_samples(self, wanted: str) -> Iterator[tuple[int, str, bytes]]:
        query = "SELECT seq, kind, head, body, crc FROM samples WHERE kind = ? ORDER BY seq"
        for seq, kind, text, body, crc in self._db.execute(query, (wanted,)):
            check(samples_label(kind, seq, text), body, crc, str(self.path))
            yield seq, text, body

    def whole(self) -> None:
        """Read everything. Raises StorageError for the first damage or hole."""
        self._pages_whole()
        for kind in self.tables:
            for _ in self.chunks(kind):
                pass
        self._entries()
        with storage(self.path, "read the journal"):
            found = sorted(
                seq for kind in ("static", "full_rate") for seq, _, _ in self._checked_samples(kind)
            )
        if missing := set(range(1, 1 + max(found, default=0))).difference(found):
            raise StorageError(
                f"{self.path}: the journal is damaged: samples {min(missing)} are missing; "
                "keep a copy of the folder before anything else"
            )

    def _pages_whole(self) -> None:
        """Raise StorageError if SQLite finds a damaged page."""
        with storage(self.path, "check the journal"):
            said = self._db.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if said != "ok":
            said = " ".join(str(said).split())
            raise StorageError(
                f"{self.path}: the journal is damaged: {said}; "
                "keep a copy of the folder before anything else"
            )


def _query(path: Path, *, keep_index: bool) -> str:
    """Return how a journal is opened for reading. Raises OSError where that cannot be known."""
    log = _size(path.with_name(JOURNAL + "-wal"))
    between_modes = _size(path.with_name(JOURNAL + "-journal")) is not None
    if log is None or (between_modes and log <= _LOG_HEADER):
        # Without a log beside it nobody writes, and a read-only folder can be read. A crash may
        # have come while SQLite began or ended the log: only its mark in the file differs then,
        # and a reader may not set that right.
        return "immutable=1"
    # Of a log that is nothing but a header SQLite would not come to an end with `readonly_shm`.
    index = log > _LOG_HEADER and _size(path.with_name(JOURNAL + "-shm")) is not None
    return "mode=ro&readonly_shm=1" if keep_index and index else "mode=ro"


def _size(path: Path) -> int | None:
    """Return the length of a file, None where there is none. Raises OSError if that is unknown."""
    try:
        found = os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None


def read_journal(folder: Path) -> Journal:
    """Open the journal of a run's folder for reading. Raises StorageError."""
    return Journal(folder)
