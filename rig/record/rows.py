"""Rows of a table on their way into the journal: whole chunks, and the pieces of its tail."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from rig.record.entries import Field
from rig.record.history import Chunk
from rig.record.journal import JournalWriter
from rig.record.sealing import CHUNK_ROWS, AnyArray, join, seal


class Rows:
    """Rows of one table on their way into chunks of `CHUNK_ROWS`."""

    def __init__(self, kind: str, fields: tuple[Field, ...], journal: JournalWriter) -> None:
        self.kind = kind
        self.fields = fields
        self.first = 0
        self.filled = 0
        self._saved = 0
        self._journal = journal
        self._columns = {f.name: np.empty(CHUNK_ROWS, f.dtype) for f in fields}

    def reload(self, first: int, tail: Iterable[Chunk]) -> None:
        """Go on after row `first` and the pieces of the journal's tail that follow it."""
        self.first = first
        for piece in tail:
            end = self.filled + piece.rows
            for name, values in piece.columns().items():
                self._columns[name][self.filled : end] = values
            self.filled = self._saved = end

    def add(self, columns: Mapping[str, AnyArray], rows: int) -> list[list[bytes]]:
        """Take rows and return the chunks they completed, each as sealed columns."""
        done: list[list[bytes]] = []
        start = 0
        while start < rows:
            stop = min(rows, start + CHUNK_ROWS - self.filled)
            end = self.filled + stop - start
            for name, column in self._columns.items():
                column[self.filled : end] = columns[name][start:stop]
            self.filled, start = end, stop
            if self.filled == CHUNK_ROWS:
                done.append(self._seal(0))
                self.first, self.filled, self._saved = self.first + CHUNK_ROWS, 0, 0
        return done

    def _seal(self, start: int) -> list[bytes]:
        parts = [seal(column) for column in self.part(start).values()]
        rows = self.filled - start
        self._journal.chunk(self.kind, self.first + start, rows, join(parts))
        return parts

    def part(self, start: int = 0) -> dict[str, AnyArray]:
        """Return the rows from `start` on that are not in a whole chunk yet."""
        return {name: column[start : self.filled] for name, column in self._columns.items()}

    def save(self) -> None:
        """Hand the rows since the last save to the journal, as a piece of the tail."""
        if self._saved < self.filled:
            self._seal(self._saved)
            self._saved = self.filled

    def merge(self) -> None:
        """Make one piece of the tail's pieces."""
        if self.filled:
            self._seal(0)
            self._saved = self.filled
