"""What must be so of the record of a test, however often and wherever it was cut off."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from rig.assembly.looking_back import look_back
from rig.control.lock import folder_holder
from rig.errors import EXIT_CODES, RigError
from rig.record.entries import LISTS
from rig.record.history import Journal, read_journal
from rig.record.verify import trouble_in_run_file

TABLES = ("cycles", "build_up", "slow")
FINISHED = {"journal.db", "run.h5", "lock", "runner.log"}
"""What lies in the folder of a test whose record is closed."""
TOO_MANY = {"segments", "journal.db-wal", "journal.db-shm"}
"""What may lie there besides, where a kill hit the very end (DEVELOPERS.md, write order)."""
GONE = "its program was gone"

Columns = dict[str, Any]


@dataclass(frozen=True)
class Kept:
    """All that the journal of a test holds at a moment.

    `known` are the rows that stay when it goes on, `goes_on` tells whether it was under way,
    `cycles` is the count at the verdict, before it that of the rows.
    """

    state: str
    events: int
    entries: dict[str, list[tuple[Any, ...]]]
    samples: list[tuple[str, str]]
    rows: dict[str, Columns]
    known: dict[str, int]
    goes_on: bool
    outcome: str
    why: str
    cycles: int


def kept(folder: Path) -> Kept:
    """Read all of a journal; the processes that wrote it are gone. Raises StorageError."""
    with read_journal(folder) as journal:
        entries = {kind: journal.entries(kind) for kind in LISTS}
        samples = [_sample(r) for kind in ("static", "full_rate") for r in journal.samples(kind)]
        rows = {kind: journal.columns(kind) for kind in TABLES}
        point, ending = journal.restart_point, journal.ending
    found = look_back(folder)
    stays = found.verdict is not None or ending is not None or not found.header.simulated
    recorded = point["recorded"] if point else dict.fromkeys(TABLES, 0)
    states = [text for _, _, kind, text in entries["events"] if kind == "state"]
    return Kept(
        state="ended" if ending else (states[-1].partition(",")[0] if states else "created"),
        events=len(entries["events"]),
        entries=entries,
        samples=samples,
        rows=rows,
        known={k: journal_rows(rows, k) if stays else int(recorded[k]) for k in TABLES},
        goes_on=not stays and point is not None,
        outcome=ending.outcome if ending else "",
        why=ending.why if ending else "",
        cycles=ending.cycles if ending else journal_rows(rows, "cycles"),
    )


def journal_rows(rows: Mapping[str, Columns], kind: str) -> int:
    """Return how many rows a table has."""
    return len(next(iter(rows[kind].values()), ()))


def _sample(record: Any) -> tuple[str, str]:
    head = {n: getattr(record, n) for n in record.__slots__ if n != "values"}
    return json.dumps(head, default=str), hashlib.sha256(record.values.tobytes()).hexdigest()


def missing(before: Kept, after: Kept) -> list[str]:
    """Name what was on the disk after a kill and is not in the record any more."""
    wrong = []
    for kind, entries in before.entries.items():
        if not _begins(after.entries[kind], entries):
            wrong.append(f"{kind}: an entry that was on the disk is missing or changed")
    lost = [head for head in before.samples if head not in after.samples]
    wrong += [f"samples that were on the disk are missing: {head[:120]}" for head, _ in lost]
    for kind in TABLES:
        wrong += differences(before.rows, after.rows, kind, before.known[kind])
    return wrong


def _begins(whole: list[Any], part: list[Any]) -> bool:
    # NaN differs from itself: what is printed tells.
    return repr(whole[: len(part)]) == repr(part)


def differences(
    one: Mapping[str, Columns], other: Mapping[str, Columns], kind: str, rows: int
) -> list[str]:
    """Name the columns of a table whose first rows are not the same, bit for bit."""
    if min(journal_rows(one, kind), journal_rows(other, kind)) < rows:
        return [f"{kind}: of {rows} rows that stay some are missing"]
    return [
        f"{kind}/{name}: the first {rows} rows are not as they were"
        for name, column in one[kind].items()
        if column[:rows].tobytes() != other[kind][name][:rows].tobytes()
    ]


def unequal(one: Kept, other: Kept) -> list[str]:
    """Name what differs in the records of two copies of one test."""
    wrong = [
        f"two copies: {kind} have {journal_rows(one.rows, kind)} and "
        f"{journal_rows(other.rows, kind)} rows"
        for kind in TABLES
        if journal_rows(one.rows, kind) != journal_rows(other.rows, kind)
    ]
    if not wrong:
        for kind in TABLES:
            rows = journal_rows(one.rows, kind)
            wrong += [f"two copies: {w}" for w in differences(one.rows, other.rows, kind, rows)]
    wrong += [
        f"two copies: {kind} differ"
        for kind in LISTS
        if repr(one.entries[kind]) != repr(other.entries[kind])
    ]
    if one.samples != other.samples:
        wrong.append("two copies: samples differ")
    return wrong


def unsound(folder: Path, *, cut_at_the_end: bool = False) -> list[str]:
    """Name what is wrong with the folder of a test whose record is closed."""
    wrong = []
    try:
        if trouble := trouble_in_run_file(folder):
            return [trouble]
        with h5py.File(folder / "run.h5") as run:
            numbers, times = run["cycles/number"][:], run["cycles/time"][:]
    except (RigError, OSError) as error:
        return [f"the record cannot be read: {error}"]
    if not np.array_equal(numbers, np.arange(1, len(numbers) + 1)):
        wrong.append("/cycles/number has a hole or repeats")
    if not (np.diff(times) > 0).all():
        wrong.append("/cycles/time does not rise")
    # Each runner has a log of its own.
    left = {re.sub(r"-\d+\.log$", ".log", p.name) for p in folder.iterdir()} - FINISHED
    left -= TOO_MANY if cut_at_the_end else set()
    if left:
        wrong.append(f"left in the folder: {', '.join(sorted(left))}")
    if holder := folder_holder(folder):
        wrong.append(f"the folder is still locked: {holder.who}")
    wrong += _twice(folder)
    return wrong


def _twice(folder: Path) -> list[str]:
    """Name what happens once in a test and is in the record more than once."""
    with Journal(folder) as journal:
        # One that a stop cut off is made again.
        whole = [e for e in journal.entries("inspections") if "ended by the stop" not in e[3]]
        inspected = [cycle for _, cycle, _, _ in whole]
        once = [kind for _, _, kind, _ in journal.entries("events")]
    wrong = []
    if len({*inspected}) < len(inspected):
        wrong.append(f"inspections are in the record twice: at {inspected}")
    wrong += [
        f"{once.count(k)} events {k!r}" for k in ("first crack", "baseline") if once.count(k) > 1
    ]
    return wrong


def exit_code(outcome: str) -> int:
    """Return the code with which a command ends that tells of an outcome."""
    return EXIT_CODES[outcome]


def interruptions(record: Kept) -> int:
    """Return how many interruptions by a program that was gone are in a record."""
    return sum(GONE in str(entry[3]) for entry in record.entries["interruptions"])


def cycles_lost(record: Kept) -> list[int]:
    """Return how many cycles each resumption says the record lacks."""
    texts = [text for _, _, kind, text in record.entries["events"] if kind == "resume"]
    return [
        int(text.removeprefix("about ").split()[0])
        for text in texts
        if "cycles run and not recorded" in text
    ]
