"""Building the record of a run out of a file: samples straight to run.h5, rows to the journal.

First the samples, then the journal, whose header tells what was found in them, then the rows;
at the end run.h5 is completed, read back and only then given its name.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from rig.clock import real_seconds
from rig.record.entries import Ending, RunHeader, tables
from rig.record.hold import Hold
from rig.record.journal import JournalWriter
from rig.record.kept_samples import SHA256, SampleSets, kept_pieces
from rig.record.layout import RUN_FILE, open_file
from rig.record.rows import Rows
from rig.record.runfile import make_run_file
from rig.record.trouble import storage
from rig.samples import Cycles, SampleArray

LABEL: Final = "imported"
COMMIT_EVERY: Final = 2.0
"""Longest real time between commits [s]: nobody goes on from them, they only free memory."""

Head = dict[str, Any]


class SampleWriter:
    """Writes the samples of an import into the folder's run.h5.new; a context manager."""

    def __init__(self, folder: Path, channels: tuple[str, ...]) -> None:
        self._channels = channels
        self._path = folder / (RUN_FILE + ".new")
        with storage(self._path, "write the samples"):
            self._file: Any = open_file(self._path, "w")
            self._sets = SampleSets(self._file, channels)

    def __enter__(self) -> SampleWriter:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        with storage(self._path, "close the samples"):
            self._file.close()

    def add(self, values: SampleArray) -> None:
        """Add samples [SI], shape (channels, frames). Raises StorageError."""
        with storage(self._path, "write the samples"):
            self._sets.add(values)

    def finish(self, first_frame: int, rate: float) -> Head:
        """Return what the journal keeps of the samples; `rate` is frames a second [Hz]."""
        with storage(self._path, "write the samples"):
            hashes = self._sets.finish()
        return {
            "label": LABEL,
            "cycle": 0,
            "first_frame": first_frame,
            "rate": rate,
            "channels": list(self._channels),
            "frames": self._sets.frames,
            SHA256: hashes,
        }


def written_samples(folder: Path, head: Head) -> Iterator[SampleArray]:
    """Yield the samples just written, read back, in pieces. Raises StorageError."""
    for _, values in kept_pieces(folder / (RUN_FILE + ".new"), head):
        yield values


class ImportRecord:
    """The journal of an import on its way; a context manager. Every method may raise StorageError.

    `head` is what `SampleWriter.finish` returned, None where rows of cycles are imported.
    """

    def __init__(self, folder: Path, hold: Hold, header: RunHeader, head: Head | None) -> None:
        self._folder, self._head = folder, head
        self._journal = JournalWriter.create(folder, header, hold)
        kinds = tables(header)
        self._rows = {
            kind: Rows(kind, kinds[kind], self._journal) for kind in ("cycles", "build_up")
        }
        self._committed = real_seconds()
        if head is not None:
            self._journal.kept_in_file(head)

    def __enter__(self) -> ImportRecord:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self._journal.close()

    def add(self, kind: str, rows: Cycles) -> None:
        """Add rows of "cycles" or "build_up", with the numbers they carry."""
        self._rows[kind].add(rows.columns, len(rows))
        if real_seconds() - self._committed >= COMMIT_EVERY:
            self._journal.commit()
            self._committed = real_seconds()

    def event(self, time: float, cycle: int, text: str) -> None:
        """Add an event of kind "import": test time [s], last counted cycle."""
        self._journal.entry("events", float(time), int(cycle), "import", text)

    def finish(self, why: str, ended_time: float) -> int:
        """End the record, make and verify run.h5; return the number of counted cycles."""
        cycles = self._rows["cycles"].first + self._rows["cycles"].filled
        for rows in self._rows.values():
            rows.merge()
        self._journal.ending(Ending("", why, cycles, float(ended_time)))
        self._journal.commit()
        make_run_file(self._folder, self._journal, begun=self._head is not None)
        self._journal.settle()
        return cycles
