"""Whether run.h5 is whole and says what the journal says."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any, Final

import h5py
import numpy as np

from rig.errors import StorageError
from rig.record.entries import LISTS, Field
from rig.record.history import Journal
from rig.record.layout import (
    INDEX,
    RUN_FILE,
    SAMPLES,
    TEXTS,
    columns_of,
    compound,
    described,
    flag_meanings,
    index_rows,
    list_rows,
    open_file,
    plain_rows,
    root_attributes,
    sampled,
    static_columns,
)
from rig.record.sealing import AnyArray
from rig.record.trouble import storage

_PARTS: Final = 256
"""So many parts of a run file have a checksum of their own, so that damage has a place."""
_LEAST_PART: Final = 4096


def digest(path: Path) -> str:
    """Return the size of a file, then the CRC-32 of each part of it, the parts equally long."""
    size = path.stat().st_size
    found = [str(size)]
    with path.open("rb") as file:
        while block := file.read(part_length(size)):
            found.append(f"{zlib.crc32(block):08x}")
    return " ".join(found)


def part_length(size: int) -> int:
    """Return how long the parts of a file of so many bytes are [B]; the last may be shorter."""
    return max(_LEAST_PART, -(-size // _PARTS))


def trouble_in_run_file(folder: Path) -> str:
    """Return what is wrong with the run.h5 of a folder, in words; "" where nothing is.

    Its bytes must be those that were verified when it was made, since HDF5 cannot tell: a damaged
    page makes some of its reads go round for ever, and text in its heap carries no checksum. Then
    every dataset and attribute is compared with the journal, which may have gone on. `rebuild`
    makes the file again. Raises StorageError if the journal is damaged or cannot be read.
    """
    path = folder / RUN_FILE
    with Journal(folder) as journal:
        journal.whole()
        if not path.is_file():
            return f"{path} is missing"
        with storage(path, "read the run file"):
            found = digest(path)
        if journal.run_file is None:
            return f"{path} is not what the journal would make: it is older, or of another run"
        if found != journal.run_file:
            return f"{path} is damaged: {_difference(found, journal.run_file)}"
        try:
            with storage(path, "read the run file"), open_file(path, "r") as file:
                verify(file, journal)
        except StorageError as error:
            return str(error)
    return ""


def _difference(found: str, expected: str) -> str:
    size, *parts = found.split()
    due, *verified = expected.split()
    if size != due:
        return f"it has {size} bytes, the file that was verified has {due}"
    length = part_length(int(size))
    differ = [n for n, (a, b) in enumerate(zip(parts, verified, strict=True)) if a != b]
    if len(differ) == len(parts) > 1:
        return "no part of it is as it was verified; it may be of another run"
    last = min((differ[0] + 1) * length, int(size)) - 1
    more = f", and {len(differ) - 1} more of its {len(parts)} parts" if differ[1:] else ""
    return f"bytes {differ[0] * length} to {last}{more} are not as they were verified"


def verify(file: Any, journal: Journal) -> None:
    """Compare every dataset and attribute of an open run file with the journal.

    Raises StorageError for the first difference.
    """
    attributes = root_attributes(journal)
    _same("names of attributes", sorted(file.attrs), sorted(attributes))
    for name, value in attributes.items():
        _same(f"attribute {name}", np.array(file.attrs[name]), np.array(value))
    lists = {kind: columns_of(kind, _columns(file, kind), journal) for kind in LISTS}
    _verify_names(file, journal, lists)
    for name in TEXTS:
        _same(name, file[name].asstr()[()], journal.header.texts.get(name, ""))
    for kind in journal.tables:
        _verify_table(file[kind], journal, kind)
    for kind, fields in lists.items():
        rows = [row[: len(fields)] for row in list_rows(journal, kind)]
        _same(kind, plain_rows(file[kind]), compound(fields, rows))
    index = plain_rows(file["full_rate/index"])
    _same("full_rate/index", index, compound(INDEX, index_rows(journal)))
    for name, column in static_columns(journal).items():
        _same(f"static/{name}", file["static"][name][:], column)
    for kind in SAMPLES:
        _verify_samples(file[SAMPLES[kind]], journal, kind)


def _columns(file: Any, kind: str) -> tuple[str, ...]:
    return (file[kind].dtype.names or ()) if kind in file else ()


def _verify_names(file: Any, journal: Journal, lists: Mapping[str, tuple[Field, ...]]) -> None:
    expected: dict[str, dict[str, str]] = {
        path: {"units": units, "long_name": long_name}
        for path, (units, long_name) in described(journal, lists).items()
    }
    for kind in ("cycles", "build_up"):
        expected[f"{kind}/flags"]["meanings"] = flag_meanings()
    found: list[str] = []
    # Names alone: to open every object once more would double the time.
    h5py.h5o.visit(file.id, lambda name: found.append(name.decode()))
    groups = {str(above) for path in expected for above in PurePosixPath(path).parents}
    _same("names of datasets", sorted({*found} - groups), sorted(expected))
    for path, attributes in expected.items():
        there = dict(file[path].attrs)
        _same(f"attributes of {path}", sorted(there.items()), sorted(attributes.items()))


def _verify_table(group: Any, journal: Journal, kind: str) -> None:
    sets = [group[f.name] for f in journal.tables[kind]]
    rows = 0
    for chunk in journal.chunks(kind):
        rows = chunk.first + chunk.rows
        for index, dataset in enumerate(sets):
            found = dataset[chunk.first : rows]
            if chunk.is_whole:
                # HDF5 has just decoded the chunk and held it against its two checksums.
                _, stored = dataset.id.read_direct_chunk((chunk.first,))
                _same(dataset.name, stored, chunk.parts[index])
            else:
                _same(dataset.name, found, chunk.column(index))
    for dataset in sets:
        _same(f"rows of {dataset.name}", len(dataset), rows)


def _verify_samples(group: Any, journal: Journal, kind: str) -> None:
    names, offset = sampled(journal, kind), 0
    for record in journal.samples(kind):
        stop = offset + record.values.shape[1]
        kept = dict(zip(record.channels, record.values, strict=True))
        for name in names:
            expected = kept.get(name, np.full(stop - offset, np.nan, np.float32))
            _same(group[name].name, group[name][offset:stop], expected)
        offset = stop
    for name in names:
        _same(f"length of {group[name].name}", len(group[name]), offset)


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
