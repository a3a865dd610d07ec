"""A damaged journal: what is damaged, what could be saved of it, and what is lost, in words."""

from __future__ import annotations

import os
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.commands.folders import JOURNAL
from rig.commands.leaving import EVERY, Leaving
from rig.errors import StorageError
from rig.record.hold import Hold
from rig.record.salvage import damage_in_journal, doubt_about_journal, salvage

if TYPE_CHECKING:
    from rig.record.salvage import Saved

TRIES: Final = 16
"""Looks, `EVERY` seconds apart, until a recorder that is still at work is told."""
MOST: Final = 12
"""Lines on what is lost that are printed at most."""
_WHOLE: Final = "is whole and holds everything"


def refuse_damaged(out: Path) -> str:
    """Return what makes the end of a whole journal doubtful, "" where nothing does.

    Raises StorageError for a damaged one, after what holds of it was saved beside it.
    """
    _writer_ends(out)
    # Asked for first: the index that SQLite makes anew tells less.
    doubt = doubt_about_journal(out)
    damage = damage_in_journal(out)
    if damage:
        raise StorageError("\n".join(_lines(out, damage)))
    return doubt


def _writer_ends(out: Path) -> None:
    """Give a recorder whose runner was killed a moment to write what reached it, and to end."""
    for _ in range(TRIES):
        try:
            Hold(out).close()
        except StorageError:
            Leaving().pause(EVERY)
        else:
            return


def _lines(out: Path, damage: tuple[str, ...]) -> list[str]:
    left = len(damage) - 1
    more = f", and {left} more {'places' if left > 1 else 'place'}" if left else ""
    lines = [f"{out / JOURNAL}: the journal is damaged: {damage[0]}{more}; nothing was moved"]
    try:
        saved = salvage(out, _new_name(out))
    except StorageError as error:
        lines += [f"what holds of it could not be saved: {error}", *_bounded("damage:", damage, "")]
    else:
        lines += _saved(saved)
    whole = any(_WHOLE in line for line in lines)
    last = "" if whole else "; resume cannot go on from this: it is for whoever knows the file"
    return [*lines, f"keep a copy of the folder before anything else{last}"]


def _saved(saved: Saved) -> list[str]:
    """Return what was saved, the best of it first."""
    kept = [line for line in saved.lines() if line.startswith((" ", "saved "))]
    lines = [*kept, *_bounded("not saved:", saved.lost, f", all named in {saved.path}")]
    if _WHOLE in saved.run_file:
        return [saved.run_file, *lines]
    return [*lines, *([saved.run_file] if saved.run_file else [])]


def _bounded(head: str, lines: tuple[str, ...], where: str) -> list[str]:
    told = [head, *(f"  {line}" for line in lines[:MOST])]
    left = len(lines) - MOST
    return [*told, f"  and {left} more{where}"] if left > 0 else told


def _new_name(out: Path) -> Path:
    names = (out / f"saved-{number}.h5" for number in count(1))
    return next(path for path in names if not os.path.lexists(path))
