"""How far the wire has lost its bond over the cycles of a run, from its crack opening and load."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import InputError
from rig.mechanics.discrete import debonded_length
from rig.record.reader import read_run

if TYPE_CHECKING:
    from rig.mechanics.crack import Cracks
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

POINTS: Final = 400
"""Cycles that are estimated of a run: more than a figure can show."""
WINDOW: Final = 25
"""Cycles whose median is taken about each: a gauge on a crack is noisy."""
NEEDED: Final = ("number", "load_max", "crack_opening_max")


@dataclass(frozen=True, slots=True)
class Measured:
    """Debonded length [m] over the counted cycles of a run; NaN where none explains the opening.

    `number`, `load` [N], `opening` [m] and `length` have the shape (n,). `specimen` is what the
    run was made on, "" where it does not say.
    """

    label: str
    specimen: str
    number: FloatArray
    load: FloatArray
    opening: FloatArray
    length: FloatArray


def measured_length(path: Path, specimen: Specimen, cracks: Cracks) -> Measured:
    """Return the debonded length of a specimen over a run; `path` is its folder or run.h5.

    Raises StorageError where it cannot be read, InputError where it has no crack opening.
    """
    if not specimen.tendons:
        raise InputError(f"--measured {path}: {specimen.name} has no tendon that could lose bond")
    with read_run(path) as run:
        if NEEDED[2] not in run.column_names():
            raise InputError(
                f"--measured {path}: has no channel crack_opening; take a run of a rig that "
                "measures it"
            )
        kept = slice(0, run.cycles or None)
        name = _name(run.text("specimen"))
        number, load, opening = (run.column(name)[kept].astype(float) for name in NEEDED)
    if not number.size:
        raise InputError(f"--measured {path}: has no counted cycle; nothing can be estimated")
    at = _spread(len(number))
    load, opening = _medians(load, at), _medians(opening, at)
    length = np.asarray(
        debonded_length(specimen, opening, load, cracks.bond, cracks.spacing, cracks.diameter)
    )
    return Measured(str(path), name, number[at], load, opening, length)


def _name(text: str) -> str:
    """Return the name in the text of a specimen file."""
    try:
        return str(tomllib.loads(text).get("name", ""))
    except tomllib.TOMLDecodeError:
        return ""


def _spread(rows: int) -> NDArray[np.int64]:
    """Return rows spread as a logarithmic axis shows them, the last one among them."""
    return np.unique(np.round(np.geomspace(1, rows, POINTS)).astype(np.int64)) - 1


def _medians(values: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    # A gauge that is silent over a whole window has no median, and nothing to be warned of.
    windows = (values[max(i - WINDOW + 1, 0) : i + 1] for i in at)
    known = (window[~np.isnan(window)] for window in windows)
    return np.array([np.median(part) if part.size else np.nan for part in known])
