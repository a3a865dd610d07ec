"""The recorder: everything a run keeps goes through here, in the order it happened."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Final

import numpy as np

from rig.clock import real_seconds
from rig.errors import InputError, StorageError
from rig.record.cracks import CRACKS, CrackEntry
from rig.record.entries import (
    AT_ONCE,
    Ending,
    FullRateRecord,
    Residual,
    RunHeader,
    StaticRecord,
    tables,
)
from rig.record.history import Journal
from rig.record.hold import Hold
from rig.record.journal import READERS, JournalWriter
from rig.record.log import refuse_damaged_log
from rig.record.rows import Rows
from rig.record.runfile import make_run_file
from rig.record.sealing import CHUNK_ROWS
from rig.record.segment import SEGMENTS, Segment
from rig.record.status import Status
from rig.record.trouble import storage, sync_folder
from rig.samples import Cycles

COMMIT_EVERY: Final = 0.5
"""Longest real time between commits [s]."""


def check_numbers(folder: Path, rows: Cycles, expected: int) -> None:
    """Raise StorageError unless counted cycles go on from the number `expected`."""
    numbers = rows.columns["number"]
    if not np.array_equal(numbers, np.arange(expected, expected + len(rows))):
        raise StorageError(
            f"{folder}: counted cycles must go on from {expected}, "
            f"got {numbers[:3].tolist()}...; nothing of them was recorded"
        )


class Recorder:
    """Records one run into its folder; the only writer there.

    Every method may raise StorageError. After a failed commit nothing is lost: what waits stays
    in memory and the next commit tries again. It keeps the interface `RunRecord`.
    """

    def __init__(self, folder: Path, header: RunHeader, journal: JournalWriter) -> None:
        self.folder = folder
        self.header = header
        self._journal = journal
        self._kinds = tables(header)
        self._cycles, self._build_up, self._slow = (
            Rows(kind, fields, self._journal) for kind, fields in self._kinds.items()
        )
        self._next = 1
        self._slow_waiting: list[tuple[float, ...]] = []
        self._segment: Segment | None = None
        self._merged = self._ended = False
        self._committed = real_seconds()

    def _begin_segment(self) -> None:
        self._segment = Segment(self.folder, self.header, self._kinds["cycles"])

    @staticmethod
    def create(folder: Path, header: RunHeader) -> Recorder:
        """Make a run's folder with its journal and first segment.

        Raises InputError if the folder exists, StorageError if it cannot be made.
        """
        with storage(folder, "make the folder of the run"):
            try:
                # Another run may want the same name at the same moment: making it decides.
                folder.mkdir(parents=True)
            except FileExistsError:
                raise InputError(
                    f"{folder}: already exists, nothing was written; name a folder that does not"
                ) from None
        recorder = None
        try:
            recorder = Recorder(folder, header, JournalWriter.create(folder, header))
            recorder._begin_segment()
        except StorageError:
            if recorder is not None:
                recorder.abandon()
            # Nothing has begun, and the name must be free for the next attempt.
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return recorder

    @staticmethod
    def reopen(folder: Path, header: RunHeader) -> Recorder:
        """Go on with a record that was not finished, from its last commit, in a new segment.

        Raises InputError if the run has ended or is not the one of the header, StorageError if
        the journal cannot be read or written, or another process still writes it.
        """
        hold = Hold(folder)
        try:
            recorder = Recorder._reloaded(folder, header, hold)
        except (InputError, StorageError):
            hold.close()
            raise
        try:
            recorder._begin_segment()
        except StorageError as error:
            recorder._give_up_segment(error)
        return recorder

    @staticmethod
    def _reloaded(folder: Path, header: RunHeader, hold: Hold) -> Recorder:
        refuse_damaged_log(folder)
        with Journal(folder) as journal:
            _check_same_run(journal, header)
            recorder = Recorder(folder, header, JournalWriter(folder, hold))
            try:
                recorder._reload(journal)
            except StorageError:
                recorder.abandon()
                raise
        return recorder

    def _reload(self, journal: Journal) -> None:
        self._journal.received = journal.received
        for table in (self._cycles, self._build_up, self._slow):
            whole = journal.rows(table.kind) // CHUNK_ROWS * CHUNK_ROWS
            table.reload(whole, journal.chunks(table.kind, whole))
        self._next = 1 + self._cycles.first + self._cycles.filled

    @property
    def received(self) -> int:
        """Number of the last message whose content was recorded, 0 where nobody counts."""
        return self._journal.received or 0

    @received.setter
    def received(self, number: int) -> None:
        self._journal.received = number

    @property
    def log_size(self) -> int:
        """Length of the journal's log [B], which grows while another program holds it."""
        return self._journal.log_size

    @property
    def counted(self) -> int:
        """Number of the last counted cycle, 0 before the first."""
        return self._next - 1

    def cycles(self, rows: Cycles) -> None:
        """Record counted cycles; their numbers go on from the last one without a hole."""
        count = len(rows)
        check_numbers(self.folder, rows, self._next)
        self._next += count
        for parts in self._cycles.add(rows.columns, count):
            self._stream(parts)

    def _stream(self, parts: list[bytes]) -> None:
        if self._segment is None:
            return
        try:
            self._segment.chunk(parts)
        except StorageError as error:
            # Only readers along depend on the segment; the record does not.
            self._give_up_segment(error)

    def _give_up_segment(self, error: StorageError) -> None:
        if self._segment is not None:
            self._segment.drop()
        self._segment = None
        self.add_event(0.0, self.counted, "record", f"segment ended: {error}")

    def build_up(self, rows: Cycles) -> None:
        """Record cycles that do not count, with the numbers they carry."""
        self._build_up.add(rows.columns, len(rows))

    def slow(self, time: float, values: Mapping[str, float]) -> None:
        """Record the slow channels [SI] at a test time [s]; a missing one becomes NaN."""
        nan = float("nan")
        self._slow_waiting.append((time, *(values.get(n, nan) for n in self.header.slow)))
        if len(self._slow_waiting) >= CHUNK_ROWS:
            self._flush_slow()

    def _flush_slow(self) -> None:
        if self._slow_waiting:
            table = np.array(self._slow_waiting)
            names = [f.name for f in self._slow.fields]
            self._slow.add(dict(zip(names, table.T, strict=True)), len(table))
            self._slow_waiting.clear()

    def event(self, time: float, cycle: int, kind: str, text: str) -> None:
        """Record an event; kinds in `AT_ONCE` are on the disk when this returns."""
        self.add_event(time, cycle, kind, text)
        if kind in AT_ONCE:
            self.commit()

    def add_event(self, time: float, cycle: int, kind: str, text: str) -> None:
        """Record an event of any kind without committing it."""
        self._journal.entry("events", float(time), int(cycle), kind, text)

    def static(self, record: StaticRecord) -> None:
        """Record a static check with its samples."""
        self._journal.samples("static", record)

    def full_rate(self, record: FullRateRecord) -> None:
        """Record a stretch of samples."""
        self._journal.samples("full_rate", record)

    def spray(self, time_on: float, time_off: float, litres: float, confirmed: bool) -> None:
        """Record one spray period: test times [s], water given [L], whether flow was seen."""
        values = (float(time_on), float(time_off), float(litres) / 1000.0, int(confirmed))
        self._journal.entry("spray", *values)

    def inspection(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record an inspection: test time and duration [s], last counted cycle."""
        self._journal.entry("inspections", float(time), int(cycle), float(duration), text)

    def crack(self, entry: CrackEntry) -> None:
        """Record an entry of the crack log."""
        self._journal.entry(CRACKS, *entry.row())

    def interruption(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record a pause or a stop with resumption: test time and duration [s]."""
        self._journal.entry("interruptions", float(time), int(cycle), float(duration), text)

    def zero(self, time: float, channel: str, value: float, text: str) -> None:
        """Record that a channel's reading [SI] was made its zero."""
        self._journal.entry("zeros", float(time), channel, float(value), text)

    def restart_point(self, values: Mapping[str, object]) -> None:
        """Keep the newest restart point; it is committed with all rows recorded so far.

        The rows recorded so far are added under "recorded": an event that commits at once may
        bring later rows to the disk, and a resumption must cut them.
        """
        self._flush_slow()
        kept = (self._cycles, self._build_up, self._slow)
        recorded = {rows.kind: rows.first + rows.filled for rows in kept}
        self._journal.restart_point({**values, "recorded": recorded})

    def status(self, status: Status) -> None:
        """Keep the newest status; it is committed with all rows recorded so far."""
        self.add_status(status.to_json())

    def add_status(self, text: str) -> None:
        """Keep the newest status, given as `Status.to_json` writes it."""
        self._journal.status(text)

    @property
    def due(self) -> bool:
        """Whether `commit_if_due` would commit: the moment to give a restart point and a status."""
        return real_seconds() - self._committed >= COMMIT_EVERY

    def commit_if_due(self) -> None:
        """Commit if the last commit is `COMMIT_EVERY` of real time ago."""
        if self.due:
            self.commit()

    def commit(self) -> None:
        """Make all that was recorded durable, in one transaction."""
        self._flush_slow()
        for rows in (self._cycles, self._build_up, self._slow):
            rows.save()
        self._journal.commit()
        self._committed = real_seconds()

    @property
    def trouble(self) -> str:
        """Always "": what the disk refuses is raised where it is recorded."""
        return ""

    async def synced(self) -> None:
        """Commit. Raises StorageError."""
        self.commit()

    def finish(
        self,
        outcome: str,
        why: str,
        cycles: int,
        ended_time: float,
        residual: Residual | None = None,
        *,
        readers: float = READERS,
    ) -> Path:
        """End the record: make and verify run.h5, then take the segments away; return its path.

        `cycles` is the number at the verdict, `ended_time` test time [s], `residual` how the static
        test after a run-out ended. Who still reads the
        journal is waited for, at the longest `readers` [s]; `JournalWriter.settle` says what is
        left if that is not enough. What raised StorageError can be tried again, or given up with
        `abandon`.
        """
        if not self._ended:
            if not self._merged:
                # Once: each time would put the tail into memory again.
                self._flush_slow()
                for rows in (self._cycles, self._build_up, self._slow):
                    rows.merge()
                self._merged = True
            self._journal.ending(Ending(outcome, why, int(cycles), float(ended_time), residual))
            self.commit()
            self._ended = True
            self._end_segment()
        # The journal stays open: a log beside it keeps readers from taking it for at rest.
        path = _completed(self.folder, self._journal)
        self._journal.settle(readers)
        self._journal.close()
        return path

    @property
    def ended(self) -> bool:
        """Whether the ending is in the journal: nothing more can be recorded."""
        return self._ended

    def _end_segment(self) -> None:
        if self._segment is not None:
            try:
                self._segment.close(self._cycles.part())
            except StorageError:
                self._segment.drop()
            self._segment = None

    def abandon(self) -> None:
        """Close without finishing, as a crash would: only what was committed remains."""
        if self._segment is not None:
            self._segment.drop()
            self._segment = None
        self._journal.close()


def complete(folder: Path) -> Path:
    """Make and verify run.h5 of a run that has ended and take its segments away.

    Returns the path of run.h5; raises StorageError.
    """
    with closing(JournalWriter(folder)) as journal:
        return _completed(folder, journal)


def _completed(folder: Path, journal: JournalWriter) -> Path:
    path = make_run_file(folder, journal)
    with storage(folder, "take the segments away"):
        if (folder / SEGMENTS).exists():
            shutil.rmtree(folder / SEGMENTS)
        sync_folder(folder)
    return path


def _check_same_run(journal: Journal, header: RunHeader) -> None:
    ending, found = journal.ending, journal.header
    if ending is not None:
        raise InputError(
            f"{journal.path}: this run has ended ({ending.outcome}), nothing was written; "
            "name a run that has not"
        )
    if (found.run_id, found.channels) != (header.run_id, header.channels):
        raise InputError(
            f"{journal.path}: this is run {found.run_id!r} with {len(found.channels)} channels, "
            f"not {header.run_id!r} with these {len(header.channels)}; nothing was written"
        )
