"""Making a record that stopped ready to go on: no ending, no rows too many, no stale run.h5."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from rig.errors import StorageError
from rig.record.history import Journal
from rig.record.hold import Hold
from rig.record.journal import JournalWriter
from rig.record.layout import RUN_FILE
from rig.record.log import refuse_damaged_log
from rig.record.sealing import join, seal
from rig.record.trouble import storage, sync_folder


@dataclass(frozen=True, slots=True)
class _Cut:
    """A table's rows from `first` on are replaced by the first `rows` of them, sealed."""

    kind: str
    first: int
    rows: int
    body: bytes


def take_up(folder: Path, keep: Mapping[str, int] | None = None) -> None:
    """Take the ending away, and the rows after the first `keep` of each table named in it.

    Tables are "cycles", "build_up", "slow"; None, or a table not named, keeps every row. What is
    in the lists, and samples, stays. run.h5 goes first, so that none is ever older than its
    journal; the rest is one transaction. After a crash on the way it can be called again.
    Raises StorageError where another process writes, the disk refuses, the journal is damaged
    or holds fewer rows; nothing is changed in the last two cases.
    """
    with closing(Hold(folder)) as hold:
        refuse_damaged_log(folder)
        with Journal(folder, keep_index=True) as journal:
            journal.whole()
            cuts = [
                _cut(journal, kind, rows)
                for kind, rows in (keep or {}).items()
                if rows != journal.rows(kind)
            ]
        _take_run_file_away(folder)
        with closing(JournalWriter(folder, hold)) as writer:
            writer.go_on()
            for cut in cuts:
                writer.cut(cut.kind, cut.first)
                if cut.rows:
                    writer.chunk(cut.kind, cut.first, cut.rows, cut.body)
            writer.commit()


def _cut(journal: Journal, kind: str, keep: int) -> _Cut:
    recorded = journal.rows(kind)
    if not 0 <= keep < recorded:
        raise StorageError(
            f"{journal.path}: {keep} rows of {kind} cannot be kept, there are {recorded}; "
            "keep a copy of the folder before anything else"
        )
    first = max(first for first, _ in journal.places(kind) if first <= keep)
    columns = journal.chunk(kind, first).columns().values()
    body = join([seal(column[: keep - first]) for column in columns])
    return _Cut(kind, first, keep - first, body)


def _take_run_file_away(folder: Path) -> None:
    with storage(folder / RUN_FILE, "take the old run file away"):
        for name in (RUN_FILE, RUN_FILE + ".new"):
            (folder / name).unlink(missing_ok=True)
        sync_folder(folder)
