"""What flows from the acquisition to the record: channels, blocks of samples, rows of cycles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntFlag
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SampleArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Contiguous frames of all sampled channels.

    `first` is the device's own number of the first frame, 0 at power-on of the acquisition;
    frame `n` was taken at device time `n / rate`. `values` is float32 of shape
    (channels, frames), SI; a missing or invalid sample is NaN, so frames never jump.
    """

    first: int
    rate: float
    channels: tuple[str, ...]
    values: SampleArray

    @property
    def frames(self) -> int:
        """Number of frames in the block."""
        return int(self.values.shape[1])

    @property
    def end(self) -> int:
        """Number of the frame after the last one."""
        return self.first + self.frames

    def of(self, name: str) -> SampleArray:
        """Return one channel, shape (frames,). Raises ValueError for an unknown name."""
        result: SampleArray = self.values[self.channels.index(name)]
        return result

    def head(self, frames: int) -> SampleBlock:
        """Return the first frames of the block as a block (a view)."""
        return SampleBlock(self.first, self.rate, self.channels, self.values[:, :frames])


class Flag(IntFlag):
    """What is marked in a cycle's `flags`, a uint16 bit mask."""

    SHORT = 1  # range under 95 % of target
    GAP = 2  # samples missing, up to 5 % of the cycle: used
    LONG_GAP = 4  # samples missing, more than that: not judged
    OVERLOAD = 8  # load_max above 102 % of upper
    SPRAY = 16  # water was on during the cycle
    AFTER_END = 32  # run after the verdict
    CORRECTED = 64  # the load command changed during the cycle
    SPIKE = 128  # an excursion no physical speed allows
    LOAD_SPIKE = 256  # and it is one of the load


FIXED_COLUMNS: Final[tuple[str, ...]] = (
    "number",
    "time",
    "load_max",
    "load_min",
    "deflection_max",
    "deflection_min",
)
LAST_COLUMNS: Final[tuple[str, ...]] = ("stiffness", "energy", "frequency", "wet", "flags")
COLUMN_TYPES: Final[dict[str, str]] = {
    "number": "<i8",
    "time": "<f8",
    "wet": "|u1",
    "flags": "<u2",
}
"""Types of the columns that are not float32. All others are float32: every value is rounded to
a step far coarser than float32 resolves, so nothing is lost."""


def cycle_columns(channels: tuple[str, ...]) -> tuple[str, ...]:
    """Return the column names of a cycle table for the sampled channels, in their fixed order."""
    others = [c for c in channels if c != "load"]
    pairs = [f"{c}_{end}" for c in others for end in ("max", "min")]
    return (*FIXED_COLUMNS, *pairs, *LAST_COLUMNS)


def column_type(name: str) -> str:
    """Return the numpy type string of a cycle column."""
    return COLUMN_TYPES.get(name, "<f4")


@dataclass(frozen=True, slots=True)
class Cycles:
    """Rows of the cycle table: one array per column, all of one length.

    Besides the recorded columns each row carries the frames it spans, [`begin`, `end`), and
    `known`, the number of the frame at which the row was first knowable (its closing crossing
    was confirmed): whatever is decided from the row is decided then, however the samples were
    cut into blocks. `number` is 0 in rows that do not count (build-up, static cycles) until the
    conductor numbers them.
    """

    columns: Mapping[str, NDArray[np.generic]]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    known: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.begin)

    def __getitem__(self, name: str) -> FloatArray:
        """Return one column as it is stored."""
        return self.columns[name]  # type: ignore[return-value]  # the column's own type

    def part(self, start: int, stop: int) -> Cycles:
        """Return rows [start, stop) (views)."""
        return Cycles(
            {name: column[start:stop] for name, column in self.columns.items()},
            self.begin[start:stop],
            self.end[start:stop],
            self.known[start:stop],
        )

    def with_columns(self, **changed: NDArray[np.generic]) -> Cycles:
        """Return the same rows with some columns replaced."""
        return Cycles({**self.columns, **changed}, self.begin, self.end, self.known)
