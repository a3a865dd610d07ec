"""Where a runner's prints go: to `runner.log`, without ever holding the runner up.

Standard output and error are the end of a pipe that does not block; a thread copies it to the
disk. A disk that hangs holds the thread, a full pipe drops what does not fit. Room for the last
line is taken from the disk at once, because it may be the line that says that the disk is full.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.record.trouble import storage

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

LOG: Final = "runner.log"
MOST: Final = 1_000_000
"""Bytes of prints that are kept of one run."""
ROOM: Final = 8192
"""Bytes of the log that are taken from the disk before anything is printed."""
MORE: Final = b"... more was printed and dropped\n"
FLUSH_WITHIN: Final = 2.0  # [s] for the last words to reach the disk


class LastWords:
    """Takes all that is printed: under a hidden name until the run has its folder."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._path = out.parent / f".{out.name}.{os.getpid()}.log"
        self._kept = False
        with storage(self._path, "make the log"):
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
            file = os.open(self._path, flags, 0o644)
        # Not every file system can.
        with contextlib.suppress(OSError, AttributeError):
            os.posix_fallocate(file, 0, ROOM)
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        for number in (1, 2):
            os.dup2(writing, number)
        os.close(writing)
        sys.stdout = sys.stderr = io.TextIOWrapper(_Drops(), "utf-8", write_through=True)
        self._thread = threading.Thread(target=_copy, args=(reading, file), daemon=True)
        self._thread.start()

    def keep(self) -> None:
        """Move the log into the run's folder; that of a runner before this one stays beside it."""
        with storage(self._path, "move the log into the run's folder"):
            earlier, number = self._out / LOG, 1
            while (before := earlier.with_stem(f"{earlier.stem}-{number}")).exists():
                number += 1
            if earlier.exists():
                earlier.rename(before)
            self._path.rename(earlier)
        self._kept = True

    def drop(self) -> None:
        """Take the log away if the run never got its folder."""
        if not self._kept:
            self._path.unlink(missing_ok=True)

    def flush(self) -> None:
        """End the pipe and let its last words reach the disk, if the disk takes them."""
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for number in (1, 2):
            os.dup2(nowhere, number)
        os.close(nowhere)
        self._thread.join(FLUSH_WITHIN)


class _Drops(io.RawIOBase):
    """Standard error that drops what the pipe does not take: a print is no reason to fail."""

    def writable(self) -> bool:
        return True

    def write(self, text: ReadableBuffer, /) -> int:
        with contextlib.suppress(OSError):
            os.write(2, text)
        return memoryview(text).nbytes


def _copy(reading: int, file: int) -> None:
    at = 0
    while text := os.read(reading, 65_536):
        if at > MOST:
            continue
        try:
            at += os.pwrite(file, text[: MOST - at], at)
            if at == MOST:
                at += os.pwrite(file, MORE, at)
        except OSError:
            # A disk that refuses: of what does not fit any more a later, shorter line may.
            continue
    with contextlib.suppress(OSError):
        os.ftruncate(file, at)
    os.close(file)
    os.close(reading)
