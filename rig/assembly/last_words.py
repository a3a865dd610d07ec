"""Where a runner's prints go: to `runner.log`, without ever holding the runner up.

Standard output and error are the end of a pipe that does not block; a thread copies it to the
disk. A disk that hangs holds the thread, a full pipe drops what does not fit.
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
MORE: Final = b"... more was printed and dropped\n"
FLUSH_WITHIN: Final = 2.0  # [s] for the last words to reach the disk


class LastWords:
    """Takes all that is printed: under a hidden name until the run has its folder."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._path = out.parent / f".{out.name}.{os.getpid()}.log"
        self._kept = False
        with storage(self._path, "make the log"):
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_NOFOLLOW
            file = os.open(self._path, flags, 0o644)
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        for number in (1, 2):
            os.dup2(writing, number)
        os.close(writing)
        sys.stdout = sys.stderr = io.TextIOWrapper(_Drops(), "utf-8", write_through=True)
        self._thread = threading.Thread(target=_copy, args=(reading, file), daemon=True)
        self._thread.start()

    def keep(self) -> None:
        """Move the log into the run's folder."""
        with storage(self._path, "move the log into the run's folder"):
            self._path.rename(self._out / LOG)
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
    left = MOST
    while text := os.read(reading, 65_536):
        if left <= 0:
            continue
        try:
            os.write(file, text[:left])
            left -= len(text)
            if left <= 0:
                os.write(file, MORE)
        except OSError:
            left = 0  # a disk that refuses: nobody could read it anyway
    os.close(file)
    os.close(reading)
