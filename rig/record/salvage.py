"""A damaged journal: what is damaged, and what of it can be saved into a file of its own."""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.errors import StorageError
from rig.record.history import Journal, OtherVersion
from rig.record.hold import Hold
from rig.record.layout import RUN_FILE
from rig.record.log import Log, read_log
from rig.record.remains import Hole, Remains, gather, holes, stretches
from rig.record.salvage_file import write_salvage
from rig.record.trouble import storage, sync_file, sync_folder
from rig.record.verify import digest

_NOBODY_KNOWS: Final = "whether more was recorded after what is saved cannot be known"


@dataclass(frozen=True, slots=True)
class Saved:
    """What was saved of a journal into `path`, and what was not.

    `rows` are the stretches of each table, as first row and the one after, counted from 0;
    `entries` and `samples` how many of each list and kind; `lost` says in words what is missing
    or may be, `run_file` what run.h5 is worth.
    """

    path: Path
    rows: Mapping[str, tuple[tuple[int, int], ...]]
    entries: Mapping[str, int]
    samples: Mapping[str, int]
    metadata: tuple[str, ...]
    lost: tuple[str, ...]
    run_file: str

    def lines(self) -> tuple[str, ...]:
        """Return all of it in words, a line each."""
        rows = [
            f"{kind} " + ", ".join(f"{first + 1} to {stop}" for first, stop in spans)
            for kind, spans in self.rows.items()
            if spans
        ]
        counts = [f"{n} of {kind}" for kind, n in (*self.entries.items(), *self.samples.items())]
        return (
            f"saved in {self.path}:",
            *(f"  {line}" for line in rows),
            "  entries and stretches of samples: " + (", ".join(counts) or "none"),
            "  " + (", ".join(self.metadata) or "no header and nothing else of the whole run"),
            *(f"lost: {line}" for line in self.lost),
            *([self.run_file] if self.run_file else []),
        )


def damage_in_journal(folder: Path) -> tuple[str, ...]:
    """Return all damage in the journal of a folder, in words; () where it is whole.

    Ask before anything else opens the journal: its index, which SQLite makes anew, tells whether
    the log has lost its end. Raises StorageError if there is no journal, somebody writes it, or
    the disk refuses.
    """
    with closing(Hold(folder)):
        return _damage(folder, read_log(folder))


def doubt_about_journal(folder: Path) -> str:
    """Return why what was recorded last may be missing, though nothing need be damaged; else "".

    A power cut in the middle of a commit that nobody was told of looks like damage to the last
    one. To be asked as `damage_in_journal`, and raises as that.
    """
    with closing(Hold(folder)):
        return read_log(folder).doubt


def _damage(folder: Path, log: Log) -> tuple[str, ...]:
    found = [log.damage] if log.damage else []
    try:
        with Journal(folder, keep_index=True) as journal:
            journal.whole()
    except StorageError as error:
        missing = [hole.words for hole in holes(gather(folder, log))]
        if not (missing or found or _is_damage(error)):
            raise
        found += missing or [str(error)]
    return tuple(found)


def _is_damage(error: StorageError) -> bool:
    """Tell damage from a disk that refuses and from a journal of another version."""
    cause = error.__cause__
    if isinstance(cause, sqlite3.Error):
        name = getattr(cause, "sqlite_errorname", "")
        return name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR"))
    return not isinstance(cause, OSError | OtherVersion)


def salvage(folder: Path, to: Path) -> Saved:
    """Save what holds of a journal into a new HDF5 file, `to`, with the name of every hole.

    Every row is read by itself and held against its checksum, whatever has become of the pages
    around it. The folder is left as it is. Raises StorageError if there is no journal, somebody
    writes it, `to` is there already, or the disk refuses.
    """
    if os.path.lexists(to):
        raise StorageError(f"{to}: is there already, nothing was written; name a new file")
    with closing(Hold(folder)):
        log = read_log(folder)
        remains = gather(folder, log)
        missing = [*holes(remains), *_doubts(folder, log)]
        run_file = _worth_of_run_file(folder, remains)
        new = to.with_name(to.name + ".new")
        with storage(to, "write what was saved"):
            missing += write_salvage(new, remains, missing)
            sync_file(new)
            os.replace(new, to)
            sync_folder(to.parent)
    return Saved(
        to,
        {kind: tuple(stretches(pieces)) for kind, pieces in remains.pieces.items()},
        Counter(kind for kind, _ in remains.entries.values()),
        Counter(kind for kind, _, _ in remains.samples.values()),
        tuple(sorted(remains.meta)),
        tuple(hole.words for hole in missing),
        run_file,
    )


def _doubts(folder: Path, log: Log) -> list[Hole]:
    words = [log.damage or log.doubt] if log.damage or log.doubt else []
    if _damage(folder, log):
        words.append(_NOBODY_KNOWS)
    return [Hole("unknown", 0, 0, line) for line in words]


def _worth_of_run_file(folder: Path, remains: Remains) -> str:
    path = folder / RUN_FILE
    if not path.is_file():
        return ""
    with storage(path, "read the run file"):
        found = digest(path)
    if "run_file" not in remains.meta:
        return f"{path} is there, and nothing is left of the journal to hold it against"
    if found != remains.meta["run_file"]:
        return f"{path} is not the file that was verified"
    if remains.ending is None:
        return f"{path} is whole; it holds what there was when it was made"
    return f"{path} is whole and holds everything of the ended run"
