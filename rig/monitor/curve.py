"""The stiffness over the whole test as a few hundred points, kept up between looks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError
from rig.record.history import Chunk, Journal
from rig.record.sealing import CHUNK_ROWS
from rig.samples import Flag

Column = NDArray[Any]
MOST_POINTS: Final = 200
ENOUGH: Final = 1024
"""Rows whose median stands for the stretch they lie in."""
_FIRST_STRIDE: Final = 8


@dataclass(frozen=True, slots=True)
class Curve:
    """Points (cycle number, stiffness [N/m]), rising in number."""

    cycles: tuple[float, ...] = ()
    stiffness: tuple[float, ...] = ()


class CurveKeeper:
    """Medians of stretches of equal length, which double whenever there are too many.

    Long stretches are sampled: of each only the first rows are read, so that a test of millions
    of cycles is shown after a few hundred reads, and each later look reads what is new.
    """

    def __init__(self) -> None:
        self._stride = _FIRST_STRIDE
        self._points: dict[int, tuple[float, float]] = {}
        self._open = 0
        self._rows: list[NDArray[np.float64]] = []
        self._seen = 0
        self._damage = ""

    def take(self, journal: Journal) -> None:
        """Read what has come since the last look, stepping over what is damaged.

        Raises StorageError at the end, then and later, if anything is.
        """
        # A whole chunk may have taken the place of pieces that were read: it begins before them.
        places = journal.places("cycles", self._seen // CHUNK_ROWS * CHUNK_ROWS)
        total = places[-1][0] + places[-1][1] if places else 0
        while total > MOST_POINTS * self._stride:
            self._widen()
        for first, rows in places:
            end = first + rows
            if end <= self._seen:
                continue
            if not self._has_enough(max(first, self._seen), end):
                try:
                    self._add(journal.chunk("cycles", first))
                except StorageError as error:
                    self._damage = self._damage or str(error)
            self._seen = end
        if self._damage:
            raise StorageError(self._damage)

    def curve(self) -> Curve:
        """Return the points as they stand."""
        points = dict(self._points)
        if self._rows:
            points[self._open] = self._closed()
        known = sorted(p for p in points.values() if math.isfinite(p[1]))
        return Curve(tuple(p[0] for p in known), tuple(p[1] for p in known))

    def _has_enough(self, begin: int, end: int) -> bool:
        inside = begin // self._stride == self._open == (end - 1) // self._stride
        return inside and sum(len(r[0]) for r in self._rows) >= ENOUGH

    def _add(self, chunk: Chunk) -> None:
        names = [f.name for f in chunk.fields]
        skip = max(self._seen - chunk.first, 0)
        number, stiffness, flags = (
            chunk.column(names.index(n))[skip:] for n in ("number", "stiffness", "flags")
        )
        self.add(chunk.first + skip, number, stiffness, flags)

    def add(self, first: int, number: Column, stiffness: Column, flags: Column) -> None:
        """Take rows, the next after those taken before; `first` is how many those were."""
        while first + len(number) > MOST_POINTS * self._stride:
            self._widen()
        judged = flags.astype(int) & Flag.AFTER_END == 0
        rows = np.stack((number.astype(float), stiffness.astype(float)))
        judged &= np.isfinite(rows).all(axis=0)
        begin = 0
        while begin < len(number):
            if (first + begin) // self._stride != self._open:
                self._close()
                self._open = (first + begin) // self._stride
            stop = min((self._open + 1) * self._stride - first, len(number))
            self._rows.append(rows[:, begin:stop][:, judged[begin:stop]])
            begin = stop

    def _close(self) -> None:
        if self._rows:
            self._points[self._open] = self._closed()
        self._rows = []

    def _closed(self) -> tuple[float, float]:
        rows = np.concatenate(self._rows, axis=1)
        here = (math.nan, math.nan)
        if rows.shape[1]:
            here = (float(rows[0].mean()), float(np.median(rows[1])))
        return _middle(self._points.get(self._open), here)

    def _widen(self) -> None:
        self._close()
        self._stride *= 2
        merged: dict[int, tuple[float, float]] = {}
        for place, point in sorted(self._points.items()):
            merged[place // 2] = _middle(merged.get(place // 2), point)
        self._points, self._open = merged, self._open // 2


def _middle(a: tuple[float, float] | None, b: tuple[float, float]) -> tuple[float, float]:
    if a is None or not math.isfinite(a[1]):
        return b
    if not math.isfinite(b[1]):
        return a
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
