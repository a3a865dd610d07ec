"""The journal, the truth of a run: one SQLite file, written in whole transactions.

Nothing reaches SQLite before a commit: what is to be written waits in memory, so that a commit
that fails (disk full) changes nothing and can be tried again. Every statement can be repeated,
because a disk may fail after it has written.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from rig.clock import real_seconds
from rig.errors import StorageError
from rig.record import plain
from rig.record.entries import Ending, FullRateRecord, RunHeader, StaticRecord
from rig.record.hold import Hold
from rig.record.sealing import checksum, join, seal
from rig.record.trouble import storage, sync_file, sync_folder
from rig.samples import SampleArray

JOURNAL: Final = "journal.db"
VERSION: Final = 1
PAGE: Final = 4096
"""Bytes a page of the journal's file."""
READERS: Final = 10.0
"""How long a record that ends waits for those who still read its journal [s]."""
_LOOK_EVERY: Final = 0.02
_LOG_KEPT: Final = 64_000_000
"""What of a long log stays on the disk once nobody reads it any more [B]."""
_SCHEMA: Final = """
CREATE TABLE meta (key TEXT PRIMARY KEY, body TEXT NOT NULL, crc INTEGER NOT NULL) STRICT;
CREATE TABLE entry (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL,
    crc INTEGER NOT NULL) STRICT;
CREATE TABLE samples (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, head TEXT NOT NULL,
    body BLOB NOT NULL, crc INTEGER NOT NULL) STRICT;
CREATE TABLE chunk (kind TEXT NOT NULL, first INTEGER NOT NULL, rows INTEGER NOT NULL,
    body BLOB NOT NULL, crc INTEGER NOT NULL, PRIMARY KEY (kind, first)) STRICT;
"""


def chunk_label(kind: str, first: int, rows: int) -> str:
    """Return what the checksum of a chunk covers besides its body."""
    return f"{kind} rows {first} to {first + rows}"


def entry_label(kind: str, seq: int) -> str:
    """Return what the checksum of an entry of a list covers besides its body."""
    return f"{kind} {seq}"


def samples_label(kind: str, seq: int, head: str) -> str:
    """Return what the checksum of a stretch of samples covers besides its body."""
    return f"{kind} samples {seq} {head}"


def refuse_empty(path: Path) -> None:
    """Raise StorageError for a journal of no bytes, OSError for none at all.

    SQLite takes an empty file for a new one, and the log beside it for one of a file long gone:
    it would take that away, and what may be the whole record with it.
    """
    if path.stat().st_size == 0:
        raise StorageError(
            f"{path}: the journal is damaged: it is empty; keep a copy of the folder before "
            "anything else"
        )


def printable(text: str) -> str:
    """Return text that every program can hold: no NUL, no half of a surrogate pair."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}").encode(errors="replace").decode()


def sample_values(folder: Path, record: StaticRecord | FullRateRecord) -> SampleArray:
    """Return a record's samples as they are kept: float32 (channels, frames), contiguous.

    Raises StorageError if they do not fit the record's channels.
    """
    values = np.ascontiguousarray(record.values, dtype="<f4")
    if values.ndim != 2 or len(values) != len(record.channels):
        raise StorageError(
            f"{folder / JOURNAL}: samples of shape {values.shape} do not fit "
            f"{len(record.channels)} channels; nothing of them was recorded"
        )
    return values


def _create(folder: Path, header: RunHeader) -> None:
    # Under its name only when it is whole.
    new, path = folder / (JOURNAL + ".new"), folder / JOURNAL
    with storage(path, "make the journal"):
        db = _connect(new)
        try:
            db.executescript(_SCHEMA)
            db.execute("BEGIN IMMEDIATE")
            for key, text in (("version", str(VERSION)), ("header", header.to_json())):
                db.execute(*_meta(key, text))
            db.execute("COMMIT")
        finally:
            db.close()
        sync_file(new)
        os.rename(new, path)
        sync_folder(folder)
        sync_folder(folder.parent)


def _connect(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=10.0)
    try:
        db.execute(f"PRAGMA page_size={PAGE}")
        # What was replaced must not come up again when a damaged journal is read page by page.
        db.execute("PRAGMA secure_delete=ON")
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        db.execute(f"PRAGMA journal_size_limit={_LOG_KEPT}")
    except sqlite3.Error:
        db.close()
        raise
    return db


def _writable(path: Path) -> sqlite3.Connection:
    """Return a connection that can write.

    A reader of this process that began beside one that keeps the log's index shares it, and with
    it every connection made until that reader has closed.
    """
    until = real_seconds() + READERS
    while True:
        db = _connect(path)
        try:
            db.execute("BEGIN IMMEDIATE")
            db.execute("ROLLBACK")
        except sqlite3.OperationalError as error:
            db.close()
            readonly = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY
            if not readonly or real_seconds() >= until:
                raise
            threading.Event().wait(_LOOK_EVERY)
        else:
            return db


def _meta(key: str, text: str) -> tuple[str, tuple[str, str, int]]:
    body = text.encode()
    return "INSERT OR REPLACE INTO meta VALUES (?, ?, ?)", (key, text, checksum(key, body))


class JournalWriter:
    """Appends to a journal of one folder; the only writer there, as its `Hold` makes sure.

    Raises StorageError if another process writes, or the journal is not there. `received`, where
    somebody counts messages, is kept in the same transaction as what the messages brought.
    """

    def __init__(self, folder: Path, hold: Hold | None = None) -> None:
        self.received: int | None = None
        self._path = folder / JOURNAL
        self._waiting: list[tuple[str, tuple[object, ...]]] = []
        self._meta: dict[str, str] = {}
        self._hold = hold or Hold(folder)
        try:
            self._open()
        except StorageError:
            self._hold.close()
            raise

    def _open(self) -> None:
        with storage(self._path, "open the journal"):
            refuse_empty(self._path)
            self._db = _writable(self._path)
            try:
                self._entries = self._count("entry")
                self._samples = self._count("samples")
            except sqlite3.Error:
                self._db.close()
                raise

    @staticmethod
    def create(folder: Path, header: RunHeader, hold: Hold | None = None) -> JournalWriter:
        """Make the journal of a new folder with its header committed, and open it."""
        hold = hold or Hold(folder)
        try:
            _create(folder, header)
        except StorageError:
            hold.close()
            raise
        return JournalWriter(folder, hold)

    def _count(self, table: str) -> int:
        found = self._db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()  # noqa: S608 - fixed table names
        return int(found[0])

    def entry(self, kind: str, *values: object) -> None:
        """Add a row to one of the short lists."""
        self._entries += 1
        clean = [printable(v) if isinstance(v, str) else v for v in values]
        text = json.dumps(clean, ensure_ascii=False, default=plain.special)
        crc = checksum(entry_label(kind, self._entries), text.encode())
        row = (self._entries, kind, text, crc)
        self._waiting.append(("INSERT OR REPLACE INTO entry VALUES (?, ?, ?, ?)", row))

    def samples(self, kind: str, record: StaticRecord | FullRateRecord) -> None:
        """Add a stretch of samples with its record."""
        values = sample_values(self._path.parent, record)
        self._samples += 1
        head = {name: getattr(record, name) for name in record.__slots__ if name != "values"}
        text = json.dumps(
            head | {"frames": values.shape[1]}, ensure_ascii=False, default=plain.special
        )
        self._sample_row(kind, text, join([seal(row) for row in values]))

    def kept_in_file(self, head: Mapping[str, object]) -> None:
        """Add a full-rate record whose samples are in run.h5 alone; see `kept_samples`."""
        self._samples += 1
        self._sample_row("full_rate", json.dumps(head, ensure_ascii=False), b"")

    def give_up_kept(self, why: str) -> None:
        """Forget the samples that run.h5 alone held, and tell why in an event."""
        self._waiting.append(("DELETE FROM samples WHERE kind = 'full_rate'", ()))
        self.entry("events", 0.0, 0, "record", why)

    def _sample_row(self, kind: str, text: str, body: bytes) -> None:
        crc = checksum(samples_label(kind, self._samples, text), body)
        row = (self._samples, kind, text, body, crc)
        self._waiting.append(("INSERT OR REPLACE INTO samples VALUES (?, ?, ?, ?, ?)", row))

    def chunk(self, kind: str, first: int, rows: int, body: bytes) -> None:
        """Add sealed rows; whatever was written from row `first` on is replaced."""
        crc = checksum(chunk_label(kind, first, rows), body)
        self.cut(kind, first)
        row = (kind, first, rows, body, crc)
        self._waiting.append(("INSERT OR REPLACE INTO chunk VALUES (?, ?, ?, ?, ?)", row))

    def cut(self, kind: str, first: int) -> None:
        """Take sealed rows away from row `first` on, where a piece must begin."""
        self._waiting.append(("DELETE FROM chunk WHERE kind = ? AND first >= ?", (kind, first)))

    def go_on(self) -> None:
        """Take the ending away, and with it what is known of a run file."""
        self._waiting.append(("DELETE FROM meta WHERE key IN ('ending', 'run_file')", ()))

    def outdate(self) -> None:
        """Forget the digest of the run file: what is added with it is not in there yet."""
        self._waiting.append(("DELETE FROM meta WHERE key = 'run_file'", ()))

    def restart_point(self, values: Mapping[str, object]) -> None:
        """Keep the newest restart point."""
        self._meta["restart"] = plain.to_text(values)

    def status(self, text: str) -> None:
        """Keep the newest status, as `Status.to_json` writes it."""
        self._meta["status"] = printable(text)

    def ending(self, ending: Ending) -> None:
        """Keep how the run ended."""
        after = ending.residual
        if after is not None:
            after = replace(after, why=printable(after.why))
        self._meta["ending"] = replace(ending, why=printable(ending.why), residual=after).to_json()

    def run_file(self, digest: str) -> None:
        """Keep the digest of the run file that was made."""
        self._meta["run_file"] = digest

    def commit(self) -> None:
        """Write all that waits in one transaction. Raises StorageError; nothing is lost then."""
        if not self._waiting and not self._meta:
            return
        if self.received is not None:
            self._meta["received"] = str(self.received)
        with storage(self._path, "write to the journal"):
            try:
                self._db.execute("BEGIN IMMEDIATE")
                for statement, row in self._waiting:
                    self._db.execute(statement, row)
                for key, text in self._meta.items():
                    self._db.execute(*_meta(key, text))
                self._db.execute("COMMIT")
            except BaseException:
                # SQLite may have rolled back by itself already.
                with suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise
        self._waiting.clear()
        self._meta.clear()

    @property
    def log_size(self) -> int:
        """Length of the log beside journal.db [B]: some 4 MB, more while somebody reads on."""
        log = self._path.with_name(JOURNAL + "-wal")
        return log.stat().st_size if log.exists() else 0

    def settle(self, readers: float = READERS) -> None:
        """Move the log into journal.db and take it away, so that one file holds everything.

        That needs a moment in which nobody else has the journal open, and is tried for as long
        as `readers` [s]. After that as much of the log is moved as the readers left allow;
        journal.db-wal and journal.db-shm stay, and until the next `settle` the record is whole
        only in the three files together. Raises StorageError for the disk, never for a reader.
        """
        until = real_seconds() + readers
        with storage(self._path, "put the journal into one file"):
            while not self._in_one_file():
                if real_seconds() >= until:
                    self._db.execute("PRAGMA busy_timeout=0")
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                    return
                threading.Event().wait(_LOOK_EVERY)

    def _in_one_file(self) -> bool:
        # Out of WAL mode, because a reader that leaves last cannot take the log away: it may
        # not write. SQLite does not wait for anybody here, whatever its timeout.
        try:
            self._db.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise
            return False
        return True

    def close(self) -> None:
        """Close without writing what waits, and let the folder go."""
        try:
            self._db.close()
        except sqlite3.Error as error:
            raise StorageError(f"{self._path}: cannot close the journal: {error}") from error
        finally:
            self._hold.close()


def settle(folder: Path, readers: float = READERS) -> None:
    """Put the journal of a folder that nobody writes into one file, as `JournalWriter.settle`."""
    with closing(JournalWriter(folder)) as journal:
        journal.settle(readers)
