"""The journal's log (journal.db-wal) as bytes: what of it holds, and what SQLite drops unsaid.

SQLite reads a log up to the first page that does not hold and forgets the rest without a word,
which is right after a power cut and a loss after damage. Format: the SQLite file format, section
"The Write-Ahead Log", and "WAL-mode File Format" for the index beside it.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError
from rig.record.journal import JOURNAL, PAGE
from rig.record.trouble import storage

_MAGIC: Final = (0x377F0682, 0x377F0683)
_HEADER: Final = struct.Struct(">8I")
_FRAME: Final = struct.Struct(">6I")
_INDEX: Final = struct.Struct("=4I")
Sums = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Frame:
    """A page in the log: its number, where its bytes begin, whether it ends a transaction."""

    page: int
    offset: int
    commits: bool
    holds: bool


@dataclass(frozen=True, slots=True)
class Log:
    """What a log holds.

    `frames` are those that hold, up to the last that ends a transaction, also behind a damaged
    one. `damage` is what cannot be but damage; `doubt` is what a power cut leaves too.
    """

    frames: tuple[Frame, ...] = ()
    damage: str = ""
    doubt: str = ""


def read_log(folder: Path) -> Log:
    """Read the log of a journal that nobody writes, before SQLite makes its index anew.

    Raises StorageError if the disk refuses.
    """
    path = folder / (JOURNAL + "-wal")
    with storage(path, "read the log of the journal"):
        index = _read(folder / (JOURNAL + "-shm"))
        try:
            with path.open("rb") as file:
                found = _look(file, index)
        except FileNotFoundError:
            found = Log(doubt=_lost_log(index))
    name = path.name
    return Log(
        found.frames,
        f"{name} {found.damage}" if found.damage else "",
        f"{name} {found.doubt}" if found.doubt else "",
    )


def refuse_damaged_log(folder: Path) -> None:
    """Raise StorageError where what was committed is lost out of the log of a journal."""
    if damage := read_log(folder).damage:
        raise StorageError(f"{folder / damage}; keep a copy of the folder before anything else")


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""


def _look(file: BinaryIO, index: bytes) -> Log:
    header = file.read(_HEADER.size)
    if not header:
        return Log(doubt=_lost_log(index))
    if len(header) < _HEADER.size:
        return Log(doubt="is cut short; what was recorded last may be missing")
    magic, *_, one, two = _HEADER.unpack(header)
    order = ">" if magic == _MAGIC[1] else "<"
    if magic not in _MAGIC or _sums(header[:24], order) != (one, two):
        first = file.read(_FRAME.size)
        if not first:
            return Log(doubt="has a damaged header and nothing else")
        # Its header is on the disk before any page is written behind it.
        file.seek(_HEADER.size)
        kept = _committed(_frames(file, first[8:16], "<", (one, two)))
        return Log(kept, "has a damaged header: all that is in it is passed over")
    frames = list(_frames(file, header[16:24], order, (one, two)))
    return _judged(frames, _indexed(index, header[16:24]))


def _judged(frames: list[Frame], known: int) -> Log:
    whole = next((n for n, frame in enumerate(frames) if not frame.holds), len(frames))
    counted = max((n + 1 for n, f in enumerate(frames[:whole]) if f.commits), default=0)
    kept = _committed(frames)
    damage = doubt = ""
    if known > counted:
        damage = (
            f"has lost its end: {known} pages were committed, {counted} hold; "
            "what was recorded last is missing"
        )
    elif any(a.holds and a.commits and b.holds for a, b in pairwise(frames[whole:])):
        # A commit is on the disk before the next one is written behind it.
        damage = (
            f"is damaged at page {whole + 1} of {len(frames)}: it and all after it is passed "
            "over; what was recorded last is missing"
        )
    elif len(frames) > counted:
        doubt = (
            "does not end with a whole commit: one was cut off, or is damaged; "
            "what was recorded last may be missing"
        )
    return Log(kept, damage, doubt)


def _frames(file: BinaryIO, salts: bytes, order: str, sums: Sums) -> Iterator[Frame]:
    """Yield the frames of the newest use of a log: older ones behind them carry other salts."""
    while head := file.read(_FRAME.size):
        start = file.tell()
        found = head[8:16]
        if found != salts and any(head) and salts[:4] != found[:4] and salts[4:] != found[4:]:
            return
        page = file.read(PAGE)
        if len(page) < PAGE or not any(head):
            yield Frame(0, start, commits=False, holds=False)
            # Zeros have no sums to go on from; what follows them does not hold either.
            sums = (0, 0)
            continue
        number, pages, _, _, *stored = _FRAME.unpack(head)
        holds = found == salts and _sums(head[:8] + page, order, sums) == tuple(stored)
        yield Frame(number, start, pages > 0, holds)
        sums = (stored[0], stored[1])


def _committed(frames: Iterable[Frame]) -> tuple[Frame, ...]:
    found = list(frames)
    last = max((n for n, frame in enumerate(found) if frame.holds and frame.commits), default=-1)
    return tuple(frame for frame in found[: last + 1] if frame.holds)


def _indexed(index: bytes, salts: bytes) -> int:
    """Return how many pages of a log its index knows to be committed; 0 if it tells nothing."""
    head, again = index[:48], index[48:96]
    if len(again) < 48 or head != again or head[32:40] != salts:
        return 0
    order = ">" if head[13] else "<"
    sums = _sums(head[:40], order)
    return _INDEX.unpack_from(head, 4)[3] if sums == struct.unpack("=2I", head[40:48]) else 0


def _lost_log(index: bytes) -> str:
    known = _indexed(index, index[32:40])
    done = int(struct.unpack_from("=I", index, 96)[0]) if len(index) >= 100 else 0
    if known > done:
        return f"is gone or empty, though its index knows of {known - done} pages in it"
    return ""


def _sums(data: bytes, order: str, before: Sums = (0, 0)) -> Sums:
    """Return SQLite's checksum of bytes, a multiple of eight, that go on from two sums."""
    words = np.frombuffer(data, f"{order}u4").astype(np.uint32)
    first, second, start = _weights(len(words) // 2)
    one = int((words * first).sum(dtype=np.uint32)) + start[0] * before[0] + start[1] * before[1]
    two = int((words * second).sum(dtype=np.uint32)) + start[2] * before[0] + start[3] * before[1]
    return one & 0xFFFFFFFF, two & 0xFFFFFFFF


@cache
def _weights(steps: int) -> tuple[NDArray[np.uint32], NDArray[np.uint32], tuple[int, ...]]:
    """Return what each word, and each sum before, counts for in the two sums at the end.

    A step takes the words x, y: s += x + t; t += y + s. All of it is linear modulo 2**32.
    """
    first, second = np.empty(2 * steps, np.uint32), np.empty(2 * steps, np.uint32)
    a, b, c, d = 1, 0, 0, 1
    for step in reversed(range(steps)):
        first[2 * step : 2 * step + 2] = (a + b) & 0xFFFFFFFF, b
        second[2 * step : 2 * step + 2] = (c + d) & 0xFFFFFFFF, d
        a, b = (a + b) & 0xFFFFFFFF, (a + 2 * b) & 0xFFFFFFFF
        c, d = (c + d) & 0xFFFFFFFF, (c + 2 * d) & 0xFFFFFFFF
    return first, second, (a, b, c, d)
