"""The files of a series report: figures as SVG and PDF, tables as CSV with a data dictionary."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rig.record.trouble import storage
from rig.replay.dictionary import TEXT as TEXT_TYPE
from rig.replay.dictionary import Column
from rig.replay.sheet import Sheet
from rig.report.drawn_figures import fixed_look
from rig.report.lives_look import METADATA
from rig.report.lives_object import compared_object
from rig.report.measure import COUNT, Measure, Part, plain
from rig.report.series_grid import TEXT, YES_NO, Col, Grid
from rig.report.series_grids import grids_of
from rig.report.series_numbers import Numbers
from rig.report.series_told import DRAWN

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison
    from rig.lives.service import ServiceLife

NAMES: Final = "series-*"
"""How the names of all files begin that are written here."""
FORMATS: Final = (".svg", ".pdf")
DICTIONARY: Final = "series-dictionary.csv"
_FRACTIONS: Final = frozenset({"ratio", "%"})
"""Units of fractions, which a file writes as plain numbers."""
_ABOUT: Final = tuple(
    Column(name, "", "1", TEXT_TYPE, meaning)
    for name, meaning in (
        ("file", "file beside this one"),
        ("column", "head of the column"),
        ("unit", "unit of its values; 1: a number without unit, or words"),
        ("type", "type that it is to be converted to"),
        ("key", "path in the object of compare --json, after compare; a star for any row"),
        ("meaning", "what it is"),
    )
)


def write_series_files(
    told: Comparison, years: ServiceLife | None, folder: Path, figures: Mapping[str, Figure]
) -> list[Path]:
    """Write figures and tables of a series report into a folder, which is made; return the files.

    `years` are as in `series_document`; `figures` are those of its document by name. A file is
    replaced once its new one is whole; of an earlier report what this one has nothing for is taken
    away. Raises StorageError.
    """
    every = grids_of(Numbers(compared_object(told, years)))
    may_be = [*(_csv(table) for table in every.all()), *(f"{n}{s}" for n in DRAWN for s in FORMATS)]
    with storage(folder, "write the files of the series"):
        folder.mkdir(parents=True, exist_ok=True)
        hidden = folder / f".series.{secrets.token_hex(4)}"
        hidden.mkdir()
        try:
            tables = [table for table in every.all() if table]
            names = [*_figures(figures, hidden), *_tables(tables, hidden)]
            for name in names:
                os.replace(hidden / name, folder / name)
            for name in set(may_be) - {*names}:
                # Of an earlier report, and nothing that this one says.
                (folder / name).unlink(missing_ok=True)
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
    return [folder / name for name in names]


def _figures(figures: Mapping[str, Figure], folder: Path) -> list[str]:
    names = []
    for name, figure in figures.items():
        for suffix in FORMATS:
            metadata: Any = METADATA[suffix]
            with fixed_look():
                figure.savefig(folder / f"{name}{suffix}", metadata=metadata)
            names.append(f"{name}{suffix}")
    return names


def _csv(table: Grid) -> str:
    return f"series-{table.name}.csv"


def _tables(tables: Sequence[Grid], folder: Path) -> list[str]:
    about: list[tuple[str, ...]] = []
    names = []
    for table in tables:
        name = _csv(table)
        columns = tuple(_column(col) for col in table.columns)
        with Sheet(folder / name, columns, {}) as sheet:
            sheet.add_rows([_values(table, row) for row in table.rows])
            heads = sheet.heads
        names.append(name)
        about += [
            (name, head, column.si, column.type_name, key, col.meaning)
            for head, column, key, col in zip(
                heads, columns, table.keys, table.columns, strict=True
            )
        ]
    with Sheet(folder / DICTIONARY, _ABOUT, {}) as sheet:
        own = [(DICTIONARY, c.name, "1", c.type_name, "", c.meaning) for c in _ABOUT]
        sheet.add_rows([*about, *own])
    return [*names, DICTIONARY]


def _column(col: Col) -> Column:
    if col.unit in (TEXT, YES_NO):
        return Column(col.name, "", "1", TEXT_TYPE, col.meaning)
    unit = COUNT if col.unit in _FRACTIONS else col.unit
    return Column(col.name, "", unit, "<f8", col.meaning)


def _values(table: Grid, row: tuple[Part, ...]) -> tuple[object, ...]:
    return tuple(_value(col, part) for col, part in zip(table.columns, row, strict=True))


def _value(col: Col, part: Part) -> object:
    """Return what stands in a file: a number, "" for what is not known, words as they are."""
    if isinstance(part, Measure):
        return part.value
    words = plain((part,))
    if words == col.blank:
        return ""
    if col.unit == YES_NO:
        return "yes" if words == col.yes else "no"
    return words
