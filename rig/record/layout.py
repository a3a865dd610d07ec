"""What stands where in run.h5, version 1: names, words and short tables, out of the journal."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np

from rig.channels import channel_unit
from rig.record.entries import LISTS, STATIC, Ending, Field, Residual, filled
from rig.record.history import Journal
from rig.record.sealing import AnyArray
from rig.samples import Flag

RUN_FILE: Final = "run.h5"
FORMAT: Final = "nightrig-run"
VERSION: Final = 1
CACHE_BYTES: Final = 2**18
TEXTS: Final = ("protocol", "rig", "specimen", "series")
SAMPLES: Final = {"full_rate": "full_rate", "static": "static/samples"}
"""In which group the samples of each kind of record are."""
INDEX: Final[tuple[Field, ...]] = (
    Field("label", "text", "1", "why it was kept"),
    Field("cycle", "<i8", "1", "counted cycle at its beginning"),
    Field("first_frame", "<i8", "1", "device number of the first frame"),
    Field("offset", "<i8", "1", "place of the first frame in the channel datasets"),
    Field("frames", "<i8", "1", "number of frames"),
    Field("rate", "<f8", "Hz", "frames per second"),
)


def open_file(path: Path, mode: str) -> Any:
    """Open a file in the version that every HDF5 since 1.10 reads."""
    # HDF5's own cache would hold megabytes of chunks for each column, used once each.
    # Since HDF5 1.10 headers and indexes carry checksums, as the chunks do.
    return h5py.File(path, mode, rdcc_nbytes=CACHE_BYTES, libver=("v110", "v110"))


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
    if header.imported:
        found["imported"] = header.imported
    if ending.residual is not None:
        found |= _residual_attributes(ending.residual)
    return found if header.seed is None else found | {"seed": str(header.seed)}


def _residual_attributes(residual: Residual) -> dict[str, Any]:
    """Return what is said of the static test after a run-out: load [N], net deflection [m]."""
    values = {"load": residual.load, "deflection": residual.deflection}
    numbers = {
        f"residual_{name}": float("nan") if value is None else value
        for name, value in values.items()
    }
    return {"residual_outcome": residual.outcome, "residual_why": residual.why, **numbers}


def list_rows(journal: Journal, kind: str) -> list[tuple[Any, ...]]:
    """Return the rows of a short list; the calibration is what the header says."""
    if kind != "calibration":
        return journal.entries(kind)
    return [(c.name, c.unit, c.resolution, c.low, c.high) for c in journal.header.channels]


def columns_of(kind: str, names: tuple[str, ...], journal: Journal) -> tuple[Field, ...]:
    """Return the columns that a short list of a run file is to have, whose columns have `names`.

    One that was made before the last of them came is to have those before, unless the journal
    has something to put into the others.
    """
    fields = LISTS[kind]
    earlier = fields[: len(names)]
    if 0 < len(earlier) < len(fields) and tuple(f.name for f in earlier) == names:
        rows = list_rows(journal, kind)
        if all(_same_row(row, filled(kind, row[: len(earlier)])) for row in rows):
            return earlier
    return fields


def _same_row(one: tuple[Any, ...], other: tuple[Any, ...]) -> bool:
    # NaN is blank, and equal to nothing.
    return all(a == b or (a != a and b != b) for a, b in zip(one, other, strict=True))


def described(
    journal: Journal, lists: Mapping[str, tuple[Field, ...]] = LISTS
) -> dict[str, tuple[str, str]]:
    """Return units and long name of every dataset, by its path; `lists` have these columns."""
    found = {name: ("1", f"{name} file as written") for name in TEXTS}
    for kind, fields in journal.tables.items():
        found |= {f"{kind}/{f.name}": (f.units, f.long_name) for f in fields}
    for kind, fields in (*lists.items(), ("full_rate/index", INDEX)):
        units, names = (", ".join(words) for words in zip(*map(_words, fields), strict=True))
        found[kind] = units, names
    places = (f for f in INDEX if f.name in {"offset", "frames"})
    found |= {f"static/{f.name}": _words(f) for f in (*STATIC, *places)}
    channels = {c.name: c.unit for c in journal.header.channels}
    for kind, place in SAMPLES.items():
        for name in sampled(journal, kind):
            unit = channels.get(name) or channel_unit(name) or "1"
            found[f"{place}/{name}"] = unit, f"samples of {name}, one record after the other"
    return found


def _words(field: Field) -> tuple[str, str]:
    return field.units, field.long_name


def sampled(journal: Journal, kind: str) -> tuple[str, ...]:
    """Return the channels with a dataset of samples in a kind of record."""
    kept = (name for head in journal.sample_heads(kind) for name in head["channels"])
    return tuple(dict.fromkeys((*journal.header.sampled, *kept)))


def flag_meanings() -> str:
    """Return what the bits of /cycles/flags mean, as JSON."""
    return json.dumps({flag.value: str(flag.name).lower().replace("_", "-") for flag in Flag})


def compound(fields: tuple[Field, ...], rows: list[tuple[Any, ...]]) -> AnyArray:
    """Return rows as a compound array, its text as UTF-8 of variable length."""
    text = h5py.string_dtype()
    dtype = np.dtype([(f.name, text if f.dtype == "text" else f.dtype) for f in fields])
    return np.array(rows, dtype)


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


def plain_rows(dataset: Any) -> AnyArray:
    """Return a compound dataset with its text as str."""
    rows: Any = dataset[:]
    for name in rows.dtype.names:
        if rows.dtype[name].kind == "O":
            rows[name] = [text.decode() for text in rows[name]]
    found: AnyArray = rows
    return found
