"""Where cycles begin in samples that nobody's command explains: a swing of the load, and back.

A rig often stands still at first, is loaded slowly, pauses, or goes on at another level. Cycles
are therefore looked for about the first swing whose rise comes back over the middle of the fall
before it; what moves by less than a twentieth of the whole range is none. The first middle is the
median of the first 2 s, of 100 samples at least, wherever that swing crosses it. Where no cycle
ends for five periods the search begins anew behind the last one that did; while none has ended at
all, with twice the patience each time. (The twentieth and the
five: no source.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rig.acquire.crossings import Level
from rig.acquire.extract import ExtractionState, begin
from rig.samples import Cycles, Flag, SampleArray

FIRST_SECONDS: Final = 2.0
FIRST_SAMPLES: Final = 100
MOVES: Final = 0.05  # of the whole range of the load
PERIODS: Final = 5
LONGEST: Final = 4_000_000  # frames without a cycle's end, gaps and all
_CHUNK: Final = 512


def stretch(rate: float) -> int:
    """Return how many frames the first middle is taken from, at `rate` [Hz]."""
    return max(FIRST_SAMPLES, math.ceil(FIRST_SECONDS * rate))


@dataclass(slots=True)
class Swing:
    """Follows a load [N] to its first swing: from `foot` over `peak` down to `valley`, and back.

    `foot`, `peaked` and `seen` are frames: the last one low before the peak, the peak's, and up to
    which the load was followed. A turn is one by `moves` [N] at least.
    """

    moves: float
    seen: int
    foot: int = 0
    peak: float = math.nan
    peaked: int = 0
    valley: float = math.nan
    _rising: bool | None = None
    _mark: float = math.inf
    _mark_at: int = 0
    _low: float = math.inf
    _low_at: int = 0
    _high: float = -math.inf
    _high_at: int = 0

    def follow(self, load: SampleArray) -> bool:
        """Follow the next samples; return whether one of them completes the swing."""
        for start in range(0, len(load), _CHUNK):
            chunk = load[start : start + _CHUNK].astype(np.float64)
            if self._quiet(chunk):
                self.seen += len(chunk)
                continue
            for value in chunk.tolist():
                self.seen += 1
                if value == value and self._step(value, self.seen - 1):
                    return True
        return False

    def _quiet(self, chunk: np.ndarray[tuple[int], np.dtype[np.float64]]) -> bool:
        """Take samples in which the load does not turn; return False, and nothing taken, else."""
        valid = np.isfinite(chunk)
        if not valid.any():
            return True
        least, most = float(chunk[valid].min()), float(chunk[valid].max())
        low, high = min(self._low, least), max(self._high, most)
        if self._rising is None and high - low >= self.moves:
            return False
        if self._rising is True and (high - least >= self.moves or most >= self._middle):
            return False
        if self._rising is False and most - low >= self.moves:
            return False
        if self._rising is not True:
            self._lower(low, self.seen + int(np.argmax(valid & (chunk == least))))
            near = np.flatnonzero(valid & (chunk <= low + self.moves / 2))
            self._low_at = self.seen + int(near[-1]) if len(near) else self._low_at
        if self._rising is not False and high > self._high:
            self._high, self._high_at = high, self.seen + int(np.argmax(valid & (chunk == high)))
        return True

    @property
    def _middle(self) -> float:
        """What a rise must reach: without a fall before it, nothing does."""
        middle = (self.peak + self.valley) / 2
        return middle if middle == middle else math.inf

    def _step(self, value: float, at: int) -> bool:
        if self._rising is not True:
            self._lower(min(self._low, value), at)
            if value <= self._low + self.moves / 2:
                self._low_at = at
        if self._rising is not False and value > self._high:
            self._high, self._high_at = value, at
        if self._rising is not True and value - self._low >= self.moves:
            if self._rising is False:
                self.valley = self._low
                if value >= self._middle:
                    return True
            self._rising, self._high, self._high_at = True, value, at
            return False
        if self._rising is True and value >= self._middle:
            return True
        if self._rising is not False and self._high - value >= self.moves:
            self.foot = self._low_at if self._rising else self._high_at
            self.peak, self.peaked, self.valley = self._high, self._high_at, math.nan
            self._rising, self._low, self._low_at = False, value, at
            self._mark, self._mark_at = value, at
        return False

    def _lower(self, low: float, at: int) -> None:
        self._low = low
        if low < self._mark - self.moves / 2:
            self._mark, self._mark_at = low, at

    @property
    def half(self) -> int:
        """Frames from the peak down and back up to the middle, without a rest between."""
        return (self._mark_at - self.peaked) + (self.seen - self._low_at)

    @property
    def needed(self) -> int:
        """The first frame that may have to be looked at again once the swing is complete."""
        if self._rising is None:
            return min(self._low_at, self._high_at)
        return self._low_at if self._rising and self.peak != self.peak else self.foot


@dataclass(slots=True)
class Search:
    """Tells where the search for cycles begins, and when anew. `moves` [N] is the least range."""

    rate: float
    moves: float
    at: int
    since: int = 0
    patience: float = 0.0
    period: float = 0.0
    doubts: int = 1
    swing: Swing = field(init=False)
    _opening: SampleArray = field(default_factory=lambda: np.empty(0, np.float32))

    def __post_init__(self) -> None:
        self.swing = Swing(self.moves, self.at, _low_at=self.at, _high_at=self.at)

    def first(self, load: SampleArray) -> ExtractionState | None:
        """Return where to begin once the next load completes a swing, None before."""
        swing = self.swing
        missing = self.at + stretch(self.rate) - swing.seen
        if missing > 0:
            self._opening = np.concatenate((self._opening, load[:missing]))
        if not swing.follow(load):
            return None
        period = self.period or 2.0 * swing.half
        self.patience = max(self.doubts * PERIODS * period, float(stretch(self.rate)))
        middle = self._median()
        crossed = swing.valley < Level(middle, swing.peak - swing.valley).arms_below
        told = crossed and middle < swing.peak
        # Cycles smaller than a swing may lie before it, about the same middle.
        opens = told and swing.seen <= self.at + stretch(self.rate)
        self.since = self.at if opens else swing.foot
        if not told:
            middle = (swing.peak + swing.valley) / 2
        return begin(middle, swing.peak - swing.valley, self.since)

    def _median(self) -> float:
        """Return the first middle [N], NaN where the search began anew."""
        opening = self._opening[np.isfinite(self._opening)].astype(np.float64)
        return float(np.median(opening)) if len(opening) else math.nan

    def skips(self, rows: Cycles) -> bool:
        """Tell whether one of the rows is as long as many cycles, and no samples miss in it."""
        told = (rows["flags"].astype(np.int64) & Flag.LONG_GAP) == 0
        return bool((told & (rows.end - rows.begin > self.patience)).any())

    def lost(self, state: ExtractionState, ended: int | None, end: int) -> int | None:
        """Return the frame from which cycles are to be looked for anew, None to go on.

        `ended` is the frame at which the last cycle ended in the load up to frame `end`, None
        where none did.
        """
        if ended is not None:
            self.since = ended
            if state.period is not None:
                self.period, self.doubts = state.period, 1
                self.patience = max(PERIODS * state.period, float(stretch(self.rate)))
        held = state.samples
        # In a gap nobody knows that the load stood still.
        gap = held is not None and bool(np.isnan(held[0]).any())
        if end - self.since <= (LONGEST if gap else self.patience):
            return None
        self.doubts *= 2
        # A swing that no cycle came of is not looked at twice.
        anew = max(self.since, self.swing.seen)
        self.at, self._opening = -stretch(self.rate), self._opening[:0]
        self.swing = Swing(self.moves, anew, _low_at=anew, _high_at=anew)
        return anew
