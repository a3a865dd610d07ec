"""An export read back by its own dictionary: the csv module and the unit table, nothing of ours."""

from __future__ import annotations

import csv
import functools
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np

from rig.replay.cells import cell_text
from rig.units import UNITS, parse

SI_OF_STIFFNESS = {"kN/mm": 1e6, "kip/in": UNITS["force"]["kip"] / UNITS["length"]["in"]}


@functools.lru_cache(maxsize=8)  # one file has many columns
def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def described(folder: Path) -> Iterator[dict[str, str]]:
    yield from rows_of(folder / "dictionary.csv")


def converted(cells: list[str], unit: str, kind: str) -> list[str] | np.ndarray:
    """Cells of one column in the type and SI unit of the record."""
    if kind == "text":
        return [cell_text(cell) for cell in cells]
    if not kind.startswith("float"):
        return np.array([int(cell) for cell in cells], kind)
    written = np.array([float(cell or "nan") for cell in cells], np.float64)
    factor = next((units[unit] for units in UNITS.values() if unit in units), None)
    factor = factor or SI_OF_STIFFNESS.get(unit, 1.0)
    zero = parse(f"0 {unit}", "temperature") if unit in UNITS["temperature"] else 0.0
    return (written * factor + zero if zero else written * factor).astype(kind)


def column(folder: Path, row: dict[str, str]) -> list[str] | np.ndarray:
    """The values of one column that the dictionary describes, in all files that have it."""
    cells = [
        line[row["column"]]
        for path in sorted(folder.glob(row["file"]))
        for line in rows_of(path)
        if row["column"] in line
    ]
    return converted(cells, row["unit"], row["type"])


def recorded(run_file: Path, row: dict[str, str]) -> list[str] | np.ndarray:
    """The same values by plain h5py; samples without the stretches of which nothing was kept."""
    name = row["column"].partition(" [")[0]
    with h5py.File(run_file, "r") as file:
        place = file[row["recorded"]]
        values = place[name] if place.dtype.names else place[()]
        if "frames" in (place.dtype.names or ()):
            values = values[place["frames"] > 0]  # a record of nothing has no file
        if row["type"] == "text":
            return [text.decode() for text in values]
        if "*" in row["file"]:
            return values[~np.isnan(values)]
        return values


def same_bits(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two arrays are the same bit for bit, every NaN taken as the one NaN."""
    if one.dtype != other.dtype or one.shape != other.shape:
        return False
    if one.dtype.kind == "f":
        one, other = (np.where(np.isnan(a), np.array(np.nan, a.dtype), a) for a in (one, other))
    return one.tobytes() == other.tobytes()


def differing(folder: Path, run_file: Path) -> list[str]:
    """The columns that do not read back as they are in run.h5, of those with a place there."""
    wrong = []
    for row in described(folder):
        if not row["recorded"]:
            continue
        found, expected = column(folder, row), recorded(run_file, row)
        if row["type"] == "text":
            alike = found == expected
        else:
            found = found[~np.isnan(found)] if "*" in row["file"] else found
            alike = same_bits(found, expected)
        if not alike:
            wrong.append(f"{row['file']}: {row['column']}")
    return wrong
