"""What a folder is that a command was given: a run that lives, ended or was cut off, or none."""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from rig.clock import SystemClock
from rig.commands.usage import did_you_mean, typed
from rig.control.lock import folder_holder
from rig.errors import StorageError
from rig.monitor.words import moment

if TYPE_CHECKING:
    from rig.record.history import Journal

JOURNAL = "journal.db"
UNFINISHED = "journal.db.new"
"""A journal that is being made; it gets its name before anything moves."""
_NONE = (errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG, errno.ELOOP)
"""Errors that say that there is no such file; others say that it cannot be seen."""


@dataclass(frozen=True, slots=True)
class Place:
    """What a folder is, and why it cannot be asked, in words for people."""

    kind: Literal["none", "live", "rehearsal", "ended", "gone", "damaged"]
    text: str


def place(folder: Path) -> Place:
    """Return what a folder is; nothing in it is changed."""
    if not holds_run(folder):
        return Place("none", _no_run(folder))
    from rig.record.history import read_journal

    holder = folder_holder(folder)
    try:
        with read_journal(folder) as journal:
            if journal.ending is not None:
                return Place("ended", ended_words(folder, journal))
            if holder is None:
                return Place("gone", _gone(folder, journal))
            status = journal.status
    except StorageError as error:
        return Place("damaged", str(error))
    if status is not None and not status.live:
        return Place(
            "rehearsal",
            f"{folder}: a rehearsal is under way there ({holder.who}), which takes no requests; "
            "Ctrl-C in its own terminal ends it",
        )
    return Place(
        "live",
        f"{folder}: a run is under way there ({holder.who}) that does not answer you; ask as its "
        "user, or once more",
    )


def holds_run(folder: Path) -> bool:
    """Tell whether a run lies, or may lie, in a folder: it need not be one that can be read."""
    try:
        return stat.S_ISREG(os.stat(folder / JOURNAL).st_mode)
    except ValueError:
        return False
    except OSError as error:
        return error.errno not in _NONE


def _no_run(folder: Path) -> str:
    near = did_you_mean(folder.name, runs_in(folder.absolute().parent))
    try:
        there = folder.exists()
    except (OSError, ValueError):
        there = False
    if not there:
        return f"{folder}: there is no such folder{near}"
    if folder.is_file() and holds_run(folder.parent):
        return f"{folder}: is a file of a run; give the folder: {typed(folder.parent)}"
    if cut_off := _creation(folder):
        return f"{folder}: {cut_off}"
    inside = runs_in(folder)
    if inside:
        names = ", ".join(typed(folder / name) for name in inside[-3:])
        return f"{folder}: is no run but holds some; name one, such as {names}"
    return f"{folder}: is no run, there is no {JOURNAL} in it{near}"


def _creation(folder: Path) -> str:
    """Return that a run's creation is under way or was cut off, "" where nothing tells so."""
    if not os.path.isfile(folder / UNFINISHED):
        return ""
    from rig.record.hold import Hold

    try:
        Hold(folder).close()
    except StorageError:
        return "a run is just being made there; look once more"
    return (
        "the run there was cut off while its folder was made: nothing was moved, nothing is kept; "
        "remove the folder and start again"
    )


def runs_in(folder: Path) -> list[str]:
    """Return the names of the runs in a folder, the newest last."""
    try:
        found = [(p.stat().st_mtime, p.parent.name) for p in folder.glob(f"*/{JOURNAL}")]
    except (OSError, ValueError):
        return []
    return [name for _, name in sorted(found)]


def nearest(folder: Path) -> Path:
    """Return a folder as it is named from where the person stands, if it lies below."""
    here = Path.cwd()
    return folder.relative_to(here) if folder != here and folder.is_relative_to(here) else folder


def ended_words(folder: Path, journal: Journal) -> str:
    """Return how and when the run of a journal has ended. Raises ValueError where it has not."""
    ending = journal.ending
    if ending is None:
        raise ValueError("a run that has not ended")
    if journal.header.imported:
        return f"{folder} is no test but {journal.header.imported}, {ending.cycles:,} cycles"
    status = journal.status
    when = f" ({local_time(status.stamp)})" if status is not None else ""
    after = f"; {ending.residual.words}" if ending.residual is not None else ""
    return f"{folder} has ended: {ending.outcome} at {ending.cycles:,} cycles{after}{when}"


def _gone(folder: Path, journal: Journal) -> str:
    status = journal.status
    rig = "Look at the rig first: its controller stops by itself when the program is gone"
    if status is not None and not status.live:
        rig = "It was a rehearsal, no rig is concerned"
    return (
        f"{folder}: nothing carries this test out any more, and it has no end. Kept is all up to "
        f"cycle {journal.rows('cycles'):,}, in {folder / JOURNAL}; at most the last half second is "
        f"missing. {rig}. Go on with: nightrig resume {typed(folder)}"
    )


def local_time(stamp: str) -> str:
    """Return a stamp of a status as people here read it."""
    now = SystemClock().utc().astimezone()
    return moment(datetime.fromisoformat(stamp).astimezone(), now)
