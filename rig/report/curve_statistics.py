"""Statistics of a column of a recording: what stands in sentences and tables of its report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.report.measure import COUNT, Measure

if TYPE_CHECKING:
    from rig.report.curve_points import Values

NAN: Final = float("nan")


@dataclass(frozen=True, slots=True)
class Statistics:
    """What is known of `count` values [SI], `missing` more are not there.

    `first` and `last` are those of the first and the last row, whether there or NaN. `at_min` and
    `at_max` are the first rows of the smallest and the largest value, from 1: the counted cycle in
    a table of cycles, 0 without any value; the others are NaN then.
    """

    count: int
    missing: int
    min: float = NAN
    max: float = NAN
    mean: float = NAN
    median: float = NAN
    first: float = NAN
    last: float = NAN
    sum: float = NAN
    at_min: int = 0
    at_max: int = 0


def statistics(
    values: Values | np.ndarray[Any, np.dtype[Any]], *, median: bool = False
) -> Statistics:
    """Return the statistics of values, shape (n,); NaN is no value. Sums in double precision.

    A median takes longer than all the rest: it is NaN without `median`.
    """
    if values.dtype.kind != "f":
        values = values.astype(np.float64)
    absent = np.isnan(values)
    missing = int(np.count_nonzero(absent))
    known = values[~absent] if missing else values
    if not known.size:
        return Statistics(0, missing)
    low, high = int(known.argmin()), int(known.argmax())
    total = float(known.sum(dtype=np.float64))
    row = np.flatnonzero(~absent) if missing else None
    return Statistics(
        count=len(known),
        missing=missing,
        min=float(known[low]),
        max=float(known[high]),
        mean=total / len(known),
        median=_median(known) if median else NAN,
        first=float(values[0]),
        last=float(values[-1]),
        sum=total,
        at_min=1 + (low if row is None else int(row[low])),
        at_max=1 + (high if row is None else int(row[high])),
    )


def _median(known: Values) -> float:
    # One place sorted, and the largest below it: both at once take twice as long.
    half = len(known) // 2
    parts = np.partition(known, half)
    upper = float(parts[half])
    return upper if len(known) % 2 else (float(parts[:half].max()) + upper) / 2


def measured(found: Statistics, what: str, unit: str, key: str, digits: int = 4) -> Measure:
    """Return one of the statistics; `key` is that of the column, such as "cycles.load_max"."""
    return Measure(getattr(found, what), unit, f"{key}.{what}", digits, blank="not measured")


def where(found: Statistics, what: str, key: str) -> Measure:
    """Return the counted cycle of the "min" or "max" of a column of a table."""
    table, _, column = key.rpartition(".")
    at = getattr(found, f"at_{what}")
    return Measure(at or NAN, COUNT, f"{table}.number.of.{column}.{what}", blank="none")
