"""Showing a run until it ends or somebody leaves: a screen on a terminal, else plain lines."""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Final, TextIO

from rich.text import Text

from rig.clock import real_seconds
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.lines import PlainLines
from rig.monitor.paint import Gone, Painter, can_paint, put
from rig.monitor.screen import screen, screen_text
from rig.monitor.view import View

__all__ = ["STOPPED", "put_lines", "screen_text", "show"]

TICK: Final = 0.25
"""Seconds between two looks at the terminal's size, and at a run that has just changed."""
EVERY: Final = 1.0
"""Seconds between two looks at the run."""
STOPPED: Final = 2.0
"""Seconds without a look at the terminal after which it may have been somebody else's."""


def show(
    look: Callable[[], View],
    leaving: Callable[[], bool],
    *,
    pause: Callable[[float], None],
    ascii_only: bool = False,
    stream: TextIO = sys.stderr,
    hint: str,
    seconds: Callable[[], float] = real_seconds,
) -> View | None:
    """Show a run until it has ended, its program is gone, or somebody leaves; return its last view.

    `pause` waits some seconds [s], less when somebody leaves; `hint` says how to leave. A
    terminal that takes nothing keeps back only this loop; one that is gone ends it quietly.
    None if nothing was looked at. `seconds` is the monotonic time [s] by which looks are due.
    Raises what `look` raises.
    """
    newest = _Newest(look, seconds)
    signs = glyphs(ascii_only=ascii_only)
    with contextlib.suppress(Gone):
        if can_paint(stream):
            with Painter(stream, leaving) as painter:
                _on_screen(newest, leaving, pause, painter, signs, hint)
        else:
            _in_lines(newest, leaving, pause, stream, signs)
    return newest.view


class _Newest:
    """The newest view of a run, looked at again when that is due."""

    def __init__(self, look: Callable[[], View], seconds: Callable[[], float]) -> None:
        self._look = look
        self.seconds = seconds
        self._due = self._quick_until = -math.inf
        self._gone_since = math.inf
        self.view: View | None = None

    def at(self, now: float) -> View:
        if self.view is None or now >= self._due or now < self._quick_until:
            return self.again(now)
        return self.view

    def again(self, now: float) -> View:
        """Look whether it is due or not."""
        before, self.view = self.view, self._confirmed(self._look(), now)
        self._due = now + EVERY
        if before is not None and before.status.state != self.view.status.state:
            self._quick_until = now + EVERY
        return self.view

    def _confirmed(self, view: View, now: float) -> View:
        """Return a view whose program is gone only if it was gone some time before as well."""
        if view.alive or view.ending is not None:
            self._gone_since = math.inf
            return view
        self._gone_since = min(self._gone_since, now)
        return view if now >= self._gone_since + EVERY else replace(view, alive=True)


def _over(view: View) -> bool:
    return view.ending is not None or not view.alive


def _on_screen(
    newest: _Newest,
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    painter: Painter,
    signs: Glyphs,
    hint: str,
) -> None:
    drawn = newest.seconds()
    while True:
        now = newest.seconds()
        if now - drawn > STOPPED:
            painter.again()
        drawn = now
        view = newest.at(now)

        def draw(width: int, height: int, view: View = view) -> list[Text]:
            return screen(view, width, height, signs, hint)

        painter.paint(view, draw)
        if _over(view) or leaving():
            return
        pause(TICK)


def _in_lines(
    newest: _Newest,
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    stream: TextIO,
    signs: Glyphs,
) -> None:
    lines = PlainLines(signs)
    while True:
        now = newest.seconds()
        # Whoever leaves, or has rehearsed to the end, gets what came until then.
        left = leaving()
        view = newest.again(now) if left else newest.at(now)
        put_lines(stream, lines.news(view, now), leaving)
        if left or _over(view):
            return
        pause(EVERY)


def put_lines(stream: TextIO, lines: list[str], leaving: Callable[[], bool]) -> None:
    """Print plain lines. Raises Gone where nobody reads them, or somebody leaves."""
    try:
        _print(stream, "".join(f"{line}\n" for line in lines), leaving)
    except (OSError, ValueError) as error:
        raise Gone from error


def _print(stream: TextIO, text: str, leaving: Callable[[], bool]) -> None:
    """Print a text: a pipe that nobody empties holds up only until somebody leaves."""
    stream.flush()
    try:
        file = stream.fileno()
    except OSError:  # a stream in memory, which takes everything
        stream.write(text)
        return
    put(file, text, getattr(stream, "encoding", None) or "utf-8", leaving)
