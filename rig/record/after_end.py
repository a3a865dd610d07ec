"""What is added to the crack log of a run that has ended; its cycles and samples stay as they are.

An entry and the event that tells of it are one transaction of the journal, which is the truth; then
run.h5 is made anew, verified and renamed into place like the first one.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from rig.errors import InputError
from rig.record.crack_words import numbered
from rig.record.cracks import CRACKS, CrackEntry, read_cracks
from rig.record.entries import Ending
from rig.record.hashes import sha256_of
from rig.record.history import Journal
from rig.record.hold import Hold
from rig.record.journal import JournalWriter
from rig.record.layout import RUN_FILE
from rig.record.log import refuse_damaged_log
from rig.record.runfile import make_run_file
from rig.record.trouble import storage
from rig.record.verify import digest

KIND: Final = "after the end"
"""Kind of the event that tells what was added, but for readings: theirs is "crack" as before."""


class AfterEnd:
    """The record of an ended run, held to be added to; made by `added_after`.

    `entries` is its crack log so far, `ending` how it ended.
    """

    def __init__(
        self, folder: Path, hold: Hold, entries: tuple[CrackEntry, ...], ending: Ending
    ) -> None:
        self.entries = entries
        self.ending = ending
        self._folder = folder
        self._hold = hold
        run_file = folder / RUN_FILE
        self._before = sha256_of(run_file) if run_file.is_file() else ""
        self._writer: JournalWriter | None = None

    def new(self, kind: str, by: str, at_utc: str, text: str = "") -> CrackEntry:
        """Return an entry of the time after the end, still without a number."""
        time, cycle = self.ending.ended_time, self.ending.cycles
        return CrackEntry(0, time, cycle, kind, by=by, text=text, at_utc=at_utc)

    def add(self, *entries: CrackEntry) -> None:
        """Add entries with the event that tells of them; durable when this returns.

        Raises StorageError.
        """
        # Opening it changes the file, so that it waits for the first entry.
        writer = self._writer = self._writer or JournalWriter(self._folder, self._hold)
        for entry in entries:
            writer.entry(CRACKS, *entry.row())
            kind = "crack" if entry.crack else KIND
            writer.entry("events", entry.time, entry.cycle, kind, self._told(entry))
        writer.outdate()
        writer.commit()

    def _told(self, entry: CrackEntry) -> str:
        by = f"{entry.by}: " if entry.by else ""
        before = f"; run.h5 had SHA-256 {self._before} before" if self._before else ""
        return f"{by}{numbered(entry)}; after the end, {entry.at_utc}{before}"

    def finish(self) -> None:
        """Make run.h5 anew if anything was added. Raises StorageError; the entries stay."""
        if self._writer is not None:
            with closing(self._writer):
                make_run_file(self._folder, self._writer)
                self._writer.settle()


@contextmanager
def added_after(folder: Path) -> Iterator[AfterEnd]:
    """Give the record of an ended run to add to; run.h5 is made anew at the end, come what may.

    Raises InputError where it has not ended, StorageError where it is damaged, somebody writes it,
    or the disk refuses; SamplesLost where run.h5 alone held samples and does not any more.
    """
    with closing(Hold(folder)) as hold:
        refuse_damaged_log(folder)
        with Journal(folder, keep_index=True) as journal:
            journal.whole()
            ending, entries = journal.ending, read_cracks(journal)
            if ending is None:
                raise InputError(f"{folder}: this run has not ended; nothing was written")
            _samples_whole(folder, journal)
        found = AfterEnd(folder, hold, entries, ending)
        try:
            yield found
        finally:
            found.finish()


def _samples_whole(folder: Path, journal: Journal) -> None:
    """Read the samples that run.h5 alone holds, unless it is the file that was verified."""
    path = folder / RUN_FILE
    if journal.run_file is not None and path.is_file():
        with storage(path, "read the run file"):
            if digest(path) == journal.run_file:
                return
    for _ in journal.full_rate():
        pass
