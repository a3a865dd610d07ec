"""Rows of a foreign file, as numbers: what every kind of file gives, piece by piece."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import InputError, Problem
from rig.replay.headings import Layout
from rig.samples import FloatArray
from rig.units import shown

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_FLOAT32: Final = float(np.finfo(np.float32).max)
LATEST: Final = 1e15  # s; beyond it float64 does not tell seconds apart


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows as they stand in a file: `values` (rows, columns of its layout), NaN where missing.

    Row i is line `numbers[i]` of a text, or that row, from 1, of an array. Date-times are seconds
    since 1970 in UTC; one without a zone is taken as UTC.
    """

    values: FloatArray
    numbers: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.numbers)

    def si(self, layout: Layout, name: str) -> FloatArray | None:
        """Return a column [SI], shape (rows,), None where the file has none of that name."""
        for index, column in enumerate(layout.columns):
            if column.name == name:
                found = self.values[:, index] * column.factor
                # -0.0 stays as it is: 0.0 added would take its sign.
                return found + column.zero if column.zero else found
        return None


def seconds_of(texts: Iterable[str]) -> FloatArray:
    """Return the seconds since 1970 in UTC of ISO 8601 date-times, shape (rows,).

    Raises ValueError for one that cannot be read, or where some have a zone and some none.
    """
    found = [datetime.fromisoformat(text) for text in texts]
    zoned = {moment.tzinfo is not None for moment in found}
    if len(zoned) > 1:
        raise ValueError("some date-times have a zone and some none")
    if zoned == {False}:
        found = [moment.replace(tzinfo=UTC) for moment in found]
    return np.array([(moment - _EPOCH).total_seconds() for moment in found])


def out_of_range(file: str, layout: Layout, rows: Rows) -> None:
    """Raise InputError for the first value that float32 does not hold, or that has no time."""
    for index, column in enumerate(layout.columns):
        values = rows.values[:, index]
        if column.name == "time":
            late = np.abs(values) > LATEST / column.factor
            wrong, what = np.isnan(values) | late, "is empty or no time"
            remedy = "each row needs its time"
        else:
            wrong = np.abs(values) > _FLOAT32 / max(column.factor, 1.0)
            what = "is too large to be measured"
            remedy = "correct it, or leave the field empty"
        if wrong.any():
            row = int(np.argmax(wrong))
            field = f"column {shown(column.heading)}"
            value = "" if np.isnan(values[row]) else f"{values[row]:g} "
            line = int(rows.numbers[row])
            raise InputError([Problem(file, line, field, value + what, remedy)])
