"""Samples of several ports on one time base.

The port with the load gives the frames; what comes from another one is interpolated between the
two of its samples that lie about a frame's time, each clock by its own fit. Straight lines: at 200
samples a cycle they cut the top of a sine by 1.2e-4 of its amplitude at the most [1], where the
nearest sample would put it up to half a period off, 1.6 % of the amplitude at the steepest place.

Sources
-------
[1] The error of linear interpolation is at most h^2 max|f''| / 8; with f = sin(2 pi x / 200) and
    h = 1 that is (2 pi / 200)^2 / 8 = 1.2e-4. Any textbook of numerical analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drivers.time_base import ClockFit
from rig.samples import FloatArray, SampleArray

LONGEST_WAIT: Final = 256
"""How many batches wait in a ring before they are put into their places."""


class Ring:
    """The newest frames of one port: numbers [begin, end) with their times, at most `capacity`.

    `values` are float32 of shape (rows, frames); a missing sample is NaN, and so becomes one that
    is not finite. Times are the device's. Frames come one at a time and are taken many at a time,
    so that what is put waits as it is until it is taken. Not for two threads at once.
    """

    def __init__(self, rows: int, capacity: int) -> None:
        self.begin = 0
        self.end = 0
        self.last = 0.0
        """Time of the newest frame [s]."""
        self._capacity = capacity
        self._values = np.full((rows, capacity), np.nan, np.float32)
        self._times = np.zeros(capacity)
        self._waiting: list[tuple[SampleArray, Sequence[float]]] = []
        self._stored = 0  # end of the frames that do not wait

    @property
    def empty(self) -> bool:
        """Whether nothing has come."""
        return self.begin == self.end

    def clear(self) -> None:
        """Hold nothing; whatever is put next is the first."""
        self.begin = self.end = self._stored = 0
        self._waiting.clear()

    def put(self, first: int, values: SampleArray, times: Sequence[float]) -> None:
        """Add frames that follow the last ones. Raises ValueError where they do not."""
        if self.begin == self.end:
            self.begin = self.end = self._stored = first
        if first != self.end:
            raise ValueError(f"frame {first} does not follow {self.end - 1}")
        self.end = first + len(times)
        self.last = times[-1]
        if self.end - self.begin > self._capacity:
            self.begin = self.end - self._capacity
        self._waiting.append((values, times))
        if len(self._waiting) >= LONGEST_WAIT:
            self._store()

    def values(self, first: int, end: int) -> SampleArray:
        """Return the values of frames [first, end), all there; copy them at once."""
        found: SampleArray = self._values[:, self._slots(first, end)]
        return found

    def times(self, first: int, end: int) -> FloatArray:
        """Return the times [s] of frames [first, end), all there; copy them at once."""
        found: FloatArray = self._times[self._slots(first, end)]
        return found

    def _slots(self, first: int, end: int) -> slice | NDArray[np.int64]:
        if not self.begin <= first <= end <= self.end:
            raise ValueError(f"frames {first} to {end} are not among {self.begin} to {self.end}")
        self._store()
        return self._places(first, end)

    def _places(self, first: int, end: int) -> slice | NDArray[np.int64]:
        at = first % self._capacity
        if at + end - first <= self._capacity:
            return slice(at, at + end - first)
        return np.arange(first, end) % self._capacity

    def _store(self) -> None:
        """Put what waits into its place."""
        if not self._waiting:
            return
        values = np.concatenate([values for values, _ in self._waiting], axis=1)
        times = np.concatenate([times for _, times in self._waiting])
        self._waiting.clear()
        values[~np.isfinite(values)] = np.nan
        first = max(self._stored, self.end - self._capacity)
        places = self._places(first, self.end)
        self._values[:, places] = values[:, first - self._stored :]
        self._times[places] = times[first - self._stored :]
        self._stored = self.end


@dataclass(frozen=True, slots=True)
class Lane:
    """What comes from one port: its newest frames, its clock, the rows of a block they fill."""

    ring: Ring
    fit: ClockFit
    rows: NDArray[np.intp]


def released(lead: Lane, others: Sequence[Lane], end: int, patience: int) -> bool:
    """Tell whether the frames before `end` are there and wait for no other port any more.

    A frame waits until the samples of all ports reach it, or `patience` frames have followed it.
    """
    if lead.ring.end < end:
        return False
    return lead.ring.end - end >= patience or all(_covers(lead, other, end) for other in others)


def merged(lead: Lane, others: Sequence[Lane], first: int, end: int, rate: float) -> SampleArray:
    """Return frames [first, end) of the leading port with what the others have for them.

    float32 of shape (channels, frames); NaN where another port has nothing.
    """
    count = len(lead.rows) + sum(len(other.rows) for other in others)
    values = np.full((count, end - first), np.nan, np.float32)
    values[lead.rows] = lead.ring.values(first, end)
    for other in others:
        if not other.ring.empty and other.fit.known and lead.fit.known:
            values[other.rows] = _drawn(other, _times_of(lead, other, first, end), rate)
    return values


def _covers(lead: Lane, other: Lane, end: int) -> bool:
    """Tell whether a port's samples reach the frame before `end`."""
    if other.ring.empty:
        return False
    return other.ring.last >= float(_times_of(lead, other, end - 1, end)[0])


def _times_of(lead: Lane, other: Lane, first: int, end: int) -> FloatArray:
    """Return the times [s] of frames of the leading port by the clock of another one."""
    times = lead.ring.times(first, end)
    begin = float(times[0])
    # Both clocks are straight lines to the computer's, and so they are to each other.
    here = other.fit.device(lead.fit.host(begin))
    slope = other.fit.device(lead.fit.host(begin + 1.0)) - here
    return here + (times - begin) * slope


def _drawn(other: Lane, at: FloatArray, rate: float) -> SampleArray:
    """Return a port's samples at times of its own clock [s]."""
    ring = other.ring
    # As many frames as reach back to the first time at half the rate, whatever is missing.
    back = int(max(ring.last - at[0], 0.0) * rate * 2) + 2
    begin = max(ring.begin, ring.end - back)
    return aligned(at, ring.times(begin, ring.end), ring.values(begin, ring.end))


def aligned(at: FloatArray, times: FloatArray, values: SampleArray) -> SampleArray:
    """Return samples interpolated at other times, float32 of shape (rows, len(at)).

    `times` [s] rise, shape (samples,), `values` have shape (rows, samples). A value is NaN where
    one of the two samples about it is missing, and before the first and after the last one.
    """
    rows = values.shape[0]
    if len(times) < 2:
        return np.full((rows, len(at)), np.nan, np.float32)
    right = np.clip(np.searchsorted(times, at, side="right"), 1, len(times) - 1)
    left = right - 1
    span = times[right] - times[left]
    with np.errstate(all="ignore"):
        part = (at - times[left]) / span
        between = values[:, left] + part * (values[:, right] - values[:, left])
    # Exactly at the last sample nothing needs to come after it.
    between[:, (at < times[0]) | (at > times[-1]) | ~(span > 0)] = np.nan
    return between.astype(np.float32)
