"""HDF5 files of others: which columns they hold, read piece by piece."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import h5py

from rig.errors import InputError
from rig.record.sealing import AnyArray
from rig.record.trouble import LIBRARY_ERRORS

Read = Callable[[int, int], AnyArray]
"""Returns the values of a column from one row up to another."""
MOST_COLUMNS: Final = 1000


@contextmanager
def foreign_columns(path: Path) -> Iterator[dict[str, tuple[int, Read]]]:
    """Give every column of an HDF5 file by its name, with its length and what reads it.

    A dataset of one dimension is a column of its path; of two, or with fields, it is several:
    `path:1` counted from 1, `path:field`. Raises InputError.
    """
    try:
        file = h5py.File(path, "r")
    except LIBRARY_ERRORS as error:
        raise InputError(
            f"{path}: is no HDF5 file that can be read: {_words(error)}; copy it once more"
        ) from error
    with file:
        found: dict[str, tuple[int, Read]] = {}
        try:
            file.visititems(lambda name, item: found.update(_columns(path, name, item)))
        except LIBRARY_ERRORS as error:
            raise InputError(f"{path}: is damaged: {_words(error)}; copy it once more") from error
        yield found


def _columns(path: Path, name: str, item: Any) -> dict[str, tuple[int, Read]]:
    if not isinstance(item, h5py.Dataset) or item.ndim not in (1, 2):
        return {}
    rows = int(item.shape[0])
    if item.dtype.names:
        fields = item.dtype.names if item.ndim == 1 else ()
        return {f"{name}:{f}": (rows, _reader(path, item, field=f)) for f in fields}
    if item.ndim == 1:
        return {name: (rows, _reader(path, item))}
    places = range(item.shape[1]) if item.shape[1] <= MOST_COLUMNS else ()
    return {f"{name}:{n + 1}": (rows, _reader(path, item, place=n)) for n in places}


def _reader(path: Path, item: Any, field: str | None = None, place: int | None = None) -> Read:
    def read(begin: int, end: int) -> AnyArray:
        try:
            if field is not None:
                found: AnyArray = item.fields(field)[begin:end]
            else:
                found = item[begin:end] if place is None else item[begin:end, place]
        except LIBRARY_ERRORS as error:
            raise InputError(
                f"{path}: {item.name} is damaged between rows {begin + 1} and {end}: "
                f"{_words(error)}; copy the file once more"
            ) from error
        return found

    return read


def _words(error: BaseException) -> str:
    return " ".join(str(error).split())
