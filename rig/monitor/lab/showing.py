"""Showing a lab until somebody leaves: a screen on a terminal, else plain lines of what changes."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Final, TextIO

from rich.text import Text

from rig.clock import real_seconds
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.lab.lines import LabLines
from rig.monitor.lab.screen import lab_screen
from rig.monitor.lab.view import LabView
from rig.monitor.paint import Gone, Painter, can_paint
from rig.monitor.terminal import STOPPED, TICK, put_lines

EVERY: Final = 1.0
"""Seconds between two looks at the lab."""


def show_lab(
    look: Callable[[], LabView],
    leaving: Callable[[], bool],
    *,
    pause: Callable[[float], None],
    stream: TextIO,
    hint: str,
    ascii_only: bool = False,
    seconds: Callable[[], float] = real_seconds,
) -> None:
    """Show a lab until somebody leaves, or nobody sees it any more.

    `pause` waits some seconds [s], less when somebody leaves; `hint` says how to leave. Raises
    what `look` raises.
    """
    signs = glyphs(ascii_only=ascii_only)
    with contextlib.suppress(Gone):
        if can_paint(stream):
            with Painter(stream, leaving) as painter:
                _on_screen(look, leaving, pause, painter, signs, hint, seconds)
        else:
            _in_lines(look, leaving, pause, stream, signs)


def _on_screen(
    look: Callable[[], LabView],
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    painter: Painter,
    signs: Glyphs,
    hint: str,
    seconds: Callable[[], float],
) -> None:
    view, looked = look(), seconds()
    drawn = looked
    while not leaving():
        now = seconds()
        if now - drawn > STOPPED:
            painter.again()
        drawn = now
        if now - looked >= EVERY:
            view, looked = look(), now

        def draw(width: int, height: int, view: LabView = view) -> list[Text]:
            return lab_screen(view, width, height, signs, hint)

        painter.paint(view, draw)
        pause(TICK)


def _in_lines(
    look: Callable[[], LabView],
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    stream: TextIO,
    signs: Glyphs,
) -> None:
    lines = LabLines(signs)
    while True:
        left = leaving()
        put_lines(stream, lines.news(look()), leaving)
        if left:
            return
        pause(EVERY)
