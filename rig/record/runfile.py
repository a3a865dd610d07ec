"""run.h5, version 1: made from the journal alone, read back, and only then given its name."""

from __future__ import annotations

import json
import os
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np

from rig.channels import channel_unit
from rig.errors import StorageError
from rig.record.entries import LISTS, STATIC, Ending, Field
from rig.record.history import Chunk, Journal
from rig.record.hold import Hold
from rig.record.journal import JournalWriter
from rig.record.sealing import CHUNK_ROWS, AnyArray
from rig.record.segment import FILTERS, describe
from rig.record.trouble import storage, sync_file, sync_folder
from rig.samples import Flag

RUN_FILE: Final = "run.h5"
FORMAT: Final = "nightrig-run"
VERSION: Final = 1
CACHE_BYTES: Final = 2**18
TEXTS: Final = ("protocol", "rig", "specimen")
INDEX: Final[tuple[Field, ...]] = (
    Field("label", "text", "1", "why it was kept"),
    Field("cycle", "<i8", "1", "counted cycle at its beginning"),
    Field("first_frame", "<i8", "1", "device number of the first frame"),
    Field("offset", "<i8", "1", "place of the first frame in the channel datasets"),
    Field("frames", "<i8", "1", "number of frames"),
    Field("rate", "<f8", "Hz", "frames per second"),
)


def make_run_file(folder: Path, writer: JournalWriter) -> Path:
    """Write run.h5 from the journal of a folder, verify it and rename it into place.

    `writer` of the same folder keeps its digest. Raises StorageError; a run.h5 that was there
    before then stays as it was.
    """
    path, new = folder / RUN_FILE, folder / (RUN_FILE + ".new")
    with Journal(folder) as journal:
        with storage(new, "write the run file"), _open(new, "w") as file:
            _write(file, journal)
        with storage(new, "read the run file back"), _open(new, "r") as file:
            _verify(file, journal)
    with storage(path, "put the run file in its place"):
        sync_file(new)
        writer.run_file(digest(new))
        writer.commit()
        os.replace(new, path)
        sync_folder(folder)
    return path


def digest(path: Path) -> str:
    """Return size and CRC-32 of a file's bytes."""
    crc = size = 0
    with path.open("rb") as file:
        while block := file.read(2**20):
            crc, size = zlib.crc32(block, crc), size + len(block)
    return f"{size} {crc:08x}"


def run_file_is_whole(folder: Path) -> bool:
    """Tell whether run.h5 holds the very bytes that were verified when it was made.

    HDF5 cannot tell: a damaged page makes some of its reads go round for ever, and text in
    its heap carries no checksum. Raises StorageError if the journal cannot be read.
    """
    path = folder / RUN_FILE
    with Journal(folder) as journal, storage(path, "read the run file"):
        found = digest(path) if path.is_file() else ""
        return found == journal.run_file


def _open(path: Path, mode: str) -> Any:
    # HDF5's own cache would hold megabytes of chunks for each column, used once each.
    # Since HDF5 1.10 headers and indexes carry checksums, as the chunks do.
    return h5py.File(path, mode, rdcc_nbytes=CACHE_BYTES, libver=("v110", "v110"))


def _write(file: Any, journal: Journal) -> None:
    for name, value in root_attributes(journal).items():
        file.attrs[name] = value
    for name in TEXTS:
        _text(file, name, journal.header.texts.get(name, ""))
    for kind in journal.tables:
        _table(file.create_group(kind), journal, kind)
    if "flags" in file["cycles"]:
        meanings = json.dumps({flag.value: _mark(flag) for flag in Flag})
        for kind in ("cycles", "build_up"):
            file[kind]["flags"].attrs["meanings"] = meanings
    for kind, fields in LISTS.items():
        _compound(file, kind, fields, list_rows(journal, kind))
    _static(file.create_group("static"), journal)
    _full_rate(file.create_group("full_rate"), journal)


def _mark(flag: Flag) -> str:
    return str(flag.name).lower().replace("_", "-")


def root_attributes(journal: Journal) -> dict[str, Any]:
    """Return the root attributes that a journal calls for."""
    header = journal.header
    ending = journal.ending or Ending("", "not ended", journal.rows("cycles"), float("nan"))
    found: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "run_id": header.run_id,
        "software": header.software,
        "started_utc": header.started_utc,
        "title": header.title,
        "specimen_id": header.specimen_id,
        "exposure": header.exposure,
        "rate": header.rate,
        "simulated": header.simulated,
        "outcome": ending.outcome,
        "why": ending.why,
        "cycles": ending.cycles,
        "ended_time": ending.ended_time,
    }
    return found if header.seed is None else found | {"seed": str(header.seed)}


def list_rows(journal: Journal, kind: str) -> list[tuple[Any, ...]]:
    """Return the rows of a short list; the calibration is what the header says."""
    if kind != "calibration":
        return journal.entries(kind)
    return [(c.name, c.unit, c.resolution, c.low, c.high) for c in journal.header.channels]


def _text(group: Any, name: str, text: str) -> None:
    dataset = group.create_dataset(name, data=text, dtype=h5py.string_dtype())
    describe(dataset, "1", f"{name} file as written")


def _table(group: Any, journal: Journal, kind: str) -> None:
    rows = journal.rows(kind)
    sets = [_column(group, f, rows) for f in journal.tables[kind]]
    for chunk in journal.chunks(kind):
        _put(sets, chunk)


def _column(group: Any, field: Field, rows: int) -> Any:
    # An empty dataset cannot be chunked without growing.
    shape: dict[str, Any] = {"shape": (rows,), "maxshape": (None,), "chunks": (CHUNK_ROWS,)}
    dataset = group.create_dataset(field.name, dtype=field.dtype, **shape, **FILTERS)
    describe(dataset, field.units, field.long_name)
    return dataset


def _is_whole(chunk: Chunk) -> bool:
    return chunk.rows == CHUNK_ROWS and chunk.first % CHUNK_ROWS == 0


def _put(sets: list[Any], chunk: Chunk) -> None:
    for index, dataset in enumerate(sets):
        if _is_whole(chunk):
            dataset.id.write_direct_chunk((chunk.first,), chunk.parts[index])
        else:
            dataset[chunk.first : chunk.first + chunk.rows] = chunk.column(index)


def compound(fields: tuple[Field, ...], rows: list[tuple[Any, ...]]) -> AnyArray:
    """Return rows as a compound array, its text as UTF-8 of variable length."""
    text = h5py.string_dtype()
    dtype = np.dtype([(f.name, text if f.dtype == "text" else f.dtype) for f in fields])
    return np.array(rows, dtype)


def _compound(group: Any, name: str, fields: tuple[Field, ...], rows: list[Any]) -> None:
    dataset = group.create_dataset(name, data=compound(fields, rows))
    describe(dataset, ", ".join(f.units for f in fields), ", ".join(f.long_name for f in fields))


def _channels(group: Any, journal: Journal, kind: str, frames: int) -> None:
    units = {c.name: c.unit for c in journal.header.channels}
    kept = (name for head in journal.sample_heads(kind) for name in head["channels"])
    for name in dict.fromkeys((*journal.header.sampled, *kept)):
        shape: dict[str, Any] = {"shape": (frames,), "maxshape": (None,), "chunks": (16384,)}
        dataset = group.create_dataset(
            name, dtype="<f4", fillvalue=np.float32(np.nan), **shape, **FILTERS
        )
        describe(
            dataset,
            units.get(name) or channel_unit(name) or "1",
            f"samples of {name}, one record after the other",
        )
    offset = 0
    for record in journal.full_rate() if kind == "full_rate" else journal.static():
        stop = offset + record.values.shape[1]
        for name, values in zip(record.channels, record.values, strict=True):
            group[name][offset:stop] = values
        offset = stop


def offsets(heads: list[dict[str, Any]]) -> list[int]:
    """Return where each stretch begins in the channel datasets, and where the last ends."""
    return [0, *np.cumsum([head["frames"] for head in heads], dtype=int).tolist()]


def index_rows(journal: Journal) -> list[tuple[Any, ...]]:
    """Return the rows of /full_rate/index."""
    heads = journal.sample_heads("full_rate")
    places = [head | {"offset": at} for head, at in zip(heads, offsets(heads), strict=False)]
    return [tuple(place[f.name] for f in INDEX) for place in places]


def static_columns(journal: Journal) -> dict[str, AnyArray]:
    """Return the columns of /static."""
    heads = [head | {"first_frame": head["first"]} for head in journal.sample_heads("static")]
    found: dict[str, AnyArray] = {
        f.name: np.array([head[f.name] for head in heads], f.dtype) for f in STATIC
    }
    found["offset"] = np.array(offsets(heads)[:-1], "<i8")
    found["frames"] = np.array([head["frames"] for head in heads], "<i8")
    return found


def _static(group: Any, journal: Journal) -> None:
    columns = static_columns(journal)
    words = {f.name: (f.units, f.long_name) for f in (*STATIC, *INDEX)}
    for name, column in columns.items():
        describe(group.create_dataset(name, data=column), *words[name])
    _channels(group.create_group("samples"), journal, "static", int(columns["frames"].sum()))


def _full_rate(group: Any, journal: Journal) -> None:
    rows = index_rows(journal)
    _compound(group, "index", INDEX, rows)
    _channels(group, journal, "full_rate", offsets(journal.sample_heads("full_rate"))[-1])


def _verify(file: Any, journal: Journal) -> None:
    """Compare every dataset with the journal, part by part."""
    for name, value in root_attributes(journal).items():
        _same(f"attribute {name}", np.array(file.attrs[name]), np.array(value))
    for name in TEXTS:
        _same(name, file[name].asstr()[()], journal.header.texts.get(name, ""))
    for kind in journal.tables:
        _verify_table(file[kind], journal, kind)
    for kind, fields in LISTS.items():
        _same(kind, plain_rows(file[kind]), compound(fields, list_rows(journal, kind)))
    index = plain_rows(file["full_rate/index"])
    _same("full_rate/index", index, compound(INDEX, index_rows(journal)))
    for name, column in static_columns(journal).items():
        _same(f"static/{name}", file["static"][name][:], column)
    for place, records in (
        ("full_rate", journal.full_rate()),
        ("static/samples", journal.static()),
    ):
        offset = 0
        for record in records:
            stop = offset + record.values.shape[1]
            for name, values in zip(record.channels, record.values, strict=True):
                _same(f"{place}/{name}", file[place][name][offset:stop], values)
            offset = stop


def _verify_table(group: Any, journal: Journal, kind: str) -> None:
    sets = [group[f.name] for f in journal.tables[kind]]
    rows = 0
    for chunk in journal.chunks(kind):
        rows = chunk.first + chunk.rows
        for index, dataset in enumerate(sets):
            found = dataset[chunk.first : rows]
            if _is_whole(chunk):
                # HDF5 has just decoded the chunk and held it against its two checksums.
                _, stored = dataset.id.read_direct_chunk((chunk.first,))
                _same(dataset.name, stored, chunk.parts[index])
            else:
                _same(dataset.name, found, chunk.column(index))
    for dataset in sets:
        _same(f"rows of {dataset.name}", len(dataset), rows)


def plain_rows(dataset: Any) -> AnyArray:
    """Return a compound dataset with its text as str."""
    rows: Any = dataset[:]
    for name in rows.dtype.names:
        if rows.dtype[name].kind == "O":
            rows[name] = [text.decode() for text in rows[name]]
    found: AnyArray = rows
    return found


def _same(what: str, found: Any, expected: Any) -> None:
    if isinstance(found, bytes):
        found, expected = np.frombuffer(found, np.uint8), np.frombuffer(expected, np.uint8)
    a: Any = np.asarray(found)
    b: Any = np.asarray(expected)
    if a.dtype.kind not in "OUV" and a.dtype == b.dtype:
        same = a.shape == b.shape and a.tobytes() == b.tobytes()
    elif a.dtype.names:
        same = a.shape == b.shape and all(_equal(a[n], b[n]) for n in a.dtype.names)
    else:
        same = _equal(a, b)
    if not same:
        raise StorageError(f"{what} in {RUN_FILE} does not read back as it was written")


def _equal(a: AnyArray, b: AnyArray) -> bool:
    return np.array_equal(a, b, equal_nan=a.dtype.kind == "f")


def rebuild(folder: Path) -> Path:
    """Make run.h5 again from the journal alone and return its path.

    Raises StorageError if there is no journal, it is damaged, another process writes it, or the
    disk is full.
    """
    with closing(Hold(folder)) as hold:
        with Journal(folder) as journal:
            journal.pages_whole()
        with closing(JournalWriter(folder, hold)) as writer:
            path = make_run_file(folder, writer)
            writer.settle()
    return path
