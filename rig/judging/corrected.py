"""What load correction sees in counted rows: usable cycles, softening, a load that stays short."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles, Flag, FloatArray

WINDOW: Final = 5
DEADBAND: Final = 0.001  # of the range
SETTLING_CYCLES: Final = 2  # after a change of command
GROWTH: Final = 0.01
GROWTH_CYCLES: Final = 50
SHORT_BY: Final = 0.01  # of the range: an upper load that is said to be short
SHORT_FOR: Final = 50  # cycles in a row until it is
BACK: Final = 0.005  # of the range: so near the target it is no longer short

_UNUSABLE: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE | Flag.CORRECTED | Flag.AFTER_END)
_LOWERS: Final = int(Flag.SHORT | Flag.OVERLOAD)
_UNKNOWN: Final = int(Flag.LONG_GAP | Flag.SPIKE | Flag.AFTER_END)
_KEPT: Final = GROWTH_CYCLES + WINDOW - 1
"""Cycles before one whose softness is compared with it: medians of five, fifty apart."""

Mask = NDArray[np.bool_]
Pair = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Rows beside what was kept of those before them.

    `pairs` holds mean, amplitude [N] and 1 where good, shape (3, n), `index` the rows of the new
    ones, `softness` [m/N] of the new rows behind those kept, without the first `skip`; 0 where
    nobody knows it.
    `short` is by how much the upper load is short [of the range], shape (rows,).
    """

    rows: int
    skip: int
    pairs: FloatArray
    index: NDArray[np.intp]
    softness: FloatArray
    short: FloatArray
    flags: NDArray[np.int64]

    def row_of(self, window: int) -> int:
        """Return the row that completes a window of usable cycles."""
        carried = self.pairs.shape[1] - len(self.index)
        return int(self.index[window + WINDOW - 1 - carried])

    def clean(self, window: int) -> bool:
        """Tell whether all cycles of a window are good."""
        return bool(self.pairs[2, window : window + WINDOW].all())

    def spoils_rise(self, row: int) -> bool:
        """Tell whether a cycle says to stop raising: it cannot be trusted, or is high enough."""
        doubtful = (_UNUSABLE & ~int(Flag.CORRECTED)) | _LOWERS
        return bool(self.flags[row] & doubtful) or not self.short[row] > 0

    def all_near(self, targets: tuple[float, float], band: float) -> bool:
        """Tell whether neither mean nor amplitude leaves a band about its target [N] anywhere.

        Then no median can.
        """
        return all(
            float(values.max()) <= target + band and float(values.min()) >= target - band
            for values, target in zip(self.pairs[:2], targets, strict=True)
        )

    def place_of(self, row: int) -> int:
        """Return the place of a row in `softness`, below 0 for one that is left out."""
        skipped = min(self.skip, self.rows)
        kept = len(self.softness) - (self.rows - skipped)
        return kept + row - skipped if row >= skipped else -1

    def upto(
        self, rows: int, short: int, held: bool
    ) -> tuple[tuple[Pair, ...], tuple[float, ...], int, bool]:
        """Return what is kept after the first rows: pairs, softness, cycles short, told or not."""
        usable = self.pairs.shape[1] - int(np.count_nonzero(self.index >= rows))
        last = self.pairs[:, max(usable - WINDOW + 1, 0) : usable]
        pairs = tuple((float(m), float(a), float(good)) for m, a, good in last.T)
        end = len(self.softness) - max(self.rows - max(rows, min(self.skip, self.rows)), 0)
        softness = tuple(self.softness[max(end - _KEPT, 0) : end].tolist())
        if not rows:
            return pairs, softness, short, held
        by = self.short[:rows]
        counts = _in_a_row(by > SHORT_BY, short)
        return pairs, softness, int(counts[-1]), held and not bool((by <= BACK).any())


def seen(
    rows: Cycles,
    skip: int,
    pairs: tuple[Pair, ...],
    softness: tuple[float, ...],
    upper: float,
    span: float,
) -> Seen:
    """Return counted rows beside the pairs and softness kept; target `upper` and `span` [N]."""
    high, low = (np.asarray(rows[c], np.float64) for c in ("load_max", "load_min"))
    opening = np.asarray(rows["deflection_max"], np.float64) - rows["deflection_min"]
    flags = np.asarray(rows["flags"], np.int64)
    finite = np.isfinite(high) & np.isfinite(low)
    usable = ((flags & _UNUSABLE) == 0) & finite
    usable[:skip] = False
    index = np.flatnonzero(usable)
    good = (flags[index] & _LOWERS) == 0
    new = np.stack(((high + low)[index] / 2, (high - low)[index] / 2, good))
    before = np.array(pairs, np.float64).reshape(-1, 3).T
    known = ((flags & _UNKNOWN) == 0) & (high > low)
    # While the amplitude grows a cracked specimen is stiffer than it will be.
    growing = max(skip - SETTLING_CYCLES, 0)
    known &= np.isfinite(opening)
    per_load = np.divide(opening, high - low, out=np.zeros(len(rows)), where=known)
    short = np.where(finite, (upper - high) / span, 0.0)
    return Seen(
        len(rows),
        growing,
        np.concatenate((before, new), axis=1),
        index,
        np.concatenate((np.asarray(softness, np.float64), per_load[growing:])),
        short,
        flags,
    )


def medians(values: FloatArray, target: float) -> tuple[FloatArray, FloatArray]:
    """Return by how much the median of each five values misses a target, and half their spread.

    A median of five is off by about a quarter of their spread: half of it is no accident.
    """
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(values, WINDOW), axis=1)
    return target - windows[:, WINDOW // 2], (windows[:, -1] - windows[:, 0]) / 2


def frozen(look: Seen, row: int) -> bool:
    """Tell whether the specimen softens at a row by more than 1 % in 50 cycles, or nobody knows.

    Where fewer cycles are known growth is counted over those; under ten nothing is.
    """
    place = look.place_of(row)
    if place < 2 * WINDOW - 1:
        return False
    first = max(place - _KEPT, 0)
    was = middle(look.softness[first : first + WINDOW])
    now = middle(look.softness[place - WINDOW + 1 : place + 1])
    return not (was > 0 and 0 < now <= was * (1 + GROWTH))


def middle(softness: Iterable[float]) -> float:
    """Return the median of five values, 0 where most of them are not known."""
    known = sorted(float(value) for value in softness if value > 0)
    if len(known) <= WINDOW // 2:
        return 0.0
    half = len(known) // 2
    return (known[half] + known[-half - 1]) / 2


def long_short(look: Seen, before: int, held: bool) -> tuple[int | None, str]:
    """Return the row at which the upper load has been short for long, and why it is not raised."""
    short = look.short > SHORT_BY
    if held or not short.any():
        return None, ""
    long = np.flatnonzero(_in_a_row(short, before) >= SHORT_FOR)
    if not len(long):
        return None, ""
    row = int(long[0])
    words = f"upper load more than {SHORT_BY:.0%} of range short for {SHORT_FOR} cycles"
    return row, f"{words}; {_why_held(look, row)}"


def _why_held(look: Seen, row: int) -> str:
    if frozen(look, row):
        return "not raised while the specimen softens so fast"
    if look.flags[row] & Flag.SHORT:
        return "not raised from cycles under 95 % of range; look at oil and valve"
    return "too few good cycles to raise it by"


def _in_a_row(marked: Mask, before: int) -> NDArray[np.intp]:
    """Return how many marked values in a row end at each place; `before` come from earlier."""
    places = np.arange(len(marked))
    ends = np.maximum.accumulate(np.where(marked, -1, places))
    return np.where(marked, places - ends + np.where(ends < 0, before, 0), 0)
