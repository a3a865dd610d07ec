"""Medians over groups of cycles, of all that is known of a cycle: what channels are compared by.

Only good cycles are used: without gap, spike or shortfall. A group is so many good cycles in a
row, whatever lies between them, so that nothing depends on how rows are cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles, Flag

FloatArray = NDArray[np.float64]

NET: Final = "deflection"
LOAD: Final = "load"
WARMTH: Final = "temperature_air"
"""Column of rows that are judged: the air temperature [K] as it was last read."""
_NOT_GOOD: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE | Flag.SHORT | Flag.AFTER_END)
_PLAIN: Final = ("number", "time", "wet", WARMTH, "stiffness", "deflection_min")
_LAST: Final = 4
"""So many of them are those of a group's last cycle; of the others medians are taken."""
LONG_GROUP, SHORT_GROUP = 25, 5
LONG_BASELINE: Final = 250
"""Cycles of a baseline from which on groups are long: ten of them at least."""


def group_size(first: int, last: int) -> int:
    """Return the cycles of a group for a baseline of cycles `first` to `last`."""
    return LONG_GROUP if last - first + 1 >= LONG_BASELINE else SHORT_GROUP


def raw_columns(channels: tuple[str, ...]) -> tuple[str, ...]:
    """Return the columns of rows that groups are made of."""
    return (*_PLAIN, *(f"{c}_{end}" for c in (LOAD, NET, *channels) for end in ("max", "min")))


def good_rows(
    rows: Cycles, first: int, channels: tuple[str, ...], *, short: bool = False
) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the indices of good rows from cycle `first` on, and their columns, shape (k, n).

    Those whose range is `short` are among them where asked for. A column that the rows do not
    have is NaN.
    """
    flags = rows["flags"].astype(np.int64)
    bad = _NOT_GOOD & ~int(Flag.SHORT) if short else _NOT_GOOD
    good = ((flags & bad) == 0) & np.isfinite(rows["stiffness"]) & (rows["number"] >= first)
    index = np.flatnonzero(good)
    names = raw_columns(channels)
    values = np.full((len(names), len(index)), np.nan)
    for row, name in enumerate(names):
        column = (flags & Flag.SPRAY) != 0 if name == "wet" else rows.columns.get(name)
        if column is not None:
            values[row] = column if len(index) == len(rows) else column[index]
    return index, values


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """What groups of cycles show, shape (features, groups) [SI], for channels in their order.

    Of load, net deflection and each channel: the median range, the mean of both extremes, and
    unevenness (the mean difference of range from one cycle to the next). Medians of two more
    columns; means are quicker, and what is judged by them must last for several groups.
    """

    channels: tuple[str, ...]
    values: FloatArray

    def __len__(self) -> int:
        return int(self.values.shape[1])

    def of(self, name: str) -> FloatArray:
        """Return "number", "time", "wet", "temperature_air", "stiffness", "deflection_min"."""
        result: FloatArray = self.values[_PLAIN.index(name)]
        return result

    def range(self, channel: str) -> FloatArray:
        """Return the ranges of a channel; NaN where it has none."""
        return self._feature(channel, 0)

    def mean(self, channel: str) -> FloatArray:
        """Return the means of a channel's extremes; NaN where it has none."""
        return self._feature(channel, 1)

    def uneven(self, channel: str) -> FloatArray:
        """Return how much a channel's range differs from cycle to cycle; NaN without it."""
        return self._feature(channel, 2)

    def _feature(self, channel: str, which: int) -> FloatArray:
        names = (LOAD, NET, *self.channels)
        if channel not in names:
            return np.full(len(self), np.nan)
        result: FloatArray = self.values[len(_PLAIN) + 3 * names.index(channel) + which]
        return result

    def part(self, start: int, stop: int) -> Groups:
        """Return groups [start, stop)."""
        return Groups(self.channels, self.values[:, start:stop])

    def behind(self, earlier: Groups) -> Groups:
        """Return these groups behind earlier ones."""
        return Groups(self.channels, np.concatenate((earlier.values, self.values), axis=1))

    def median(self) -> Groups:
        """Return one group of the medians over all of them."""
        return Groups(self.channels, np.median(self.values, axis=1, keepdims=True))


def no_groups(channels: tuple[str, ...]) -> Groups:
    """Return no groups at all."""
    return Groups(channels, np.empty((len(_PLAIN) + 3 * (2 + len(channels)), 0)))


def grouped(channels: tuple[str, ...], rows: FloatArray, size: int) -> Groups:
    """Return the groups of good rows, shape (k, groups * size) of `raw_columns`."""
    count = rows.shape[1] // size
    found = no_groups(channels).values
    values = np.empty((len(found), count))
    shaped = rows.reshape(len(rows), count, size)
    plain = len(_PLAIN)
    values[:_LAST] = shaped[:_LAST, :, -1]
    for row in range(_LAST, plain):
        values[row] = _medians(shaped[row])
    for pair in range(2 + len(channels)):
        high, low = shaped[plain + 2 * pair], shaped[plain + 2 * pair + 1]
        spans = high - low
        at = plain + 3 * pair
        values[at] = _medians(spans)
        values[at + 1] = (high.mean(axis=1) + low.mean(axis=1)) / 2
        values[at + 2] = np.abs(np.diff(spans, axis=1)).mean(axis=1)
    return Groups(channels, values)


def _medians(values: FloatArray) -> FloatArray:
    """Return the lower median of each row, shape (n, size); NaN counts as the largest value."""
    middle = (values.shape[1] - 1) // 2
    result: FloatArray = np.partition(values, middle, axis=1)[:, middle]
    return result
