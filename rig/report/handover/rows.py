"""Rows of a journal's tables around a moment: of millions only the chunks that are needed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError
from rig.record.history import Chunk, Journal
from rig.report.handover.reading import Damage
from rig.samples import Flag

Floats = NDArray[np.float64]

OVER: Final = 100
"""Cycles whose median stands for a moment: one cycle alone is noisy."""
_REACH: Final = 1000
"""Cycles back to which those are sought: an import may hold one in a thousand."""
_UNJUDGED: Final = int(Flag.AFTER_END | Flag.LONG_GAP)
_MOST_CHUNKS: Final = 120
"""Pieces that are looked through at most for the rows of one median."""


class Table:
    """One of the tables of many rows; what is damaged is told to `damage` and stepped over."""

    def __init__(self, journal: Journal, kind: str, damage: Damage) -> None:
        self._journal, self._kind, self._damage = journal, kind, damage
        self.names = tuple(field.name for field in journal.tables[kind])
        self._places: list[tuple[int, int]] = damage.tried(lambda: journal.places(kind), [])
        self.rows = sum(self._places[-1]) if self._places else 0

    def _chunk(self, place: int) -> Chunk | None:
        first = self._places[place][0]
        return self._damage.tried(lambda: self._journal.chunk(self._kind, first), None)

    def _columns(self, place: int, names: tuple[str, ...]) -> dict[str, Floats] | None:
        """Return columns of a chunk, None where it is damaged."""
        chunk = self._chunk(place)
        if chunk is None:
            return None
        try:
            return {n: chunk.column(self.names.index(n)).astype(np.float64) for n in names}
        except StorageError as error:
            self._damage.said[str(error)] = None
            return None

    def _begins(self, place: int) -> float:
        """Return the time [s] of a chunk's first row, of one before it where that is damaged."""
        for at in range(place, max(place - _MOST_CHUNKS, -1), -1):
            if (found := self._columns(at, ("time",))) is not None:
                return float(found["time"][0])
        return -math.inf

    def until(self, time: float) -> int:
        """Return how many rows there are up to a test time [s]."""
        low, high = 0, len(self._places)
        while low < high:
            middle = (low + high) // 2
            if self._begins(middle) <= time:
                low = middle + 1
            else:
                high = middle
        if not low:
            return 0
        first, rows = self._places[low - 1]
        found = self._columns(low - 1, ("time",))
        inside = rows if found is None else int(np.searchsorted(found["time"], time, side="right"))
        return first + inside

    def time(self, row: int) -> float:
        """Return the test time [s] of a row, NaN where there is none or it is damaged."""
        for place, (first, rows) in enumerate(self._places):
            if first <= row < first + rows:
                found = self._columns(place, ("time",))
                return math.nan if found is None else float(found["time"][row - first])
        return math.nan

    def medians(self, end: int, names: tuple[str, ...]) -> Mapping[str, float]:
        """Return medians of columns over the last judged rows before a row, NaN where none is.

        Where most rows are not judged it is those near by, or the newest one alone.
        """
        asked = tuple(n for n in names if n in self.names)
        flags = ("flags",) if "flags" in self.names else ()
        parts: list[dict[str, Floats]] = []
        missing, oldest = OVER, -1
        for place in self._back_from(end):
            columns = self._columns(place, (*asked, *flags))
            if columns is None:
                continue
            rows = self._judged(place, end, columns.get("flags"))
            if oldest < 0 and len(rows):
                oldest = min(int(rows[-1]), end - _REACH)
            rows = rows[rows >= oldest][-missing:]
            inside = rows - self._places[place][0]
            parts.append({name: values[inside] for name, values in columns.items()})
            missing -= len(rows)
            if missing <= 0 or self._places[place][0] <= oldest:
                break
        return {name: _median([part[name] for part in parts if name in part]) for name in names}

    def _judged(self, place: int, end: int, flags: Floats | None) -> NDArray[np.intp]:
        """Return the rows of a chunk before another that were judged."""
        first, size = self._places[place]
        inside = np.arange(min(size, end - first))
        if flags is not None:
            inside = inside[flags[: len(inside)].astype(int) & _UNJUDGED == 0]
        return first + inside

    def _back_from(self, end: int) -> list[int]:
        """Return the places of chunks with rows before a row, the last one first."""
        before = [i for i, (first, _) in enumerate(self._places) if first < end]
        return before[::-1][:_MOST_CHUNKS]

    def span(self, begin: int, end: int, name: str) -> tuple[float, float]:
        """Return the least and the largest value of a column in rows [begin, end), NaN if none."""
        low, high = math.inf, -math.inf
        for place, (first, rows) in enumerate(self._places):
            if first >= end or first + rows <= begin or name not in self.names:
                continue
            columns = self._columns(place, (name,))
            if columns is None:
                continue
            values = columns[name][max(begin - first, 0) : end - first]
            values = values[np.isfinite(values)]
            if len(values):
                low, high = min(low, float(values.min())), max(high, float(values.max()))
        return (low, high) if low <= high else (math.nan, math.nan)


def _median(parts: list[Floats]) -> float:
    values = np.concatenate([np.empty(0), *parts])
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else math.nan
