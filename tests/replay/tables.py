"""Measured series of our own making, as text, and what was imported of them."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import numpy as np

from rig.record import read_run
from rig.replay.arrays import open_arrays
from rig.replay.headings import parse_map
from rig.replay.importing import Imported, Wanted, import_file
from rig.replay.recording import open_recording
from rig.replay.table import open_table

RATE = 200.0
HEADING = "time [s],load [kN],midspan [mm],support_left [mm]"


def series(seconds: float = 20.0, frequency: float = 4.0, rate: float = RATE) -> np.ndarray:
    """Return time [s], load [kN], mid-span and support [mm] of whole cycles, as they are printed.

    The stiffness is 42.5 kN over 0.8 - 0.05 mm; the loop encloses no area.
    """
    time = np.arange(round(seconds * rate)) / rate
    wave = np.cos(2 * np.pi * frequency * time)
    columns = (time, 50 - 42.5 * wave, 1 - 0.8 * wave, 0.1 - 0.05 * wave)
    return np.round(np.column_stack(columns), 5)


def text_of(table: np.ndarray, heading: str = HEADING, separator: str = ",") -> str:
    rows = (separator.join(f"{v:.5f}" for v in row) for row in table)
    return "\n".join((heading.replace(",", separator), *rows)) + "\n"


def write(folder: Path, content: str | bytes, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def imported(path: Path, **how: object) -> Imported:
    """Import a file into a folder `run` beside it."""
    return import_file(Wanted(path, path.with_name("run"), **how))  # type: ignore[arg-type]


def read_si(
    path: Path, columns: tuple[str, ...] = (), *, decimal_comma: bool = False
) -> dict[str, np.ndarray]:
    """Return the columns of a file [SI] as they are read, without a run of them."""
    mapped = parse_map(columns)
    with ExitStack() as stack:
        table = (
            open_table(path, decimal_comma=decimal_comma, mapped=mapped)
            if path.suffix == ".csv"
            else stack.enter_context(open_arrays(path, mapped))
        )
        pieces = list(table.rows())
        return {
            c.name: np.concatenate([piece.si(table.layout, c.name) for piece in pieces])
            for c in table.layout.columns
        }


def same_columns(found: dict[str, np.ndarray], expected: dict[str, np.ndarray]) -> None:
    """Hold columns against others: times from the first on, the rest as float32."""
    assert found.keys() == expected.keys()
    for name, values in expected.items():
        if name == "time":
            np.testing.assert_allclose(found[name] - found[name][0], values, atol=1e-6)
        else:
            np.testing.assert_array_equal(np.float32(found[name]), np.float32(values), name)


def samples_in(folder: Path) -> tuple[np.ndarray, int, float]:
    """Return the samples of a run (channels, frames), the first frame and the rate."""
    with open_recording(folder) as recording:
        records = list(recording.full_rate())
    return (
        np.concatenate([r.values for r in records], axis=1),
        records[0].first_frame,
        records[0].rate,
    )


def columns_in(folder: Path, kind: str = "cycles") -> dict[str, np.ndarray]:
    """Return the rows of a run's table by column."""
    with read_run(folder) as run:
        return {name: run.column(name, kind=kind) for name in run.column_names(kind)}
