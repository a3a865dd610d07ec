"""The screen of a run in a command: until the run ends or the person leaves."""

from __future__ import annotations

import select
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from rig.control.lock import folder_holder
from rig.monitor.words import LEAVES, STOPS

if TYPE_CHECKING:
    from rig.monitor.view import Follower, View


__all__ = ["LEAVES", "STOPS", "Shown", "follower", "show_run", "text_of"]


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
        return self.ascii_only or not encoding.lower().startswith("utf")


def show_run(
    out: Path, leaving: Callable[[], bool], pause: Callable[[float], None], shown: Shown
) -> bool:
    """Show the run of a folder until it is over, somebody leaves, or nobody sees it any more.

    Returns whether it is over: ended, or its program gone. `pause` waits some seconds [s], less
    when somebody leaves. Raises StorageError for a record that cannot be read.
    """
    from rig.monitor.terminal import show

    stream = shown.stream or sys.stderr
    if stream is None:  # standard error was closed: nobody looks
        return False

    def leaves() -> bool:
        return leaving() or _hung_up(stream)

    look = follower(out).look
    view = show(look, leaves, pause=pause, ascii_only=shown.plain, stream=stream, hint=shown.hint)
    return view is not None and (view.ending is not None or not view.alive)


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

    return Follower(out, lambda: folder_holder(out) is not None)


def text_of(view: View, shown: Shown) -> str:
    """Return one screen as text, as wide as the terminal."""
    from rig.monitor.terminal import screen_text

    width, height = shutil.get_terminal_size((100, 40))
    return screen_text(view, width, max(height - 1, 24), ascii_only=shown.plain).rstrip()
