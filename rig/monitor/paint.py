"""Painting on a terminal: only lines that changed, and never more than it takes."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Callable
from types import TracebackType
from typing import Any, Final, TextIO

from rich.console import Console
from rich.text import Text

if sys.platform != "win32":
    import termios

_PIECE: Final = 512
"""Bytes that are written at once: a terminal that is ready takes as many without waiting."""
_WAIT: Final = 0.25
_USUAL: Final = os.terminal_size((80, 24))
_BEGIN: Final = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"
_END: Final = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"


_MOST: Final = os.terminal_size((500, 200))
"""Letters and lines that are drawn at most, however large a terminal says it is."""


class Gone(Exception):
    """Nobody sees the screen any more: the terminal is gone, or the person leaves."""


def can_paint(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal with a screen."""
    try:
        known = os.environ.get("TERM", "") not in ("", "dumb", "unknown")
        return sys.platform != "win32" and known and stream.isatty()
    except ValueError:
        return False


def put(file: int, text: str, encoding: str, leaving: Callable[[], bool]) -> None:
    """Write a text to a file as soon as it takes it, asking whether somebody leaves meanwhile.

    Raises Gone if somebody does, OSError.
    """
    data = text.encode(encoding, errors="backslashreplace")
    while data:
        while not _takes(file, _WAIT):
            if leaving():
                raise Gone
        data = data[os.write(file, data[:_PIECE]) :]


def _takes(file: int, wait: float) -> bool:
    return bool(select.select([], [file], [], wait)[1])


class Painter:
    """A terminal's second screen while entered; a context manager.

    `leaving` is asked while the terminal takes nothing (Ctrl-S, a hung line). In the background
    nothing is painted. Raises Gone.
    """

    def __init__(self, stream: TextIO, leaving: Callable[[], bool]) -> None:
        self._stream = stream
        self._file = stream.fileno()
        self._leaving = leaving
        self._console = Console(
            file=stream, force_terminal=True, highlight=False, markup=False, emoji=False
        )
        self._shown: list[Text] = []
        self._view: object = None
        self._size = os.terminal_size((0, 0))
        self._before: list[Any] | None = None
        self._begun = self._anew = False

    def __enter__(self) -> Painter:
        with contextlib.suppress(OSError):
            self._stream.flush()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        if self._begun:
            with contextlib.suppress(OSError, termios.error):
                self._give_back()

    def paint(self, view: object, draw: Callable[[int, int], list[Text]]) -> None:
        """Bring the screen up to date if it shows another view and the terminal takes it now.

        `draw(width, height)` returns the lines of the view.
        """
        try:
            size = os.get_terminal_size(self._file)
            if view is self._view and size == self._size:
                return
            if not self._mine() or not _takes(self._file, 0.0):
                return
            if self._anew or not self._begun:
                self._begin()
            self._update(size, draw)
        except OSError as error:
            raise Gone from error
        self._view = view

    def again(self) -> None:
        """Begin anew at the next paint: somebody else may have had the terminal meanwhile."""
        self._anew, self._view, self._shown = True, None, []

    def _update(self, size: os.terminal_size, draw: Callable[[int, int], list[Text]]) -> None:
        # A terminal on a line that does not say its size has none.
        width, height = size.columns or _USUAL.columns, size.lines or _USUAL.lines
        lines = draw(min(width, _MOST.columns), min(height, _MOST.lines))
        pieces = []
        if self._size != size or not self._shown:
            self._size, self._shown = size, []
            pieces.append("\x1b[0m\x1b[2J")
        for row, line in enumerate(lines):
            if row >= len(self._shown) or self._shown[row] != line:
                pieces.append(f"\x1b[{row + 1};1H\x1b[2K{self._styled(line)}")
        self._write("".join(pieces))
        self._shown = lines

    def _styled(self, line: Text) -> str:
        trimmed = line.copy()
        if not any(span.end > len(line.plain.rstrip()) for span in line.spans):
            trimmed.rstrip()
        with self._console.capture() as capture:
            self._console.print(trimmed, end="", soft_wrap=True)
        return capture.get()

    def _write(self, text: str) -> None:
        put(self._file, text, "utf-8", self._leaving)

    def _mine(self) -> bool:
        """Tell whether the terminal is this program's: a job in the background paints nothing."""
        try:
            return os.tcgetpgrp(self._file) == os.getpgrp()
        except OSError:
            return True

    def _begin(self) -> None:
        self._begun, self._anew = True, False
        with contextlib.suppress(termios.error):
            if self._before is None:
                self._before = termios.tcgetattr(self._file)
            quiet = termios.tcgetattr(self._file)
            # What is typed must not show, and a stopped job would leave the screen as it is.
            quiet[3] &= ~(termios.ECHO | termios.ICANON)
            for key in (termios.VSUSP, termios.VQUIT):
                quiet[6][key] = b"\0"
            termios.tcsetattr(self._file, termios.TCSANOW, quiet)
        self._write(_BEGIN)

    def _give_back(self) -> None:
        if self._before is not None and self._mine():
            # A terminal stopped by Ctrl-S would keep the screen, and whoever writes to it next.
            # Only what a program stopped is a program let start again: so it is stopped first.
            termios.tcflow(self._file, termios.TCOOFF)
            termios.tcflow(self._file, termios.TCOON)
            termios.tcsetattr(self._file, termios.TCSANOW, self._before)
            termios.tcflush(self._file, termios.TCIFLUSH)
        if _takes(self._file, 1.0):
            os.write(self._file, _END.encode())
