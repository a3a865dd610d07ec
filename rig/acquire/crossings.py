"""Where cycles begin: upward crossings of the middle of the previous cycle's range.

The rule, sample by sample: after a cycle has begun, the search is armed by the first sample below
middle - 10 % of range; the next cycle begins at the first sample after that at or above the
middle. Middle and range are those of the raw extremes of the cycle before the one that ends.
Missing samples and lone spikes neither arm nor cross nor count as extremes. Missing samples in a
row, more than 10 % of the cycle so far, disarm the search (before the first cycle, any do): what
the load did meanwhile is not known. Whether a sample is
a lone spike is known with the one after it, so the last sample of a stretch is left for later. A
cycle that misses more than 5 % of its samples leaves the level as it was.

Each level depends on the cycle before. `boundaries` breaks that chain for whole blocks: it finds
rough crossings of one level, takes each cycle's extremes, and then places every crossing
exactly at its own level. Where that cannot be shown to equal the rule, `one_boundary`, which is
the rule itself, finds the next crossing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.acquire.spikes import JUMP, lone
from rig.samples import FloatArray, SampleArray

HYSTERESIS: Final = 0.10
SHORT_GAP: Final = 0.05  # of a cycle's samples: up to it may miss and the cycle is used
LOST: Final = 2 * SHORT_GAP  # of the cycle so far: a longer gap disarms the search
BAND: Final = 0.01  # of the range: levels this near to each other are handled together
_CHUNK: Final = 4096
_RETRY: Final = 8  # cycles looked at together again after one that was found by itself

IndexArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Level:
    """The middle and range [N] that the next crossing is looked for with."""

    middle: float
    span: float

    @property
    def arms_below(self) -> float:
        """Load [N] under which the search is armed."""
        return self.middle - HYSTERESIS * self.span


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Crossings found: their indices, the middles [N] they crossed, spiked cycles, next level.

    `spiked` holds, for each crossing, whether a lone spike lies in the cycle that it ends.
    """

    ends: IndexArray
    middles: FloatArray
    spiked: NDArray[np.bool_]
    level: Level


@dataclass(frozen=True, slots=True)
class Scan:
    """What one pass of the rule found: the index of the crossing, None where the samples end.

    `armed` tells whether the search is armed at the end, `spiked` whether lone spikes lie before.
    """

    at: int | None
    armed: bool
    spiked: bool


def one_boundary(
    load: SampleArray,
    start: int,
    level: Level,
    floor: float,
    *,
    first: bool = False,
    armed: bool = False,
) -> Scan:
    """Look for the next crossing after index `start`, sample by sample.

    `floor` [N] is the smallest jump that is a spike. `first` says that no cycle has begun yet,
    `armed` then that a sample before was low enough.
    """
    spiked = False
    scan = Scan(None, armed, False)
    for i, (begin, end) in enumerate(_whole_parts(load, start, first=first)):
        scan = _scan(load, begin, end, level, floor, armed=armed and i == 0)
        spiked = spiked or scan.spiked
        if scan.at is not None:
            break
    return Scan(scan.at, scan.armed, spiked)


def _whole_parts(load: SampleArray, start: int, *, first: bool) -> list[tuple[int, int]]:
    """Return the stretches of samples after `start` between gaps that disarm."""
    last = max(len(load) - 1, start + 1)
    gone = np.isnan(load[start + 1 : last])
    if not gone.any():
        return [(start + 1, last)]
    turns = np.flatnonzero(np.diff(np.concatenate(([False], gone, [False]))))
    begins, ends = turns[::2], turns[1::2]
    disarm = np.ones(len(ends), np.bool_) if first else ends - begins > LOST * (ends + 1)
    begins, ends = begins[disarm] + start + 1, ends[disarm] + start + 1
    return [*zip([start + 1, *ends.tolist()], [*begins.tolist(), last], strict=True)]


def _scan(
    load: SampleArray, start: int, stop: int, level: Level, floor: float, *, armed: bool
) -> Scan:
    """Look for a crossing sample by sample from `start` to `stop`."""
    spiked = False
    # numpy's own scalars: a plain float would be rounded to the samples' float32 first.
    arms_below, middle = np.float64(level.arms_below), np.float64(level.middle)
    for begin in range(start, stop, _CHUNK):
        part, spikes = settled(load, begin, min(begin + _CHUNK, stop), level, floor)
        at = 0
        if not armed:
            low = part < arms_below
            at = int(low.argmax())
            armed = bool(low[at])
        if armed:
            up = part[at:] >= middle
            if up.any():
                at += int(up.argmax())
                return Scan(begin + at, armed, spiked or bool(spikes[:at].any()))
        spiked = spiked or bool(spikes.any())
    return Scan(None, armed, spiked)


def settled(
    load: SampleArray, begin: int, end: int, level: Level, floor: float
) -> tuple[SampleArray, NDArray[np.bool_]]:
    """Return the samples from `begin` to `end` with lone spikes as NaN, and which these are.

    Needs the sample before `begin` (0: there is none) and the one after the last.
    """
    before = max(begin - 1, 0)
    spikes = lone(load[before : end + 1], max(JUMP * level.span, floor))[begin - before : -1]
    part = load[begin:end]
    return (np.where(spikes, np.float32(np.nan), part) if spikes.any() else part), spikes


def boundaries(load: SampleArray, level: Level, floor: float) -> Boundaries:
    """Return the crossings after index 0, where a cycle begins.

    `level` is the one for the first crossing; `load` has shape (frames,); `floor` [N] is the
    smallest jump that is a spike.
    """
    found: list[tuple[IndexArray, FloatArray, NDArray[np.bool_]]] = []
    start, reach = 0, len(load)
    while True:
        ends, middles, after = _many(load[start : start + reach], level, floor)
        reach *= 4
        spiked = np.zeros(len(ends), np.bool_)
        if len(ends) == 0:
            one = one_boundary(load, start, level, floor)
            if one.at is None:
                break
            ends, middles = np.array([one.at - start]), np.array([level.middle])
            spiked = np.array([one.spiked])
            after = _level_after(load, start, one.at, level, floor)
            reach = _RETRY * (one.at - start)
        found.append((ends + start, middles, spiked))
        start += int(ends[-1])
        level = after
    if not found:
        none = np.empty(0)
        return Boundaries(none.astype(np.int64), none, none.astype(np.bool_), level)
    if len(found) == 1:
        return Boundaries(*found[0], level)
    columns = [np.concatenate(parts) for parts in zip(*found, strict=True)]
    return Boundaries(columns[0], columns[1], columns[2], level)


def _level_after(load: SampleArray, start: int, end: int, before: Level, floor: float) -> Level:
    """Return the level from a cycle's samples; the one before where too few are valid."""
    if np.count_nonzero(np.isnan(load[start:end])) > SHORT_GAP * (end - start):
        return before
    # A cycle's first sample crossed the level, so it is no spike.
    first, (rest, _) = load[start], settled(load, start + 1, end, before, floor)
    high, low = (
        float(np.fmax.reduce(rest, initial=first)),
        float(np.fmin.reduce(rest, initial=first)),
    )
    return Level((high + low) / 2, high - low) if high > low else before


def _many(load: SampleArray, level: Level, floor: float) -> tuple[IndexArray, FloatArray, Level]:
    """Return as many crossings as can be shown to be the rule's, perhaps none."""
    none = np.empty(0, np.int64), np.empty(0), level
    band = BAND * level.span
    # Spans that differ by no more than band / HYSTERESIS, a tenth, are handled together.
    spikes = _first_suspect(load, max((1 - BAND / HYSTERESIS) * JUMP * level.span, floor))
    load = load[:spikes]
    rough = _rough(load, level, band)
    if len(rough) < 2:
        return none
    starts = np.concatenate(([0], rough[:-1]))
    ended = load[: rough[-1]]
    high = np.maximum.reduceat(ended, starts).astype(np.float64)
    low = np.minimum.reduceat(ended, starts).astype(np.float64)
    middle_after, span_after = (high + low) / 2, high - low
    middles = np.concatenate(([level.middle], middle_after[:-1]))
    spans = np.concatenate(([level.span], span_after[:-1]))
    width = max(int(np.diff(rough).min()) // 8, 2)
    usable = (
        (np.abs(middles - level.middle) <= band)
        & (HYSTERESIS * np.abs(spans - level.span) <= band)
        & (high > level.middle + 2 * band)
        & (low < level.arms_below - 2 * band)
        & (rough + width <= len(load))
    )
    count = _leading(usable)
    if count == 0:
        return none
    windows = load[rough[:count, None] + np.arange(width)]
    reached = windows >= middles[:count, None]
    exact = reached.argmax(axis=1)
    count = _leading(reached[np.arange(count), exact])
    if count == 0:
        return none
    last = count - 1
    after = Level(float(middle_after[last]), float(span_after[last]))
    return rough[:count] + exact[:count], middles[:count], after


def _leading(good: NDArray[np.bool_]) -> int:
    """Return how many are true before the first that is not."""
    return len(good) if good.all() else int(good.argmin())


def _first_suspect(load: SampleArray, jump: float) -> int:
    """Return how many samples lie before the first that may be a lone spike."""
    steps = load[1:] - load[:-1]
    if len(steps) == 0 or (steps.max() <= jump and steps.min() >= -jump):
        return max(len(load) - 1, 0)
    suspects = lone(load, jump)
    return int(suspects.argmax()) if suspects.any() else len(load) - 1


def _rough(load: SampleArray, level: Level, band: float) -> IndexArray:
    """Return the earliest possible crossings, as far as none is in doubt.

    A candidate rises through the lower edge of the band. It counts when the samples since the
    candidate before went surely below the arming level, it does not when they surely did not.
    """
    above = load >= level.middle - band
    candidates = np.flatnonzero(above[1:] > above[:-1]) + 1
    if len(candidates) == 0:
        return candidates
    starts = np.concatenate(([0], candidates[:-1]))
    lowest = np.minimum.reduceat(load[: candidates[-1]], starts)
    armed = lowest < level.arms_below - 2 * band
    # NaN is neither: comparisons with it are false.
    sure = _leading(armed | (lowest > level.arms_below + 2 * band))
    return candidates[:sure][armed[:sure]]
