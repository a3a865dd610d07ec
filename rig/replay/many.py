"""Many recordings judged again, each by the same function wherever it runs: results are equal."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError
from rig.record.journal import JOURNAL
from rig.record.layout import RUN_FILE
from rig.replay.on_cluster import on_cluster
from rig.replay.on_cores import cores, on_cores
from rig.replay.one_of_many import Compared, Read, Task, failed

_OF_A_RUN: Final = frozenset({JOURNAL, RUN_FILE, f"{JOURNAL}-wal"})


def runs_below(folder: Path) -> tuple[list[Path], list[Compared]]:
    """Return the folders of runs in a folder and below, in order, and what cannot be looked into.

    Links to folders are not followed. Raises InputError where there is no such folder.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder; name one that holds runs")
    found: list[Path] = []
    closed: list[OSError] = []
    for above, folders, files in os.walk(folder, onerror=closed.append):
        if _OF_A_RUN.isdisjoint(files):
            folders.sort()
        else:
            found.append(Path(above))
            folders.clear()
    return found, [_closed(error) for error in closed]


def _closed(error: OSError) -> Compared:
    return failed(str(error.filename), StorageError(f"cannot be looked into: {error.strerror}"))


def replay_all(
    runs: Sequence[Path],
    protocol: str | None,
    read: Read,
    cluster: str | None = None,
    workers: int | None = None,
) -> Iterator[Compared]:
    """Judge recordings again and yield what is found, in the order of `runs`.

    By the protocol of each, or by the one at the path `protocol`, read with `read` where the work
    is done. Without the address of a `cluster` by `workers` processes, as many as there are
    cores. One that cannot be judged is told, and the rest goes on. Raises InputError where the
    cluster cannot be used.
    """
    given = os.path.abspath(protocol) if protocol is not None else None
    tasks = [Task(os.path.abspath(run), given, read) for run in runs]
    if cluster is not None:
        return on_cluster(tasks, cluster)
    return on_cores(tasks, workers or cores())
