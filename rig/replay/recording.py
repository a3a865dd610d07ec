"""A recording: what a finished, unfinished or imported run holds, read from its folder or run.h5.

Nothing here writes. Rows come in pieces, with the columns that are asked for and no others, so
that millions of them need little time and memory; a stretch of samples comes in pieces too.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np

from rig.errors import InputError, StorageError
from rig.protocol.plan import Plan
from rig.record.entries import Event, FullRateRecord, Residual, RunHeader, StaticRecord
from rig.record.history import Journal
from rig.record.journal import JOURNAL
from rig.record.layout import RUN_FILE, TEXTS, list_rows
from rig.record.reader import RunFile
from rig.replay.kept_files import plan_of_kept, plan_on_rig
from rig.samples import Cycles, Flag

ROWS: Final = 65536
"""Rows in one piece."""
FRAMES: Final = 250_000
"""Frames in one piece of a stretch of samples."""
KNOWN_AFTER: Final = 2
"""Frames after its end at which a cycle is known: a lone spike is told by the sample after it."""
_FRAME_COLUMNS: Final = ("time", "frequency")

Columns = dict[str, np.ndarray[Any, np.dtype[Any]]]


class Recording:
    """A recorded run open for reading; a context manager.

    `path` is what was opened, `header` what was known before the first cycle. `outcome` is None
    where the recording has no end, `cycles` the counted cycle at its end or, without one, the
    number of counted rows. `residual` is how the static test after a run-out ended.
    """

    def __init__(self, path: Path, journal: Journal | None, run_file: RunFile | None) -> None:
        self.path = path
        self._journal = journal
        self._run_file = run_file
        self.header: RunHeader = journal.header if journal else _header_of(_present(run_file))
        self.outcome, self.why, self.cycles = self._ending()
        self.residual = self._residual()

    def _ending(self) -> tuple[str | None, str, int]:
        if self._journal is None:
            file = _present(self._run_file)
            return file.outcome or None, file.why, file.cycles
        ending = self._journal.ending
        if ending is None:
            return None, "not ended", self._journal.rows("cycles")
        return ending.outcome or None, ending.why, ending.cycles

    def _residual(self) -> Residual | None:
        if self._journal is None:
            return _present(self._run_file).residual
        return self._journal.ending.residual if self._journal.ending is not None else None

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close what was opened."""
        for source in (self._journal, self._run_file):
            if source is not None:
                source.close()

    @property
    def ended(self) -> bool:
        """Whether the recording has an end."""
        return self.outcome is not None

    @property
    def ended_time(self) -> float:
        """Test time of the end [s], NaN without one."""
        if self._journal is not None:
            ending = self._journal.ending
            return ending.ended_time if ending is not None else math.nan
        return float(_present(self._run_file).attributes["ended_time"])

    @property
    def rate(self) -> float:
        """Frames a second [Hz]."""
        return self.header.rate

    def count(self, kind: str = "cycles") -> int:
        """Return the number of rows of "cycles", "build_up" or "slow"."""
        source = self._journal or _present(self._run_file)
        return source.rows(kind)

    def column_names(self, kind: str = "cycles") -> tuple[str, ...]:
        """Return the names of the columns of a table, in their order."""
        if self._journal is not None:
            return tuple(field.name for field in self._journal.tables[kind])
        return _present(self._run_file).column_names(kind)

    def table(
        self, kind: str = "cycles", size: int = ROWS, only: Collection[str] | None = None
    ) -> Iterator[Columns]:
        """Yield a table in pieces of at most `size` rows, by column; `only` those named."""
        names = [n for n in self.column_names(kind) if only is None or n in only]
        if self._journal is not None:
            yield from _joined(_of_journal(self._journal, kind, names), size)
            return
        file = _present(self._run_file)
        for start in range(0, file.rows(kind), size):
            yield {name: file.column(name, start, start + size, kind) for name in names}

    def rows(
        self, size: int = ROWS, only: Collection[str] | None = None, kind: str = "cycles"
    ) -> Iterator[Cycles]:
        """Yield the counted rows before the verdict, in pieces; those after it are left out.

        `only` names the columns that are wanted. The frames a row spans are worked out of its
        time and frequency, and may be a frame off.
        """
        wanted = None if only is None else {*only, *_FRAME_COLUMNS, "flags"}
        for columns in self.table(kind, size, wanted):
            cycles = as_cycles(columns, self.rate)
            before = (columns["flags"].astype(np.int64) & Flag.AFTER_END) == 0
            stop = len(cycles) if before.all() else int(np.argmin(before))
            if stop:
                yield cycles.part(0, stop)
            if stop < len(cycles):
                return

    def last_rows(self, count: int, before: float = math.inf) -> Cycles:
        """Return the last counted rows, at most `count`, that begin before a time [s]."""
        stop = self._row_at(before, "cycles") if before < math.inf else self.count()
        return as_cycles(self._part("cycles", max(stop - count, 0), stop), self.rate)

    def between(self, first: float, last: float, kind: str = "cycles") -> Cycles:
        """Return the rows whose time lies in [`first`, `last`) [s]; times rise in a table."""
        start, stop = (self._row_at(time, kind) for time in (first, last))
        return as_cycles(self._part(kind, start, max(start, stop)), self.rate)

    def _row_at(self, time: float, kind: str) -> int:
        """Return the index of the first row at or after a time [s]."""
        if self._journal is None:
            file = _present(self._run_file)
            return bisect_left(
                range(file.rows(kind)), time, key=lambda i: file.column("time", i, i + 1, kind)[0]
            )
        journal, at = self._journal, self._time_column(kind)
        places = journal.places(kind)
        chunk = bisect_left(
            places, time, key=lambda place: journal.chunk(kind, place[0]).column(at)[0]
        )
        if not chunk:
            return 0
        first = places[chunk - 1][0]
        return first + int(np.searchsorted(journal.chunk(kind, first).column(at), time))

    def _time_column(self, kind: str) -> int:
        return self.column_names(kind).index("time")

    def _part(self, kind: str, start: int, stop: int) -> Columns:
        """Return rows [start, stop) of a table by column; only their chunks are read."""
        names = self.column_names(kind)
        if self._journal is None:
            file = _present(self._run_file)
            return {name: file.column(name, start, stop, kind) for name in names}
        places = [p for p in self._journal.places(kind) if p[0] < stop and sum(p) > start]
        places = places if stop > start else []
        chunks = [self._journal.chunk(kind, first).columns() for first, _ in places]
        skip = start - places[0][0] if places else 0
        empty = {f.name: np.empty(0, f.dtype) for f in self._journal.tables[kind]}
        whole = _one([empty, *chunks])
        return {name: column[skip : skip + stop - start] for name, column in whole.items()}

    def full_rate(self, longest: int = FRAMES) -> Iterator[FullRateRecord]:
        """Yield the full-rate records in the order they were kept.

        One of more than `longest` frames comes in pieces, one after the other.
        """
        source = self._journal or _present(self._run_file)
        for record in source.full_rate():
            yield from _pieces(record, longest)

    def stretches(self) -> list[tuple[str, int, int, float]]:
        """Return label, first frame, frames and rate [Hz] of each full-rate record."""
        if self._journal is not None:
            heads = self._journal.sample_heads("full_rate")
            return [(h["label"], h["first_frame"], h["frames"], h["rate"]) for h in heads]
        return [
            (h.label, h.first_frame, h.frames, h.rate) for h in _present(self._run_file).heads()
        ]

    def kept(self, first: int, last: int, label: str = "") -> Iterator[FullRateRecord]:
        """Yield what is kept of frames [`first`, `last`) sample by sample, each record cut to them.

        With a `label` only records of it. Records of means, of another rate, are left out.
        """
        if self._journal is not None:
            for record in self._journal.full_rate():
                cut = _within(record.first_frame, record.values.shape[1], first, last)
                if record.rate == self.rate and cut[1] > cut[0] and label in ("", record.label):
                    yield _part_of(record, *cut)
            return
        file = _present(self._run_file)
        for head in file.heads():
            cut = _within(head.first_frame, head.frames, first, last)
            if head.rate == self.rate and cut[1] > cut[0] and label in ("", head.label):
                yield file.samples_of(head, *cut)

    def part(self, start: int, stop: int, kind: str = "cycles") -> Cycles:
        """Return rows [start, stop) of "cycles" or "build_up"; only their chunks are read."""
        return as_cycles(self._part(kind, start, stop), self.rate)

    def static(self) -> Iterator[StaticRecord]:
        """Yield the static checks in order."""
        return (self._journal or _present(self._run_file)).static()

    def events(self) -> list[Event]:
        """Return all events in order."""
        return (self._journal or _present(self._run_file)).events()

    def entries(self, kind: str) -> list[tuple[Any, ...]]:
        """Return the rows of one of the short lists, as `rig.record.entries.LISTS` names them."""
        if self._journal is not None:
            return list_rows(self._journal, kind)
        return _present(self._run_file).entries(kind)

    def plan(self) -> Plan:
        """Return the plan it was made by. Raises InputError where its files cannot be read."""
        return plan_of_kept(self.path, self.header.texts)

    def plan_with(self, protocol: str, read: Callable[[str], str]) -> Plan:
        """Return the plan of another protocol on the recorded rig. Raises InputError.

        `read` takes a path and returns its text.
        """
        return plan_on_rig(self.path, self.header.texts, protocol, read)


def open_recording(path: Path) -> Recording:
    """Open the recording in a run's folder, or a run.h5. Raises InputError and StorageError."""
    if path.is_file():
        return Recording(path, None, RunFile(path))
    if not path.is_dir():
        raise InputError(f"{path}: there is no such folder or run file; name a run")
    if (path / JOURNAL).is_file():
        return Recording(path, Journal(path), None)
    if (path / RUN_FILE).is_file():
        return Recording(path, None, RunFile(path / RUN_FILE))
    raise InputError(f"{path}: is no run, there is neither {JOURNAL} nor {RUN_FILE} in it")


def as_cycles(columns: Mapping[str, Any], rate: float) -> Cycles:
    """Return recorded rows with the frames they span, as near as time and frequency tell.

    The time is that of the crossing, between two samples, rounded to an eighth of a frame.
    """
    begun = np.asarray(columns["time"], np.float64) * rate
    length = rate / np.asarray(columns["frequency"], np.float64)
    begin = np.ceil(begun).astype(np.int64)
    end = np.ceil(begun + length).astype(np.int64)
    return Cycles(columns, begin, end, end + KNOWN_AFTER)


def _present(file: RunFile | None) -> RunFile:
    if file is None:
        raise ValueError("neither journal nor run file")
    return file


def _header_of(file: RunFile) -> RunHeader:
    """Return the header of a run file; whether time was virtual it does not tell."""
    given = file.attributes
    seed, rate = given.get("seed"), float(given["rate"])
    if not 0.0 < rate < math.inf:
        raise StorageError(f"{file.path}: {rate:g} samples a second are none; the file is damaged")
    return RunHeader(
        run_id=str(given["run_id"]),
        software=str(given["software"]),
        started_utc=str(given["started_utc"]),
        title=str(given["title"]),
        specimen_id=str(given["specimen_id"]),
        exposure=str(given["exposure"]),
        seed=None if seed is None else int(seed),
        rate=rate,
        channels=file.channels,
        texts={name: file.text(name) for name in TEXTS},
        simulated=bool(given["simulated"]),
        imported=str(given.get("imported", "")),
    )


def _of_journal(journal: Journal, kind: str, names: list[str]) -> Iterator[Columns]:
    """Yield the chunks of a table; only the columns named are unpacked."""
    places = {field.name: i for i, field in enumerate(journal.tables[kind])}
    for chunk in journal.chunks(kind):
        yield {name: chunk.column(places[name]) for name in names}


def _joined(chunks: Iterator[Columns], size: int) -> Iterator[Columns]:
    """Yield pieces of just `size` rows out of chunks of any length, the last one shorter."""
    waiting: list[Columns] = []
    held = 0
    for chunk in chunks:
        waiting.append(chunk)
        held += len(next(iter(chunk.values()), ()))
        if held < size:
            continue
        whole = _one(waiting)
        for start in range(0, held - size + 1, size):
            yield {name: column[start : start + size] for name, column in whole.items()}
        left = held % size
        waiting = [{name: c[held - left :].copy() for name, c in whole.items()}] if left else []
        held = left
    if held:
        yield _one(waiting)


def _one(pieces: list[Columns]) -> Columns:
    if len(pieces) == 1:
        return pieces[0]
    return {name: np.concatenate([p[name] for p in pieces]) for name in pieces[0]}


def _pieces(record: FullRateRecord, longest: int) -> Iterator[FullRateRecord]:
    frames = record.values.shape[1]
    for start in range(0, frames, longest):
        yield _part_of(record, start, start + longest)


def _part_of(record: FullRateRecord, begin: int, end: int) -> FullRateRecord:
    """Return frames [begin, end) of a record, counted from its first (a view)."""
    return replace(
        record, first_frame=record.first_frame + begin, values=record.values[:, begin:end]
    )


def _within(begins: int, frames: int, first: int, last: int) -> tuple[int, int]:
    """Return which frames of a record, counted from its first, lie in [first, last)."""
    return max(first - begins, 0), min(last - begins, frames)
