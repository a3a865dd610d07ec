"""Where cycles begin in samples that nobody's command explains: the middle of a first stretch.

The first middle is the median of the first 2 s, of 100 samples at least. A rig often stands
still at first, or pauses: what moves by less than a twentieth of the whole range is no cycle,
so that the stretch taken is the first that moves. Where no cycle ends for five periods (while
none has ended at all: for twice as long each time) the search begins anew from the stretch
just seen, or from the level before where that stands still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.acquire.crossings import Level
from rig.acquire.extract import ExtractionState, begin
from rig.samples import SampleArray

FIRST_SECONDS: Final = 2.0
FIRST_SAMPLES: Final = 100
MOVES: Final = 0.05  # of the whole range of the load
PERIODS: Final = 5
LONGEST: Final = 4_000_000  # frames without a cycle's end, gaps and all


def stretch(rate: float) -> int:
    """Return how many frames the first middle is taken from, at `rate` [Hz]."""
    return max(FIRST_SAMPLES, math.ceil(FIRST_SECONDS * rate))


def level_of(load: SampleArray) -> Level | None:
    """Return middle and range [N] of a stretch of load (frames,), None where all is missing."""
    valid = load[np.isfinite(load)].astype(np.float64)
    if not len(valid):
        return None
    return Level(float(np.median(valid)), float(valid.max() - valid.min()))


@dataclass(slots=True)
class Search:
    """Tells when the search for cycles begins, and when anew. `moves` [N] is the least range."""

    rate: float
    moves: float
    patience: float = 0.0
    begun: ExtractionState | None = None
    since: int = 0

    def first(self, load: SampleArray, at: int) -> ExtractionState | None:
        """Return where to begin in a stretch of load from frame `at` on, None if it stands."""
        level = level_of(load)
        if level is None or not level.span >= self.moves:
            return None
        self.patience = self.patience or float(len(load))
        self.since = at
        return begin(level.middle, level.span, at)

    def again(
        self, state: ExtractionState, ended: int | None, load: SampleArray, end: int
    ) -> ExtractionState | None:
        """Return where to begin anew after a stretch of load that ends at frame `end`.

        `ended` is the frame at which the last cycle in the stretch ended; None goes on as it is.
        """
        if ended is not None:
            self.since = ended
            if state.period is not None:
                self.patience = max(PERIODS * state.period, float(stretch(self.rate)))
            return None
        quiet = end - self.since
        held = state.samples
        # In a gap nobody knows that the load stood still.
        gap = held is not None and bool(np.isnan(held[0]).any())
        if quiet <= (LONGEST if gap else self.patience):
            return None
        if state.period is None:
            self.patience *= 2
        level = level_of(load)
        if level is None or not level.span >= self.moves:
            level = state.level
        self.since = end
        return begin(level.middle, level.span, end)
