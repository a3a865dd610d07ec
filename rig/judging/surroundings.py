"""What is read slowly beside the cycles and belongs to each of them: the temperature of the air."""

from __future__ import annotations

import numpy as np

from rig.criteria.groups import WARMTH
from rig.samples import Cycles, FloatArray

Readings = tuple[tuple[float, float], ...]
"""Test time [s] and temperature [K] of readings, in order of time."""


def air_read(readings: Readings, time: float, temperature: float) -> Readings:
    """Return readings with one more [s, K]: the last two, which rows of one block may need.

    The temperature is as the record keeps it; one that is missing is none.
    """
    kept = float(np.float32(temperature))
    return (*readings[-1:], (time, kept)) if np.isfinite(kept) else readings


def with_air(rows: Cycles, readings: Readings) -> Cycles:
    """Return counted rows with the temperature of the air as it was read last before each."""
    if not readings:
        return rows
    times, values = np.array(readings).T
    return with_temperatures(rows, times, values)


def with_temperatures(rows: Cycles, times: FloatArray, values: FloatArray) -> Cycles:
    """Return counted rows with the last value [K] read at or before each began; NaN before any.

    `times` [s] and `values` [K] have the shape (readings,); the rows are only judged with it.
    """
    if not len(times):
        return rows
    at = np.searchsorted(times, rows["time"], side="right") - 1
    return rows.with_columns(**{WARMTH: np.where(at >= 0, values[at], np.nan)})
