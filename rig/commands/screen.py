"""The screen of a run in a command: until the run ends or the person leaves."""

from __future__ import annotations

import os
import select
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.saying import folded, say
from rig.control.lock import folder_holder, other_user
from rig.errors import StorageError
from rig.monitor.words import LEAVES, STOPS

if TYPE_CHECKING:
    from rig.monitor.view import Follower, View


__all__ = ["LEAVES", "STOPS", "Shown", "follower", "is_new", "show_last", "show_run", "text_of"]

LEAST: Final = 10
"""Lines that a last screen has at least, however much follows it."""
WIDTH: Final = 80
"""Letters in a line of a terminal that does not say how many."""


@dataclass(frozen=True, slots=True)
class Shown:
    """How a run is shown: in plain letters, on which stream (standard error), with which hint."""

    ascii_only: bool = False
    stream: TextIO | None = None
    hint: str = LEAVES

    @property
    def plain(self) -> bool:
        """Whether only plain letters are drawn: the terminal may have no others."""
        encoding = getattr(self.stream or sys.stderr, "encoding", None) or ""
        return self.ascii_only or _plain_letters() or not encoding.lower().startswith("utf")


def _plain_letters() -> bool:
    """Tell whether the person's settings ask for the letters of the C locale.

    Python itself puts LC_CTYPE=C.UTF-8 over it, and writes UTF-8 (PEP 538, PEP 540).
    """
    plain = ("C", "POSIX")
    if every := os.environ.get("LC_ALL"):
        return every in plain
    letters = os.environ.get("LC_CTYPE", "")
    return os.environ.get("LANG") in plain and letters in (*plain, "", "C.UTF-8")


def show_run(
    out: Path, leaving: Callable[[], bool], pause: Callable[[float], None], shown: Shown
) -> bool:
    """Show the run of a folder until it is over, somebody leaves, or nobody sees it any more.

    Returns whether somebody waits for its end: it is over, or nobody left but nothing more can be
    written. `pause` waits some seconds [s], less when somebody leaves. Raises StorageError for a
    record that cannot be read.
    """
    from rig.monitor.terminal import show

    stream = shown.stream or sys.stderr
    if stream is None:  # standard error was closed: nobody looks
        return False

    def leaves() -> bool:
        return leaving() or _hung_up(stream)

    look = follower(out).look
    view = show(look, leaves, pause=pause, ascii_only=shown.plain, stream=stream, hint=shown.hint)
    over = view is not None and (view.ending is not None or not view.alive)
    return over or not leaves()


def is_new(out: Path, before: str) -> bool:
    """Tell whether a record has a newer status than that of stamp `before`."""
    from rig.record.history import read_journal

    try:
        with read_journal(out) as journal:
            status = journal.status
    except StorageError:
        return False
    return status is not None and status.stamp != before


def _hung_up(stream: TextIO) -> bool:
    """Tell whether nobody reads a stream any more: the next line may be a minute away."""
    try:
        poll = select.poll()
        poll.register(stream.fileno(), 0)
        return bool(poll.poll(0))
    except (OSError, ValueError):
        return False


def follower(out: Path) -> Follower:
    """Return what reads the run of a folder again and again."""
    from rig.monitor.view import Follower

    return Follower(
        out,
        lambda: folder_holder(out) is not None,
        another=lambda rig: other_user(rig, out),
    )


def show_last(out: Path, shown: Shown, follows: str) -> bool:
    """Print a run's screen once more into the terminal, in colour; return whether it was.

    The second screen takes what it showed away with it. There is room below for `follows`, which
    is printed next. Nothing is printed without a terminal or without a record.
    """
    from rig.monitor.paint import can_paint

    stream = shown.stream or sys.stderr
    if stream is None or not can_paint(stream):
        return False
    try:
        size = os.get_terminal_size(stream.fileno())
        room = size.lines - 1 - len(folded(follows, stream).split("\n"))
        text = _in_colour(follower(out).look(), size.columns or WIDTH, max(room, LEAST), shown)
    except (OSError, ValueError, StorageError):
        # A closed terminal, or no record: what comes next still tells how it ended.
        return False
    say(text, err=stream is sys.stderr)
    return True


def _in_colour(view: View, width: int, height: int, shown: Shown) -> str:
    from rich.console import Console

    from rig.monitor.glyphs import glyphs
    from rig.monitor.screen import screen

    terminal = Console(force_terminal=True, highlight=False, markup=False, emoji=False)
    lines = screen(view, width, height, glyphs(ascii_only=shown.plain), "")
    while lines and not lines[-1].plain.strip():
        lines.pop()
    with terminal.capture() as captured:
        for line in lines:
            terminal.print(line, soft_wrap=True)
    return captured.get().rstrip("\n")


def text_of(view: View, shown: Shown) -> str:
    """Return one screen as text, as wide as the terminal."""
    from rig.monitor.terminal import screen_text

    width, height = shutil.get_terminal_size((100, 40))
    return screen_text(view, width, max(height - 1, 24), ascii_only=shown.plain).rstrip()
