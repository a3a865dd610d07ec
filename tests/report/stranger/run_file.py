"""run.h5 as h5py gives it: attributes, columns up to the verdict, short lists, texts as TOML."""

from __future__ import annotations

import json
import tomllib
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import h5py
import numpy as np

TEXTS = ("protocol", "rig", "specimen", "series")
LISTS = (
    *("events", "inspections", "interruptions", "zeros", "spray", "calibration", "cracks"),
    "full_rate",
)


def as_text(value: Any) -> Any:
    """Return a text as str, a number as Python's own."""
    if isinstance(value, bytes):
        return value.decode()
    return value.item() if isinstance(value, np.generic) else value


class RunFile:
    """A run file, opened for reading."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = h5py.File(path)
        self.attributes = {name: as_text(value) for name, value in self.file.attrs.items()}

    def __enter__(self) -> RunFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()

    def text(self, name: str) -> str:
        """Return one of the files as written, "" where there is none."""
        return as_text(self.file[name][()]) if name in self.file else ""

    @cache  # noqa: B019 - one file a program
    def toml(self, name: str) -> dict[str, Any]:
        """Return one of the files as written, read."""
        return tomllib.loads(self.text(name))

    @cache  # noqa: B019 - one file a program
    def rows(self, name: str) -> tuple[dict[str, Any], ...]:
        """Return the rows of a short list."""
        data = self.file["full_rate/index" if name == "full_rate" else name][:]
        names = data.dtype.names
        return tuple({n: as_text(v) for n, v in zip(names, row, strict=True)} for row in data)

    def unit(self, name: str, field: str) -> str:
        """Return the unit [SI] of a field of a short list, as its dataset tells it."""
        data = self.file["full_rate/index" if name == "full_rate" else name]
        units = dict(zip(data.dtype.names, data.attrs["units"].split(", "), strict=True))
        return str(units[field])

    @cached_property
    def events(self) -> tuple[dict[str, Any], ...]:
        """Return the events in the order of the record."""
        return self.rows("events")

    @cache  # noqa: B019 - one file a program
    def flag(self, table: str, name: str) -> int:
        """Return the bit of a flag."""
        meanings = json.loads(self.file[f"{table}/flags"].attrs["meanings"])
        return next((int(bit) for bit, word in meanings.items() if word == name), 0)

    @cached_property
    def upto(self) -> int:
        """Return the number of rows of /cycles up to the verdict."""
        flags = self.file["cycles/flags"][:]
        late = flags & self.flag("cycles", "after-end")
        return int(len(late) - np.count_nonzero(late))

    @cache  # noqa: B019 - one file a program
    def column(self, table: str, name: str) -> np.ndarray:
        """Return a column; of /cycles the rows up to the verdict."""
        data = self.file[f"{table}/{name}"][:]
        return data[: self.upto] if table == "cycles" else data

    def column_unit(self, table: str, name: str) -> str:
        """Return the unit [SI] of a column."""
        return str(self.file[f"{table}/{name}"].attrs["units"])

    def cycles_range(self, channel: str) -> np.ndarray:
        """Return largest less smallest value of a channel, cycle by cycle."""
        return self.column("cycles", f"{channel}_max") - self.column("cycles", f"{channel}_min")
