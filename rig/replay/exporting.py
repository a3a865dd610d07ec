"""A recording as CSV files with a data dictionary, from which the same bits can be read again.

Each record of samples is a file of its own: so each can be imported again, has the channels that
were kept in it and no others, and one of hours does not stand between the others.
"""

from __future__ import annotations

import math
import os
import secrets
import shutil
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np

from rig.errors import InputError
from rig.record.entries import LISTS, STATIC, FullRateRecord
from rig.record.layout import TEXTS
from rig.record.trouble import storage
from rig.replay.dictionary import (
    DICTIONARY,
    RUN,
    Column,
    index_columns,
    list_columns,
    sample_columns,
    table_columns,
)
from rig.replay.recording import Recording
from rig.replay.sheet import ENCODING, Sheet
from rig.samples import SampleArray

TABLES: Final = ("cycles", "build-up", "slow")
"""Tables of many rows."""
SAMPLES: Final = ("full-rate", "static")
"""Records of samples."""
WHAT: Final = (*TABLES, *SAMPLES, *LISTS)
"""What can be exported, by the names that people choose from."""
PIECE: Final = 2**15
"""Rows, or frames of a record, that are in memory at once."""
_DICTIONARY: Final = "dictionary.csv"


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: the folder, its files, rows a file, columns with values that are inexact.

    `rows` counts all samples of a kind under `full_rate/*.csv`.
    """

    folder: str
    files: tuple[str, ...]
    rows: Mapping[str, int]
    inexact: Mapping[str, int]


@dataclass(slots=True)
class _Out:
    """The folder that is being written, the units asked for, and what stands in it so far."""

    folder: Path
    chosen: Mapping[str, str]
    files: list[str] = field(default_factory=list)
    rows: dict[str, int] = field(default_factory=dict)
    inexact: dict[str, int] = field(default_factory=dict)
    words: dict[tuple[str, str], tuple[Column, str]] = field(default_factory=dict)

    @contextmanager
    def sheet(self, name: str, columns: tuple[Column, ...], group: str = "") -> Iterator[Sheet]:
        """Write a file, and note what stands in it; files of one `group` are described once."""
        place = group or name
        with Sheet(self.folder / name, columns, self.chosen) as sheet:
            yield sheet
        self.files.append(name)
        self.rows[place] = self.rows.get(place, 0) + sheet.rows
        for column, written, head, wrong in zip(
            columns, sheet.written, sheet.heads, sheet.inexact, strict=True
        ):
            self.words.setdefault((place, head), (column, written.unit))
            if wrong:
                label = f"{place}: {head}"
                self.inexact[label] = self.inexact.get(label, 0) + wrong


def export(
    recording: Recording,
    out: Path,
    what: Collection[str] = WHAT,
    chosen: Mapping[str, str] | None = None,
) -> Exported:
    """Write a recording as CSV files into a new folder; `chosen` units as `chosen_units` gives.

    Written beside it under a hidden name and renamed at the end. Raises InputError for a folder
    that exists, StorageError for a damaged record or a disk that takes no more.
    """
    with told_by_disk(out, "write the export"), hidden_folder(out) as folder:
        to = _Out(folder, chosen or {})
        _run(recording, to)
        for name in WHAT:
            if name in what:
                _part(recording, name, to)
        _dictionary(to)
        give_name(folder, out)
    return Exported(str(out.absolute()), tuple(to.files), to.rows, to.inexact)


@contextmanager
def told_by_disk(out: Path, doing: str) -> Iterator[None]:
    """Say in a line what the disk refused; what is a mistake of ours stays one."""
    try:
        yield
    except OSError:
        with storage(out, doing):
            raise


@contextmanager
def hidden_folder(out: Path) -> Iterator[Path]:
    """Yield a hidden folder beside `out`; what is still in it at the end is taken away."""
    folder = out.absolute().parent / f".{out.name}.{secrets.token_hex(4)}"
    folder.mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def give_name(made: Path, out: Path) -> None:
    """Give what is whole its name. Raises InputError where that is taken by now."""
    # A rename would take the place of a file or of an empty folder without a word.
    if os.path.lexists(out):
        raise InputError(f"{out}: exists by now, nothing was written; name a new folder")
    made.rename(out)


def _run(recording: Recording, to: _Out) -> None:
    """Write what is known of the whole run, and the files that it keeps, as they were."""
    header = recording.header
    known = {
        "run_id": header.run_id,
        "software": header.software,
        "started_utc": header.started_utc,
        "title": header.title,
        "specimen_id": header.specimen_id,
        "exposure": header.exposure,
        "seed": "" if header.seed is None else str(header.seed),
        "rate": repr(float(header.rate)),
        "simulated": "yes" if header.simulated else "no",
        "imported": header.imported,
        "outcome": recording.outcome or "",
        "why": recording.why,
        "cycles": str(recording.cycles),
        "ended_time": "" if math.isnan(recording.ended_time) else repr(recording.ended_time),
    }
    if (after := recording.residual) is not None:
        known |= {"residual_outcome": after.outcome, "residual_why": after.why}
        known |= {
            f"residual_{name}": "" if value is None else repr(value)
            for name, value in (("load", after.load), ("deflection", after.deflection))
        }
    with to.sheet("run.csv", RUN) as sheet:
        sheet.add_rows(list(known.items()))
    for name in TEXTS:
        if text := header.texts.get(name, ""):
            file = f"{name}.toml"
            (to.folder / file).write_text(text, ENCODING, newline="")
            to.files.append(file)


def _part(recording: Recording, name: str, to: _Out) -> None:
    kind = name.replace("-", "_")
    if name in TABLES:
        _table(recording, kind, to)
    elif name in SAMPLES:
        _records(recording, kind, to)
    else:
        with to.sheet(f"{kind}.csv", list_columns(kind)) as sheet:
            sheet.add_rows(recording.entries(kind))


def _table(recording: Recording, kind: str, to: _Out) -> None:
    there = recording.column_names(kind)
    known = {c.recorded.rpartition("/")[2]: c for c in table_columns(recording.header, kind)}
    names = [n for n in known if n in there]
    with to.sheet(f"{kind}.csv", tuple(known[n] for n in names)) as sheet:
        for piece in recording.table(kind, PIECE):
            sheet.add([piece[n] for n in names])


@dataclass(frozen=True, slots=True)
class _Record:
    """A stretch of samples: its row in the table of records, where it begins, and its pieces.

    `first` counts frames of the device, `rate` [Hz] and `frames` are its own; each piece is
    float32 of shape (channels, frames) [SI].
    """

    row: tuple[Any, ...]
    first: int
    rate: float
    frames: int
    channels: tuple[str, ...]
    pieces: Iterator[SampleArray]


def _records(recording: Recording, kind: str, to: _Out) -> None:
    """Write the table of records, and a file with the samples of each."""
    (to.folder / kind).mkdir()
    every = _static(recording) if kind == "static" else _full_rate(recording)
    with to.sheet(f"{kind}.csv", index_columns(kind)) as index:
        for number, record in enumerate(every, start=1):
            file = f"{kind}/{number:04d}.csv"
            _samples(record, kind, file, recording.rate, to)
            index.add_rows([(file, *record.row, record.frames)])


def _static(recording: Recording) -> Iterator[_Record]:
    for found in recording.static():
        # What the table calls `first_frame` is `first` here.
        names = ("first" if f.name == "first_frame" else f.name for f in STATIC)
        row = tuple(getattr(found, name) for name in names)
        frames = found.values.shape[1]
        yield _Record(row, found.first, found.rate, frames, found.channels, iter([found.values]))


def _full_rate(recording: Recording) -> Iterator[_Record]:
    pieces = recording.full_rate(PIECE)
    for label, first, frames, rate in recording.stretches():
        if frames:  # else it holds nothing
            head = next(pieces)
            row = (label, head.cycle, first, rate)
            yield _Record(row, first, rate, frames, head.channels, _of_one(head, pieces, frames))


def _of_one(
    head: FullRateRecord, others: Iterator[FullRateRecord], frames: int
) -> Iterator[SampleArray]:
    """Yield the pieces of the record that begins with `head` and has so many frames."""
    yield head.values
    missing = frames - head.values.shape[1]
    while missing > 0:
        values = next(others).values
        missing -= values.shape[1]
        yield values


def _samples(record: _Record, kind: str, file: str, rate: float, to: _Out) -> None:
    """Write one record; a channel that run.h5 has in others only has no column in it."""
    head = next(record.pieces)
    whole = head.shape[1] == record.frames
    kept = [i for i, row in enumerate(head) if not (whole and np.isnan(row).all())]
    columns = sample_columns(kind, tuple(record.channels[i] for i in kept))
    # Slow loadings keep means: their frames are longer than the device's.
    begin = record.first * record.rate / rate
    with to.sheet(file, columns, f"{kind}/*.csv") as sheet:
        for values in chain([head], record.pieces):
            times = (begin + np.arange(sheet.rows, sheet.rows + values.shape[1])) / record.rate
            sheet.add([times, *(values[i] for i in kept)])


def _dictionary(to: _Out) -> None:
    """Write what each column is, this file's own columns too."""
    with to.sheet(_DICTIONARY, DICTIONARY) as sheet:
        own = {(_DICTIONARY, c.name): (c, "1") for c in DICTIONARY}
        for (place, head), (column, unit) in (to.words | own).items():
            wrong = to.inexact.get(f"{place}: {head}", 0)
            exact = f"no: {wrong} of {to.rows[place]}" if wrong else "yes"
            sheet.add_rows(
                [(place, head, unit, column.type_name, column.recorded, exact, column.meaning)]
            )
