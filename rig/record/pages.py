"""Rows out of the pages of a journal that SQLite may not be able to read any more.

Every page that is laid out as a leaf of a table is read by itself, whether or not anything still
leads to it; the checksum that each row of a journal carries tells what is genuine. Format: the
SQLite file format, sections "B-tree Pages", "Record Format" and "Cell Payload Overflow Pages".
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.record.journal import JOURNAL, PAGE
from rig.record.log import Log
from rig.record.trouble import storage

Value = int | float | str | bytes | None
_LEAF: Final = 0x0D
_INTEGERS: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


@dataclass(frozen=True, slots=True)
class Row:
    """A row of some table: its number and its columns; `whole` is False where its end is lost."""

    number: int
    columns: tuple[Value, ...]
    whole: bool


class Pages:
    """The pages of a journal with what holds of its log laid over them, until `close`."""

    def __init__(self, folder: Path, log: Log) -> None:
        """Open both files. Raises StorageError if the disk refuses."""
        path = folder / JOURNAL
        self._over = {frame.page: frame.offset for frame in log.frames}
        with storage(path, "read the journal"), ExitStack() as opened:
            self._file = opened.enter_context(path.open("rb", buffering=0))
            self._log = self._file
            if self._over:
                log_path = path.with_name(JOURNAL + "-wal")
                self._log = opened.enter_context(log_path.open("rb", buffering=0))
            length = os.fstat(self._file.fileno()).st_size
            self._opened = opened.pop_all()
        self.count = max(-(-length // PAGE), *self._over, 0, 0)

    def close(self) -> None:
        """Close both files."""
        self._opened.close()

    def page(self, number: int) -> bytes:
        """Return a page, the first one being 1; b"" where there is none, or not all of it."""
        if number < 1:
            return b""
        start, file = (number - 1) * PAGE, self._file
        if number in self._over:
            start, file = self._over[number], self._log
        try:
            page = os.pread(file.fileno(), PAGE, start)
        except OSError:
            # One bad sector must not keep the others back.
            return b""
        return page if len(page) == PAGE else b""

    def rows(self) -> Iterator[Row]:
        """Yield every row that a leaf holds, in no order, also where it does not make sense."""
        # The first page holds the names of the tables.
        for number in range(2, self.count + 1):
            page = self.page(number)
            if page[:1] == bytes([_LEAF]):
                yield from self._leaf(page)

    def _leaf(self, page: bytes) -> Iterator[Row]:
        cells = int.from_bytes(page[3:5], "big")
        for place in range(8, min(8 + 2 * cells, len(page) - 1), 2):
            start = int.from_bytes(page[place : place + 2], "big")
            try:
                length, start = _varint(page, start)
                number, start = _varint(page, start)
                payload = self._payload(page, start, length)
                columns = tuple(_record(payload))
            except (IndexError, ValueError, struct.error):
                continue
            if columns:
                yield Row(number, columns, whole=len(payload) == length)

    def _payload(self, page: bytes, start: int, length: int) -> bytes:
        """Return the bytes of a row, with those on overflow pages as far as they go."""
        most = PAGE - 35
        if length <= most:
            return page[start : start + length]
        least = (PAGE - 12) * 32 // 255 - 23
        local = least + (length - least) % (PAGE - 4)
        local = local if local <= most else least
        parts, left = [page[start : start + local]], length - local
        following = int.from_bytes(page[start + local : start + local + 4], "big")
        while left > 0 and following and len(parts) <= self.count:
            more = self.page(following)
            parts.append(more[4:][:left])
            left -= PAGE - 4
            following = int.from_bytes(more[:4], "big")
        return b"".join(parts)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Return a number of one to nine bytes and where the next begins. Raises IndexError."""
    value = 0
    for place in range(at, at + 8):
        value = value << 7 | data[place] & 0x7F
        if data[place] < 0x80:
            return value, place + 1
    return value << 8 | data[at + 8], at + 9


def _record(payload: bytes) -> Iterator[Value]:
    """Yield the columns of a record as far as it goes. Raises ValueError, IndexError."""
    length, at = _varint(payload, 0)
    start = length
    while at < length and start <= len(payload):
        kind, at = _varint(payload, at)
        size = _INTEGERS.get(kind, (kind - 12) // 2 if kind >= 12 else 8 if kind == 7 else 0)
        part = payload[start : start + size]
        start += size
        if kind == 0:
            yield None
        elif kind in _INTEGERS:
            yield int.from_bytes(part, "big", signed=True)
        elif kind == 7:
            yield struct.unpack(">d", part)[0]
        elif kind in (8, 9):
            yield kind - 8
        elif kind >= 12:
            yield part.decode(errors="replace") if kind % 2 else part
        else:
            raise ValueError(f"no column is of kind {kind}")
