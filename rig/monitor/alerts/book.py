"""The book of a run's alerts: `alerts.jsonl` in its folder, one line for each thing done.

Lines are only ever added, each one synced before it counts, under a lock that the teller and the
command `alerts` share. A line that was cut off is dropped when the next one is written; one that
cannot be read is told and passed over.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from rig.monitor.alerts.desk import Desk, Line, with_line
from rig.record.trouble import storage, sync_folder

if sys.platform != "win32":
    import fcntl

NAME: Final = "alerts.jsonl"
PIECE: Final = 1 << 20
"""Bytes from the end among which the end of the last whole line is looked for, again and again."""


@dataclass(frozen=True, slots=True)
class Read:
    """A book as far as it was read: up to byte `place` and line `count`.

    `damaged` says of lines that were passed over which they are, and why.
    """

    desk: Desk = field(default_factory=Desk)
    place: int = 0
    count: int = 0
    damaged: tuple[str, ...] = ()


def book_of(folder: Path) -> Path:
    """Return the path of a run's book."""
    return folder / NAME


def read_on(folder: Path, before: Read) -> Read:
    """Return the book with the whole lines that were added since. Raises StorageError.

    There is nothing to read where there is no book. One that has become shorter was cut off or
    taken away by somebody: what it told counts, and what is in it by now is read as well.
    """
    path = book_of(folder)
    with storage(path, "read the alerts"):
        try:
            with open(path, "rb") as file:
                if os.fstat(file.fileno()).st_size < before.place:
                    told = f"{path}: it was cut off or replaced; it is read from its beginning"
                    before = Read(before.desk, damaged=(*before.damaged, told))
                file.seek(before.place)
                data = file.read()
        except FileNotFoundError:
            return before
    whole = data[: data.rfind(b"\n") + 1]
    desk, count, damaged = before.desk, before.count, list(before.damaged)
    for text in whole.split(b"\n")[:-1]:
        count += 1
        try:
            desk = with_line(desk, _line(text))
        except (ValueError, TypeError) as error:
            damaged.append(f"{path}:{count}: this line cannot be read ({error}); it is passed over")
    return Read(desk, before.place + len(whole), count, tuple(damaged))


def _line(text: bytes) -> Line:
    try:
        told = json.loads(text)
    except RecursionError as error:
        raise ValueError("too deep") from error
    if not isinstance(told, dict):
        raise TypeError("no object")
    return told


def write(folder: Path, lines: Iterable[Line]) -> None:
    """Add lines, durably. Raises StorageError where they are not, or may not be, in the book."""
    data = b"".join(
        json.dumps(line, ensure_ascii=False, allow_nan=False).encode(errors="replace") + b"\n"
        for line in lines
    )
    with storage(book_of(folder), "write the alerts"), _held(folder) as handle:
        _drop_torn(handle)
        place = os.lseek(handle, 0, os.SEEK_END)
        try:
            _write_all(handle, data)
            os.fsync(handle)
        except OSError:
            # Half a line would spoil the next one.
            os.ftruncate(handle, place)
            raise


@contextmanager
def _held(folder: Path) -> Iterator[int]:
    """Open the book for writing, make it where there is none, and hold it alone."""
    path = book_of(folder)
    made = not path.exists()
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        if sys.platform != "win32":
            fcntl.flock(handle, fcntl.LOCK_EX)
        if made:
            sync_folder(folder)
        yield handle
    finally:
        os.close(handle)


def _drop_torn(handle: int) -> None:
    """Cut off a last line without an end: whoever wrote it did not come to count on it."""
    size = end = os.lseek(handle, 0, os.SEEK_END)
    while end > 0:
        begin = max(end - PIECE, 0)
        found = os.pread(handle, end - begin, begin).rfind(b"\n")
        if found >= 0:
            end = begin + found + 1
            break
        end = begin
    if end < size:
        os.ftruncate(handle, end)


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]
