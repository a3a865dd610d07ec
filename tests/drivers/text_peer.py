"""A device that speaks in lines at the far end of a pseudo-terminal, for the tests of drivers.

Written by hand for these tests: it shares nothing with the drivers but the bytes.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import threading
import time
import tty
from collections.abc import Callable, Iterable
from pathlib import Path

Piece = bytes | float
"""Bytes to send, or seconds to wait before what follows."""
Answer = Callable[[str], Iterable[Piece]]

PATIENCE = 20.0


class Peer:
    """Answers each line with what `answer` gives for it; `lines` and `raw` are what it got."""

    def __init__(self, path: Path, answer: Answer) -> None:
        self.path = path
        self.answer = answer
        self.raw = b""
        self.lines: list[str] = []
        self._master = self._slave = -1
        self._wake = os.pipe()
        self._thread: threading.Thread | None = None
        self.plug()

    def plug(self) -> None:
        """Bring the port under its path."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        new = self.path.with_suffix(".new")
        new.symlink_to(os.ttyname(self._slave))
        new.rename(self.path)
        self._thread = threading.Thread(target=self._serve, args=(self._master,), name="peer")
        self._thread.start()

    def unplug(self) -> None:
        """Take the port away, as a pulled cable does."""
        if self._thread is None:
            return
        os.write(self._wake[1], b"x")
        self._thread.join()
        os.read(self._wake[0], 1)
        self._thread = None
        os.close(self._master)
        os.close(self._slave)
        self.path.unlink()

    def close(self) -> None:
        self.unplug()
        os.close(self._wake[0])
        os.close(self._wake[1])

    def say(self, *pieces: Piece) -> None:
        """Send what nobody has asked for, or what answers later."""
        for piece in pieces:
            if isinstance(piece, float):
                time.sleep(piece)
            else:
                with contextlib.suppress(OSError):
                    os.write(self._master, piece)

    def until(self, enough: Callable[[], bool]) -> None:
        """Wait until something has come."""
        end = time.monotonic() + PATIENCE
        while not enough():
            assert time.monotonic() < end, f"it never came; there is {self.lines}"
            time.sleep(0.001)

    def _serve(self, master: int) -> None:
        held = b""
        while True:
            ready, _, _ = select.select([master, self._wake[0]], [], [])
            if self._wake[0] in ready:
                return
            data = os.read(master, 4096)
            self.raw += data
            *ended, held = re.split(rb"\r\n|\n|\r", held + data)
            for line in ended:
                text = line.decode("ascii")
                self.lines.append(text)
                self.say(*self.answer(text))


def whole(data: bytes) -> list[Piece]:
    """Send bytes at once."""
    return [data]


def byte_by_byte(data: bytes) -> list[Piece]:
    """Send bytes one by one, so that the host may read each by itself."""
    pieces: list[Piece] = []
    for byte in data:
        pieces += [bytes([byte]), 0.0002]
    return pieces


def nobody(_line: str) -> list[Piece]:
    """Answer nothing."""
    return []
