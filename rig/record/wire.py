"""Messages between a runner and its recorder process: a length, then a pickle.

To the recorder: `("create" | "resume" | "reopen", folder, header)` first, where "resume" refuses a
record that has ended and "reopen", of a later process that is to finish it, does not; then
`(number, method, arguments)` with numbers that rise by one, and `("finish", arguments)`. The
methods are those of `RunRecord`, and "nothing" where a newer message made an older one worthless.
From it: `("ready", number, counted)` with the last message and the last counted cycle that the
journal holds, `("durable", number, counted)` after each commit, `("trouble", text)` while the disk
refuses, `("noted", text)` for what people should know, `("refused", error, text)` if it could not
begin, `("choked", number, text)` before it dies of a message, `("left out", text)` for one that
does not go on from those before it, `("working",)` while it makes run.h5, and
`("finished", path)` or `("unfinished", text)`.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from rig.record.entries import AT_ONCE, Field
from rig.samples import Cycles

Message = tuple[Any, ...]
_LENGTH: Final = struct.Struct("<I")


def pack(message: Message) -> bytes:
    """Return a message as bytes that say how long they are."""
    body = pickle.dumps(message, protocol=5)
    return _LENGTH.pack(len(body)) + body


class Unpacker:
    """Messages out of a stream of bytes that is cut anywhere."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[Message]:
        """Take bytes and return the messages they completed."""
        self._buffer += data
        found: list[Message] = []
        start = 0
        with memoryview(self._buffer) as view:
            while len(view) >= start + _LENGTH.size:
                begin = start + _LENGTH.size
                end = begin + _LENGTH.unpack_from(view, start)[0]
                if len(view) < end:
                    break
                # The pipe joins two processes of one program; nobody else can write to it.
                found.append(pickle.loads(view[begin:end]))  # noqa: S301 - see above
                start = end
        del self._buffer[:start]
        return found


def commits(method: str, arguments: Message) -> bool:
    """Return whether the recorder commits as soon as it has taken this message."""
    return method == "commit" or (method == "event" and arguments[2] in AT_ONCE)


def packed_rows(fields: Sequence[Field], rows: Cycles) -> tuple[int, bytes]:
    """Return the number of rows and their columns' bytes: a tenth of what pickling costs."""
    columns = [np.asarray(rows.columns[f.name], f.dtype).tobytes() for f in fields]
    return len(rows), b"".join(columns)


def unpacked_rows(fields: Sequence[Field], count: int, body: bytes) -> Cycles:
    """Return the rows of `packed_rows`; the frames they span stay behind."""
    columns, start = {}, 0
    for field in fields:
        columns[field.name] = np.frombuffer(body, field.dtype, count, start)
        start += columns[field.name].nbytes
    frames = np.zeros(count, np.int64)
    return Cycles(columns, frames, frames, frames)
