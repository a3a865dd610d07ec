"""A CSV file on its way: head with units, then rows as they come, and what the dictionary says."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np

from rig.errors import StorageError
from rig.replay.cells import Values, cell_text, number_cells, number_lines, text_cell
from rig.replay.chosen_units import converted, written_in
from rig.replay.dictionary import Column

ENCODING: Final = "utf-8"


class Sheet:
    """One CSV file that is being written; a context manager.

    `rows` counts them, `inexact` the values of each column that do not convert back exactly.
    Raises OSError.
    """

    def __init__(self, path: Path, columns: Sequence[Column], chosen: Mapping[str, str]) -> None:
        self.columns = tuple(columns)
        self.written = [written_in(c.si, c.name, chosen) for c in columns]
        self.rows = 0
        self.inexact = [0] * len(self.columns)
        self._path = path
        self._texts: list[tuple[str, ...]] = []
        # Closed in `__exit__`.
        self._file = path.open("w", encoding=ENCODING, newline="")
        self._csv = csv.writer(self._file, lineterminator="\n")
        self._csv.writerow(self.heads)

    @property
    def heads(self) -> list[str]:
        """The head of each column."""
        pairs = zip(self.columns, self.written, strict=True)
        return [column.header(written.unit) for column, written in pairs]

    def __enter__(self) -> Sheet:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self._file.close()
        if kind is None and any(c.is_text for c in self.columns):
            self._read_back()

    def add(self, columns: Sequence[Any]) -> None:
        """Write rows: one sequence a column, all of one length, in the order of the columns."""
        self.rows += len(columns[0])
        if not any(c.is_text for c in self.columns):
            found = [self._converted(i, values) for i, values in enumerate(columns)]
            self._file.writelines(number_lines(found))
            return
        cells = [self._cells(i, values) for i, values in enumerate(columns)]
        texts = [v for c, v in zip(self.columns, columns, strict=True) if c.is_text]
        self._texts.extend(zip(*texts, strict=True))
        self._csv.writerows(zip(*cells, strict=True))

    def add_rows(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows of plain values."""
        if rows:
            self.add(list(zip(*rows, strict=True)))

    def _cells(self, index: int, values: Sequence[Any]) -> list[str]:
        if self.columns[index].is_text:
            return [text_cell(text) for text in values]
        return number_cells(self._converted(index, values))

    def _converted(self, index: int, values: Any) -> Values:
        exact = np.asarray(values, self.columns[index].dtype)
        found, inexact = converted(exact, self.written[index])
        self.inexact[index] += inexact
        return found

    def _read_back(self) -> None:
        """Hold the texts on the disk against those that were given."""
        places = [i for i, c in enumerate(self.columns) if c.is_text]
        with self._path.open(encoding=ENCODING, newline="") as file:
            rows = csv.reader(file)
            next(rows)
            found = (tuple(cell_text(row[i]) for i in places) for row in rows)
            if any(a != b for a, b in itertools.zip_longest(found, self._texts)):
                raise StorageError(
                    f"{self._path}: a text does not read back as it was written; see to the disk"
                )
