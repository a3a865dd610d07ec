"""HDF5 and NumPy files as tables: columns by name, read piece by piece."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final, NoReturn

import numpy as np

from rig.errors import InputError, Problem
from rig.record.foreign import MOST_COLUMNS, Read, foreign_columns
from rig.replay.headings import Column, Layout, layout_of
from rig.replay.rows_in import Rows, out_of_range, seconds_of
from rig.samples import FloatArray
from rig.units import shown

PIECE: Final = 65536  # rows
_NANO: Final = 1e-9
_OF_A_RUN: Final = frozenset({"cycles/number", "cycles/load_max", "build_up/number"})
"""Some columns that no file has but run.h5."""

Columns = dict[str, tuple[int, Read]]
AnyArray = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True, slots=True)
class ArrayTable:
    """Columns of arrays whose layout is known: `rows` yields what stands in them."""

    path: Path
    layout: Layout
    length: int
    readers: tuple[Read, ...]

    def rows(self) -> Iterator[Rows]:
        """Yield the rows in pieces; their numbers count from 1. Raises InputError."""
        for begin in range(0, self.length, PIECE):
            end = min(begin + PIECE, self.length)
            values = np.empty((end - begin, len(self.readers)))
            columns = zip(self.layout.columns, self.readers, strict=True)
            for index, (column, read) in enumerate(columns):
                values[:, index] = self._plain(column, read(begin, end))
            rows = Rows(values, np.arange(begin + 1, end + 1))
            wrong = np.isinf(values)
            if wrong.any():
                row, place = np.argwhere(wrong)[0].tolist()
                heading = self.layout.columns[place].heading
                self._refuse(begin + row + 1, heading, "is not finite", "correct it, or write NaN")
            out_of_range(str(self.path), self.layout, rows)
            yield rows

    def _plain(self, column: Column, values: AnyArray) -> FloatArray:
        if column.dated:
            return self._moments(column, values)
        if values.dtype.kind not in "fiub":
            self._refuse(0, column.heading, f"holds {values.dtype}, no numbers", "map another")
        return values.astype(np.float64)

    def _moments(self, column: Column, values: AnyArray) -> FloatArray:
        if values.dtype.kind == "M":
            moments = values.astype("M8[ns]").astype(np.int64)
            return np.where(np.isnat(values), np.nan, moments * _NANO)
        if values.dtype.kind not in "SUO":
            self._refuse(0, column.heading, "has numbers and no unit", 'map it as "time [s]"')
        texts = [v.decode(errors="replace") if isinstance(v, bytes) else str(v) for v in values]
        try:
            return seconds_of(texts)
        except ValueError as error:
            self._refuse(0, column.heading, str(error), "write 2001-01-31T18:00:00.250")

    def _refuse(self, row: int, heading: str, problem: str, remedy: str) -> NoReturn:
        field = f"column {shown(heading)}"
        raise InputError([Problem(str(self.path), row, field, problem, remedy)])


@contextmanager
def open_arrays(path: Path, mapped: Mapping[str, str]) -> Iterator[ArrayTable]:
    """Open an HDF5 or NumPy file as a table. Raises InputError with every problem, OSError."""
    opened = {".npy": _npy, ".npz": _npz}.get(path.suffix.lower(), foreign_columns)
    with opened(path) as columns:
        yield _table(path, columns, {k.lstrip("/"): v for k, v in mapped.items()})


def _table(path: Path, columns: Columns, mapped: Mapping[str, str]) -> ArrayTable:
    if not columns:
        raise InputError(f"{path}: holds no arrays of one or two dimensions; name another file")
    names = list(columns)
    if not mapped and columns.keys() >= _OF_A_RUN:
        raise InputError(f"{path}: is the record of a run already; judge it with nightrig replay")
    layout, problems = layout_of(str(path), 0, names, mapped)
    if layout is None:
        raise InputError(problems)
    used = [columns[names[c.place]] for c in layout.columns]
    lengths = {columns[names[c.place]][0]: names[c.place] for c in layout.columns}
    if len(lengths) > 1:
        told = " and ".join(f"{shown(name)} {rows:,} rows" for rows, name in lengths.items())
        raise InputError(f"{path}: {told}; columns must have the same number of rows")
    return ArrayTable(path, layout, used[0][0], tuple(read for _, read in used))


@contextmanager
def _npy(path: Path) -> Iterator[Columns]:
    def load() -> AnyArray:
        # Opened anew for each piece: what was mapped once stays in memory.
        found: AnyArray = _loaded(path, mmap_mode="r")
        return found

    yield _columns_of("", load(), load)


@contextmanager
def _npz(path: Path) -> Iterator[Columns]:
    found: Columns = {}
    with _loaded(path) as archive:
        for name in archive.files:
            try:
                array = archive[name]
            except (ValueError, OSError, zipfile.BadZipFile) as error:
                raise InputError(f"{path}: {shown(name)} cannot be read: {error}") from error
            found |= _columns_of(name, array, partial(_same, array))
    yield found


def _loaded(path: Path, **how: Any) -> Any:
    try:
        found = np.load(path, allow_pickle=False, **how)
    except (ValueError, EOFError, zipfile.BadZipFile) as error:
        words = " ".join(str(error).split())
        raise InputError(
            f"{path}: is no NumPy file that can be read: {words}; save plain numbers"
        ) from error
    return found


def _columns_of(name: str, array: AnyArray, load: Callable[[], AnyArray]) -> Columns:
    """Return the columns of an array: its fields, or its columns counted from 1."""
    if array.ndim not in (1, 2) or (array.dtype.names and array.ndim != 1):
        return {}
    head = f"{name}:" if name else ""
    rows = len(array)
    if array.dtype.names:
        return {head + f: (rows, partial(_part, load, field=f)) for f in array.dtype.names}
    if array.ndim == 1:
        return {name or "1": (rows, partial(_part, load))}
    places = range(array.shape[1]) if array.shape[1] <= MOST_COLUMNS else ()
    return {f"{head}{n + 1}": (rows, partial(_part, load, place=n)) for n in places}


def _part(
    load: Callable[[], AnyArray],
    begin: int,
    end: int,
    *,
    field: str | None = None,
    place: int | None = None,
) -> AnyArray:
    array = load() if field is None else load()[field]
    found: AnyArray = array[begin:end] if place is None else array[begin:end, place]
    return found


def _same(array: AnyArray) -> AnyArray:
    return array
