"""Runs that nobody carries out any more: what is said of them where no live run is found."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.commands.folders import JOURNAL, ended_words, local_time, nearest, runs_in
from rig.commands.usage import typed
from rig.control.lock import folder_holder, left_behind
from rig.errors import StorageError
from rig.record.history import read_journal

if TYPE_CHECKING:
    from rig.record.history import Journal

MOST: Final = 3
"""Runs that were cut off of which is told at most, and folders here that are looked at."""


def past_runs() -> list[str]:
    """Return a line on each run of this user that was cut off, and one on the newest here.

    What was cut off is known from the locks of rigs, which keep the name of a run whose program
    was killed, and from the folder where the person stands.
    """
    told: dict[Path, str] = {}
    for folder in [Path(holder.run) for holder in left_behind()][:MOST]:
        if line := _line(folder, only_cut_off=True):
            told[folder] = line
    for name in reversed(runs_in(Path.cwd())[-MOST:]):
        folder = Path.cwd() / name
        if line := _line(folder, only_cut_off=False):
            told.setdefault(folder.resolve(), line)
            break
    return list(told.values())


def _line(folder: Path, *, only_cut_off: bool) -> str:
    """Return what is to be said of a run, "" where it lives or cannot be read."""
    shown = nearest(folder)
    with contextlib.suppress(OSError, StorageError):
        if folder_holder(folder) is not None or not (folder / JOURNAL).is_file():
            return ""
        with read_journal(folder) as journal:
            if journal.ending is None:
                said = _cut_off(shown, journal)
            else:
                said = "" if only_cut_off else ended_words(shown, journal)
            verb = "watch" if journal.ending else "resume"
            return f"{said}: nightrig {verb} {typed(shown)}" if said else ""
    return ""


def _cut_off(folder: Path, journal: Journal) -> str:
    status = journal.status
    if status is None or not status.live:
        return ""
    cycles = journal.rows("cycles")
    return f"{folder} was cut off without an end at cycle {cycles:,} ({local_time(status.stamp)})"
