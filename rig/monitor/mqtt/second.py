"""The cycles of about a second, summed up from the newest rows of the record."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.record.history import Journal, read_journal
from rig.record.sealing import CHUNK_ROWS
from rig.samples import Flag

LONGEST: Final = 2.0
"""Seconds that are summed up at most: after a broker was away, the newest of it alone."""
_PEAKS: Final = ("load_max", "load_min", "deflection_max", "deflection_min")
_READ: Final = ("number", "time", *_PEAKS, "stiffness", "frequency", "flags")

_Rows = dict[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Second:
    """Counted cycles in short: the newest one's number and time [s], and how many they are.

    Of maxima and minima of load [N] and of net deflection [m] the most and the least; the median
    of stiffness [N/m], the mean of frequency [Hz]. NaN where no cycle has such a value.
    """

    cycle: int
    time: float
    counted: int
    load_max: float
    load_max_least: float
    load_min: float
    load_min_most: float
    deflection_max: float
    deflection_min: float
    stiffness: float
    frequency: float


def last_second(folder: Path, after: int, upto: int) -> Second | None:
    """Return the counted cycles behind number `after`, up to a number, in short.

    Only those of the last `LONGEST` seconds of them; None where there is none. Raises StorageError.
    """
    with read_journal(folder) as journal:
        rows = _newest_rows(journal, after)
    counted = (rows["number"] > after) & (rows["number"] <= upto)
    counted &= rows["flags"].astype(int) & Flag.AFTER_END == 0
    newest = rows["time"][counted][-1:]
    counted &= rows["time"] > np.append(newest, 0.0)[0] - LONGEST
    if not counted.any():
        return None
    return _in_short({name: column[counted] for name, column in rows.items()})


def _newest_rows(journal: Journal, after: int) -> _Rows:
    """Return rows behind a number, from the newest ones back as far as they may be asked for."""
    # A whole chunk may have taken the place of pieces, and begins before them.
    places = journal.places("cycles", after // CHUNK_ROWS * CHUNK_ROWS)
    parts: list[_Rows] = []
    for first, rows in reversed(places):
        if first + rows <= after:
            break
        parts.insert(0, _columns(journal, first))
        if parts[-1]["time"][-1] - parts[0]["time"][0] > 2 * LONGEST:
            break
    empty = np.empty(0)
    return {name: np.concatenate([empty, *(part[name] for part in parts)]) for name in _READ}


def _columns(journal: Journal, first: int) -> _Rows:
    chunk = journal.chunk("cycles", first)
    places = {field.name: place for place, field in enumerate(chunk.fields)}
    return {name: chunk.column(places[name]) for name in _READ}


def _in_short(rows: _Rows) -> Second:
    known = {name: values[np.isfinite(values)] for name, values in rows.items()}
    peaks = {name: known[name] if len(known[name]) else np.array([np.nan]) for name in _PEAKS}
    return Second(
        cycle=int(rows["number"][-1]),
        time=float(rows["time"][-1]),
        counted=len(rows["number"]),
        load_max=float(peaks["load_max"].max()),
        load_max_least=float(peaks["load_max"].min()),
        load_min=float(peaks["load_min"].min()),
        load_min_most=float(peaks["load_min"].max()),
        deflection_max=float(peaks["deflection_max"].max()),
        deflection_min=float(peaks["deflection_min"].min()),
        stiffness=_middle(known["stiffness"]),
        frequency=float(known["frequency"].mean()) if len(known["frequency"]) else np.nan,
    )


def _middle(values: NDArray[Any]) -> float:
    return float(np.median(values)) if len(values) else np.nan
