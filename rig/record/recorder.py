"""The recorder: everything a run keeps goes through here, in the order it happened."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np

from rig.clock import real_seconds
from rig.errors import InputError, StorageError
from rig.record.entries import (
    Ending,
    Field,
    FullRateRecord,
    RunHeader,
    StaticRecord,
    tables,
)
from rig.record.journal import JournalWriter, create_journal
from rig.record.runfile import make_run_file
from rig.record.sealing import CHUNK_ROWS, AnyArray, join, seal
from rig.record.segment import SEGMENTS, Segment
from rig.record.trouble import storage, sync_folder
from rig.samples import Cycles

COMMIT_EVERY: Final = 0.5
"""Longest real time between commits [s]."""
AT_ONCE: Final = frozenset({"state", "limit", "verdict"})
"""Kinds of events that are on the disk before the call returns."""


class _Rows:
    """Rows of one table on their way into chunks of `CHUNK_ROWS`."""

    def __init__(self, kind: str, fields: tuple[Field, ...], journal: JournalWriter) -> None:
        self.kind = kind
        self.fields = fields
        self.first = 0
        self.filled = 0
        self._saved = 0
        self._journal = journal
        self._columns = {f.name: np.empty(CHUNK_ROWS, f.dtype) for f in fields}

    def add(self, columns: Mapping[str, AnyArray], rows: int) -> list[list[bytes]]:
        """Take rows and return the chunks they completed, each as sealed columns."""
        done: list[list[bytes]] = []
        start = 0
        while start < rows:
            stop = min(rows, start + CHUNK_ROWS - self.filled)
            end = self.filled + stop - start
            for name, column in self._columns.items():
                column[self.filled : end] = columns[name][start:stop]
            self.filled, start = end, stop
            if self.filled == CHUNK_ROWS:
                done.append(self._seal(0))
                self.first, self.filled, self._saved = self.first + CHUNK_ROWS, 0, 0
        return done

    def _seal(self, start: int) -> list[bytes]:
        parts = [seal(column) for column in self.part(start).values()]
        rows = self.filled - start
        self._journal.chunk(self.kind, self.first + start, rows, join(parts))
        return parts

    def part(self, start: int = 0) -> dict[str, AnyArray]:
        """Return the rows from `start` on that are not in a whole chunk yet."""
        return {name: column[start : self.filled] for name, column in self._columns.items()}

    def save(self) -> None:
        """Hand the rows since the last save to the journal, as a piece of the tail."""
        if self._saved < self.filled:
            self._seal(self._saved)
            self._saved = self.filled

    def merge(self) -> None:
        """Make one piece of the tail's pieces."""
        if self.filled:
            self._seal(0)
            self._saved = self.filled


class Recorder:
    """Records one run into its folder; the only writer there.

    Every method may raise StorageError. After a failed commit nothing is lost: what waits stays
    in memory and the next commit tries again.
    """

    def __init__(self, folder: Path, header: RunHeader) -> None:
        self.folder = folder
        self.header = header
        self._journal = JournalWriter(folder)
        kinds = tables(header)
        self._cycles, self._build_up, self._slow = (
            _Rows(kind, fields, self._journal) for kind, fields in kinds.items()
        )
        self._next = 1
        self._slow_waiting: list[tuple[float, ...]] = []
        try:
            self._segment: Segment | None = Segment(folder, header, kinds["cycles"])
        except StorageError:
            self._journal.close()
            raise
        self._committed = real_seconds()

    @staticmethod
    def create(folder: Path, header: RunHeader) -> Recorder:
        """Make a run's folder with its journal and first segment.

        Raises InputError if the folder exists, StorageError if it cannot be made.
        """
        with storage(folder, "make the folder of the run"):
            if folder.exists():
                raise InputError(
                    f"{folder}: already exists, nothing was written; name a folder that does not"
                )
            folder.mkdir(parents=True)
        try:
            create_journal(folder, header)
            return Recorder(folder, header)
        except StorageError:
            # Nothing has begun, and the name must be free for the next attempt.
            shutil.rmtree(folder, ignore_errors=True)
            raise

    @property
    def counted(self) -> int:
        """Number of the last counted cycle, 0 before the first."""
        return self._next - 1

    def cycles(self, rows: Cycles) -> None:
        """Record counted cycles; their numbers go on from the last one without a hole."""
        count = len(rows)
        expected = np.arange(self._next, self._next + count)
        if not np.array_equal(rows.columns["number"], expected):
            raise StorageError(
                f"{self.folder}: counted cycles must go on from {self._next}, "
                f"got {rows.columns['number'][:3].tolist()}...; nothing of them was recorded"
            )
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
        self._journal.entry("events", 0.0, self.counted, "record", f"segment ended: {error}")

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
        self._journal.entry("events", float(time), int(cycle), kind, text)
        if kind in AT_ONCE:
            self.commit()

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

    def crack(self, time: float, cycle: int, text: str) -> None:
        """Record what a person mapped or saw of the cracks."""
        self._journal.entry("cracks", float(time), int(cycle), text)

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

    @property
    def due(self) -> bool:
        """Whether `commit_if_due` would commit: the moment to give a restart point."""
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

    def finish(self, outcome: str, why: str, cycles: int, ended_time: float) -> Path:
        """End the record: make and verify run.h5, then take the segments away; return its path.

        `cycles` is the number at the verdict, `ended_time` test time [s].
        """
        self._flush_slow()
        for rows in (self._cycles, self._build_up, self._slow):
            rows.merge()
        self._journal.ending(Ending(outcome, why, int(cycles), float(ended_time)))
        self.commit()
        self._end_segment()
        self._journal.close()
        path = make_run_file(self.folder)
        with storage(self.folder, "take the segments away"):
            shutil.rmtree(self.folder / SEGMENTS)
            sync_folder(self.folder)
        return path

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
