"""The data dictionary of an export: what each column of each file is."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.channels import channel_unit
from rig.record.entries import LISTS, STATIC, Field, RunHeader, tables
from rig.record.layout import INDEX, flag_meanings
from rig.samples import Flag

TEXT: Final = "text"
FLAGS: Final[dict[Flag, str]] = {
    Flag.SHORT: "range under 95 % of target",
    Flag.GAP: "samples missing, up to 5 % of the cycle: used",
    Flag.LONG_GAP: "more samples missing: not judged",
    Flag.OVERLOAD: "largest load above 102 % of upper",
    Flag.SPRAY: "water was on",
    Flag.AFTER_END: "run after the verdict",
    Flag.CORRECTED: "the load command changed",
    Flag.SPIKE: "an excursion that no physical speed allows",
    Flag.LOAD_SPIKE: "and it is one of the load",
}
"""What each bit of a cycle's flags means."""
_OTHER_WORDS: Final = {"number": "cycle"}
"""Columns that a file calls otherwise than run.h5: as `nightrig import` reads them."""
_LATER: Final = frozenset({"offset", "frames"})
"""What run.h5 says of a record's place in it; a file of its own needs no place."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name in the file and in the record, SI unit ("1" for none), type, meaning."""

    name: str
    recorded: str
    si: str
    dtype: str
    meaning: str

    @property
    def is_text(self) -> bool:
        """Whether it holds words."""
        return self.dtype == TEXT

    @property
    def type_name(self) -> str:
        """Its type in words, such as "float32"."""
        return TEXT if self.is_text else np.dtype(self.dtype).name

    def header(self, unit: str) -> str:
        """Return the head of the column, written in a unit, as `nightrig import` reads it."""
        bare = unit == "SI" or (unit == "1" and not self.name.startswith("strain_"))
        return self.name if bare else f"{self.name} [{unit}]"


FILE: Final = Column("file", "", "1", TEXT, "file with the samples")
FRAMES: Final = Column("frames", "", "1", "<i8", "number of frames")
RUN: Final = (
    Column("name", "", "1", TEXT, "what is known of the whole run"),
    Column("value", "", "1", TEXT, "its value; yes or no, SI, UTC"),
)
DICTIONARY: Final = tuple(
    Column(name, "", "1", TEXT, meaning)
    for name, meaning in (
        ("file", "file below this folder"),
        ("column", "head of the column"),
        ("unit", "unit of its values; 1: a number without unit"),
        ("type", "type it is recorded in, and is to be converted to"),
        ("recorded", "dataset of run.h5"),
        ("exact", "yes, or how many values do not convert back to the recorded ones bit for bit"),
        ("meaning", "what it is"),
    )
)


def table_columns(header: RunHeader, kind: str) -> tuple[Column, ...]:
    """Return the columns of "cycles", "build_up" or "slow"."""
    return tuple(_column(f, f"/{kind}/{f.name}") for f in tables(header)[kind])


def list_columns(kind: str) -> tuple[Column, ...]:
    """Return the columns of one of the short lists."""
    return tuple(_column(f, f"/{kind}") for f in LISTS[kind])


def index_columns(kind: str) -> tuple[Column, ...]:
    """Return the columns of the table of "full_rate" or "static": a row a record."""
    fields = STATIC if kind == "static" else [f for f in INDEX if f.name not in _LATER]
    place = "/static/{}" if kind == "static" else "/full_rate/index"
    return (FILE, *(_column(f, place.format(f.name)) for f in fields), FRAMES)


def sample_columns(kind: str, channels: tuple[str, ...]) -> tuple[Column, ...]:
    """Return the columns of one record's samples: time, then the channels."""
    place = "/static/samples" if kind == "static" else "/full_rate"
    time = Column("time", "", "s", "<f8", "test time of the frame: first frame and rate tell it")
    return (
        time,
        *(
            Column(name, f"{place}/{name}", channel_unit(name) or "1", "<f4", f"samples of {name}")
            for name in channels
        ),
    )


def _column(field: Field, place: str) -> Column:
    meaning = field.long_name
    if field.name == "flags":
        names = json.loads(flag_meanings())
        words = (f"{f.value} {names[str(f.value)]} ({text})" for f, text in FLAGS.items())
        meaning = f"{meaning}, the sum of: {', '.join(words)}"
    if field.units == "SI":
        meaning = f"{meaning}, in the SI unit of its channel (calibration.csv)"
    if field.dtype == "|u1":
        meaning = f"{meaning}: 1 yes, 0 no"
    name = _OTHER_WORDS.get(field.name, field.name)
    return Column(name, place, field.units, field.dtype, meaning)
