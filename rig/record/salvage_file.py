"""The file into which a damaged journal is saved: tables with holes, and the name of each hole.

Its format is `nightrig-salvage`, so that nobody takes it for a run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np

from rig.record.entries import LISTS, Field, filled, tables
from rig.record.kept_samples import SHA256
from rig.record.layout import compound, open_file
from rig.record.remains import Hole, Piece, Remains
from rig.record.sealing import split, unseal
from rig.record.segment import FILTERS, describe

FORMAT: Final = "nightrig-salvage"
VERSION: Final = 1
_HOLES: Final = (
    Field("what", "text", "1", "table or kind"),
    Field("first", "<i8", "1", "number of the first that is missing, rows from 0, others from 1"),
    Field("count", "<i8", "1", "how many are missing, 0 where nobody can tell"),
    Field("words", "text", "1", "in words"),
)
_STRETCHES: Final = (
    Field("first", "<i8", "1", "row of the run, from 0, with which the stretch begins"),
    Field("rows", "<i8", "1", "rows of the stretch"),
    Field("offset", "<i8", "1", "place of its first row in the columns beside"),
)
_SEQ: Final = Field("seq", "<i8", "1", "place in the order of all entries, from 1")


def write_salvage(path: Path, remains: Remains, missing: Sequence[Hole]) -> list[Hole]:
    """Write the file; return, and write into it, what could not be read after all."""
    header = remains.header
    more: list[Hole] = []
    with open_file(path, "w") as file:
        file.attrs["format"], file.attrs["version"] = FORMAT, VERSION
        file.attrs["run_id"] = header.run_id if header else ""
        if header is None:
            _sealed(file.create_group("sealed"), remains.pieces)
        else:
            for name, text in header.texts.items():
                _text(file, f"texts/{name}", text, f"{name} file as written")
            for kind, fields in tables(header).items():
                more += _table(file.create_group(kind), kind, fields, remains.pieces[kind])
        for key, text in remains.meta.items():
            _text(file, f"metadata/{key}", text, f"{key}, as the journal held it")
        for kind, fields in LISTS.items():
            _list(file, kind, fields, remains)
        more += _samples(file.create_group("samples"), remains)
        holes = [(hole.what, hole.first, hole.count, hole.words) for hole in (*missing, *more)]
        _compound(file, "holes", _HOLES, holes)
    return more


def _text(group: Any, name: str, text: str, words: str) -> None:
    describe(group.create_dataset(name, data=text, dtype=h5py.string_dtype()), "1", words)


def _compound(group: Any, name: str, fields: tuple[Field, ...], rows: list[Any]) -> None:
    dataset = group.create_dataset(name, data=compound(fields, rows))
    describe(dataset, ", ".join(f.units for f in fields), ", ".join(f.long_name for f in fields))


def _sealed(group: Any, pieces: Mapping[str, Sequence[Piece]]) -> None:
    """Keep rows as they are sealed, for whoever knows their columns."""
    for kind, found in pieces.items():
        for piece in found:
            dataset = group.create_dataset(
                f"{kind}/{piece.first}", data=np.frombuffer(piece.body, np.uint8)
            )
            describe(dataset, "1", f"{piece.rows} rows of {kind} from row {piece.first}, sealed")


def _table(group: Any, kind: str, fields: tuple[Field, ...], pieces: Sequence[Piece]) -> list[Hole]:
    columns: list[list[Any]] = [[np.empty(0, field.dtype)] for field in fields]
    spans, lost = [], []
    offset = 0
    for piece in pieces:
        try:
            parts = split(piece.body, len(fields))
            found = [unseal(p, f.dtype, piece.rows) for p, f in zip(parts, fields, strict=True)]
        except ValueError as error:
            words = f"{kind} {piece.first + 1} to {piece.first + piece.rows} are lost: {error}"
            lost.append(Hole(kind, piece.first, piece.rows, words))
            continue
        for column, values in zip(columns, found, strict=True):
            column.append(values[piece.skip :])
        spans.append((piece.first + piece.skip, piece.rows - piece.skip, offset))
        offset += piece.rows - piece.skip
    for field, column in zip(fields, columns, strict=True):
        dataset = group.create_dataset(
            field.name, data=np.concatenate(column), maxshape=(None,), chunks=(4096,), **FILTERS
        )
        describe(dataset, field.units, field.long_name)
    _compound(group, "stretches", _STRETCHES, spans)
    return lost


def _list(file: Any, kind: str, fields: tuple[Field, ...], remains: Remains) -> None:
    rows = [
        (seq, *filled(kind, json.loads(body)))
        for seq, (found, body) in sorted(remains.entries.items())
        if found == kind
    ]
    _compound(file, kind, (_SEQ, *fields), rows)


def _samples(group: Any, remains: Remains) -> list[Hole]:
    lost = []
    for seq, (kind, text, body) in sorted(remains.samples.items()):
        head = json.loads(text)
        channels, frames = head["channels"], head["frames"]
        if SHA256 in head:
            lost.append(Hole("samples", seq, 1, f"stretches of samples: {seq} is in run.h5 alone"))
            continue
        try:
            parts = [unseal(part, "<f4", frames) for part in split(body, len(channels))]
        except ValueError as error:
            lost.append(Hole("samples", seq, 1, f"stretches of samples: {seq} is lost: {error}"))
            continue
        values = np.array(parts, np.float32).reshape(len(channels), frames)
        dataset = group.create_dataset(f"{kind}/{seq}", data=values)
        describe(dataset, "SI", "samples, one line a channel: " + ", ".join(channels))
        dataset.attrs["head"] = text
    return lost
