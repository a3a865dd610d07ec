"""run.h5, version 1: made from the journal alone, read back, and only then given its name."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import h5py

from rig.record.entries import LISTS, Field
from rig.record.history import Chunk, Journal
from rig.record.hold import Hold
from rig.record.journal import JournalWriter
from rig.record.kept_samples import sample_set
from rig.record.layout import (
    INDEX,
    RUN_FILE,
    SAMPLES,
    TEXTS,
    compound,
    described,
    flag_meanings,
    index_rows,
    list_rows,
    offsets,
    open_file,
    root_attributes,
    sampled,
    static_columns,
)
from rig.record.log import refuse_damaged_log
from rig.record.sealing import CHUNK_ROWS
from rig.record.segment import FILTERS, describe
from rig.record.trouble import storage, sync_file, sync_folder
from rig.record.verify import digest, verify

DAMAGED: Final = "run.h5.damaged"
"""What is left of a run file whose samples cannot be made again."""


def make_run_file(folder: Path, writer: JournalWriter, *, begun: bool = False) -> Path:
    """Write run.h5 from the journal of a folder, verify it and rename it into place.

    `writer` of the same folder keeps its digest. With `begun` run.h5.new holds the samples of an
    imported run already; without it they come from the run.h5 that is there. Raises StorageError;
    a run.h5 that was there before then stays as it was.
    """
    path, new = folder / RUN_FILE, folder / (RUN_FILE + ".new")
    with Journal(folder) as journal:
        if begun:
            journal.samples_in = new
        with storage(new, "write the run file"), open_file(new, "a" if begun else "w") as file:
            _write(file, journal, ("static",) if begun else tuple(SAMPLES))
        with storage(new, "read the run file back"), open_file(new, "r") as file:
            verify(file, journal)
    with storage(path, "put the run file in its place"):
        sync_file(new)
        writer.run_file(digest(new))
        writer.commit()
        os.replace(new, path)
        sync_folder(folder)
    return path


def _write(file: Any, journal: Journal, sampled_kinds: tuple[str, ...]) -> None:
    for name, value in root_attributes(journal).items():
        file.attrs[name] = value
    for name in TEXTS:
        text = journal.header.texts.get(name, "")
        file.create_dataset(name, data=text, dtype=h5py.string_dtype())
    for kind in journal.tables:
        _table(file.create_group(kind), journal, kind)
    for kind, fields in LISTS.items():
        file.create_dataset(kind, data=compound(fields, list_rows(journal, kind)))
    for name, column in static_columns(journal).items():
        file.create_dataset(f"static/{name}", data=column)
    file.create_dataset("full_rate/index", data=compound(INDEX, index_rows(journal)))
    for kind in sampled_kinds:
        _samples(file, journal, kind)
    for path, words in described(journal).items():
        describe(file[path], *words)
    for kind in ("cycles", "build_up"):
        file[kind]["flags"].attrs["meanings"] = flag_meanings()


def _table(group: Any, journal: Journal, kind: str) -> None:
    rows = journal.rows(kind)
    sets = [_column(group, f, rows) for f in journal.tables[kind]]
    for chunk in journal.chunks(kind):
        _put(sets, chunk)


def _column(group: Any, field: Field, rows: int) -> Any:
    # An empty dataset cannot be chunked without growing.
    shape: dict[str, Any] = {"shape": (rows,), "maxshape": (None,), "chunks": (CHUNK_ROWS,)}
    return group.create_dataset(field.name, dtype=field.dtype, **shape, **FILTERS)


def _put(sets: list[Any], chunk: Chunk) -> None:
    for index, dataset in enumerate(sets):
        if chunk.is_whole:
            dataset.id.write_direct_chunk((chunk.first,), chunk.parts[index])
        else:
            dataset[chunk.first : chunk.first + chunk.rows] = chunk.column(index)


def _samples(file: Any, journal: Journal, kind: str) -> None:
    group = file.require_group(SAMPLES[kind])
    frames = offsets(journal.sample_heads(kind))[-1]
    for name in sampled(journal, kind):
        sample_set(group, name, frames)
    offset = 0
    for record in journal.samples(kind):
        stop = offset + record.values.shape[1]
        for name, values in zip(record.channels, record.values, strict=True):
            group[name][offset:stop] = values
        offset = stop


def rebuild(folder: Path) -> Path:
    """Make run.h5 again from the journal alone and return its path.

    Raises StorageError if there is no journal, it is damaged, another process writes it, or the
    disk is full; SamplesLost where run.h5 alone held samples and does not any more.
    """
    with closing(Hold(folder)) as hold:
        refuse_damaged_log(folder)
        with Journal(folder, keep_index=True) as journal:
            journal.whole()
        with closing(JournalWriter(folder, hold)) as writer:
            path = make_run_file(folder, writer)
            writer.settle()
    return path


def rebuild_rows(folder: Path, why: str) -> Path:
    """Make run.h5 again without the samples that were lost; return where the damaged one is kept.

    `why` is kept as an event. Raises StorageError.
    """
    path, kept = folder / RUN_FILE, folder / DAMAGED
    with closing(Hold(folder)) as hold, closing(JournalWriter(folder, hold)) as writer:
        # First out of the way: what is made below would take its place.
        if path.exists():
            with storage(path, "keep the damaged run file"):
                os.replace(path, kept)
                sync_folder(folder)
        writer.give_up_kept(why)
        writer.commit()
        make_run_file(folder, writer)
        writer.settle()
    return kept
