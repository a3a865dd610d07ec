"""What a report of a run is made from: run.h5 where it is whole, else the journal.

The numbers of a report are to be found again in run.h5. A folder holds two copies; run.h5 is read
where its bytes are those that were verified when it was made, and the journal only for a run that
has none.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from rig.errors import InputError, StorageError
from rig.protocol.plan import Plan
from rig.record.cracks import CrackEntry, read_cracks
from rig.record.entries import Event, RunHeader
from rig.record.hashes import sha256_of
from rig.record.history import Journal
from rig.record.journal import JOURNAL
from rig.record.layout import RUN_FILE, TEXTS
from rig.record.trouble import storage
from rig.record.verify import digest
from rig.replay.recording import Recording, open_recording
from rig.report.curve_columns import Columns, columns_of
from rig.report.measure import Measure, Part, Stamp, Words

_OF_JOURNAL: Final = (
    "all is from the journal; nightrig resume, given the folder of the run, makes run.h5 anew"
)


@dataclass(frozen=True, slots=True)
class Whole:
    """What is known of run.h5: its SHA-256 ("" where there is none), and whether it is `verified`.

    `said` is that in words: by what it was held against the journal, or why it was not read.
    """

    sha256: str
    verified: bool
    said: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class RunRead:
    """A run as a report is made from it. `folder` is where its pictures are.

    `plan` is None where this version cannot read the texts, `unread` then says why. `tables` are
    those texts as TOML, by name, {} for one that is none.
    """

    folder: Path
    recording: Recording
    header: RunHeader
    whole: Whole
    plan: Plan | None
    unread: str
    tables: Mapping[str, Mapping[str, Any]]
    events: tuple[Event, ...]
    cracks: tuple[CrackEntry, ...]
    columns: Columns

    @property
    def outcome(self) -> str:
        """How it ended, "" without an end and for an import."""
        return self.recording.outcome or ""

    @property
    def ended(self) -> bool:
        """Whether its record has an end; that of an import has one without an outcome."""
        return bool(self.outcome) or math.isfinite(self.recording.ended_time)

    @property
    def without_samples(self) -> bool:
        """Whether rows of cycles were imported: rate, and times without such a column, are none."""
        return bool(self.header.imported) and not self.recording.stretches()

    @property
    def cyclic(self) -> bool:
        """Whether cycles were asked for or recorded, as far as is known: not in a static test."""
        asked = self.plan is None or self.plan.cyclic is not None
        return asked or self.columns.rows + self.columns.build_up_rows > 0

    @property
    def cycles(self) -> Measure:
        """The counted cycle at the end, or the number of counted rows without one."""
        return Measure(self.recording.cycles, "1", "attr.cycles")

    def table(self, text: str, name: str) -> Mapping[str, Any]:
        """Return a table of one of the texts, {} where there is none of that name."""
        found = self.tables[text].get(name)
        return found if isinstance(found, Mapping) else {}

    def rows(self, kind: str) -> list[tuple[Any, ...]]:
        """Return the rows of a short list."""
        return self.recording.entries(kind)

    def moment(self, time: float, key: str) -> Part:
        """Return day and clock time (UTC) of a test time [s] that stands at a key."""
        try:
            began = datetime.fromisoformat(self.header.started_utc)
            at = began + timedelta(seconds=time)
        except (ValueError, OverflowError):
            return Measure(time, "s", key, blank="not known")
        return Stamp(at.isoformat(timespec="seconds"), f"derived.utc.{key}")


@contextmanager
def read_for_report(path: Path) -> Iterator[RunRead]:
    """Give a run, from its folder or run.h5, read for a report.

    Raises InputError where there is no run, StorageError where nothing of it can be read.
    """
    with ExitStack() as stack:
        recording, header, whole, texts_from = _opened(path, stack)
        plan, unread = _plan(texts_from)
        yield RunRead(
            folder=path if path.is_dir() else path.parent,
            recording=recording,
            header=header,
            whole=whole,
            plan=plan,
            unread=unread,
            tables={name: _table(header.texts.get(name, "")) for name in TEXTS},
            events=tuple(recording.events()),
            cracks=read_cracks(recording),
            columns=columns_of(recording, plan, _others(header)),
        )


def _opened(path: Path, stack: ExitStack) -> tuple[Recording, RunHeader, Whole, Recording]:
    """Open what is to be read; return recording, header, what run.h5 is worth, texts' source."""
    file = path / RUN_FILE
    if path.is_dir() and not file.is_file():
        of_journal = stack.enter_context(open_recording(path))
        said = "there is no run.h5, which is made when a run ends; all is from the journal"
        return of_journal, of_journal.header, Whole("", verified=False, said=(said,)), of_journal
    if not path.is_dir() or not (path / JOURNAL).is_file():
        alone = stack.enter_context(open_recording(path))
        run_file = file if path.is_dir() else path
        said = "run.h5 was read alone: there is no journal beside it to hold it against"
        whole = Whole(sha256_of(run_file), verified=False, said=(said,))
        return alone, alone.header, whole, alone
    try:
        of_journal = stack.enter_context(open_recording(path))
        known = _known(path)
    except StorageError as error:
        alone = stack.enter_context(open_recording(file))
        trouble = Words(str(error), "file.run.h5.trouble")
        why = ("run.h5 was read alone, for the journal cannot be: ", trouble)
        return alone, alone.header, Whole(sha256_of(file), verified=False, said=why), alone
    whole = _held_against(file, known)
    read = stack.enter_context(open_recording(file)) if whole.verified else of_journal
    return read, of_journal.header, whole, of_journal


def _known(folder: Path) -> str | None:
    with Journal(folder) as journal:
        return journal.run_file


def _held_against(file: Path, known: str | None) -> Whole:
    """Hold run.h5 against the checksums that the journal keeps of it."""
    with storage(file, "read the run file"):
        found = digest(file)
    if known is None:
        said = f"run.h5 is older than the journal, or of another run; {_OF_JOURNAL}"
    elif found != known:
        said = f"run.h5 is damaged: it is not the file that was verified; {_OF_JOURNAL}"
    else:
        said = (
            "run.h5 was read back against the journal when it was made, and its bytes are the "
            "same since then (checksums in the journal)"
        )
        return Whole(sha256_of(file), verified=True, said=(said,))
    return Whole(sha256_of(file), verified=False, said=(said,))


def _others(header: RunHeader) -> list[str]:
    """Return a column of each sampled channel, so that one without any value shows."""
    return [f"{name}_max" for name in header.sampled]


def _plan(recording: Recording) -> tuple[Plan | None, str]:
    try:
        return recording.plan(), ""
    except InputError as error:
        # Where the record lies is no matter of its report.
        return None, str(error).removeprefix(f"{recording.path}: ")


def _table(text: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
