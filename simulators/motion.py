"""What the actuator is told to do: closed forms of the absolute frame number.

A motion knows nothing of blocks; its command at frame n depends on n alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray

Frames = NDArray[np.int64]
Loop = Literal["stroke", "load", "deflection"]

NEVER = 1 << 62
"""A frame that does not come."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """From `start` to `to` [N or m] in frames [begin, end), then stay."""

    loop: Loop
    begin: int
    end: int
    start: float
    to: float

    def at(self, n: Frames) -> FloatArray:
        """Return the command."""
        if self.end <= self.begin:
            return np.full(len(n), self.to)
        part = np.minimum((n - self.begin) / (self.end - self.begin), 1.0)
        return self.start + part * (self.to - self.start)


@dataclass(frozen=True, slots=True)
class Cycling:
    """A sine about a mean from frame `begin` on; loads [N], frequency [Hz].

    The amplitude grows over `growth` frames. From frame `changed` mean and amplitude go from
    (`mean_0`, `amplitude_0`) to (`mean`, `amplitude`) as a first-order lag of `lag` frames,
    exactly there after `settling` frames. From frame `fall` the amplitude falls to zero over
    `falling` frames.
    """

    begin: int
    frequency: float
    rate: float
    growth: int
    mean_0: float
    mean: float
    amplitude_0: float
    amplitude: float
    changed: int
    lag: float
    fall: int = NEVER
    falling: int = 1

    @property
    def per_cycle(self) -> int:
        """Frames per cycle where that is a whole number, else 0."""
        exact = self.rate / self.frequency
        return round(exact) if abs(exact - round(exact)) < 1e-9 else 0

    @property
    def settling(self) -> int:
        """Frames after which an adjustment is complete."""
        return math.ceil(12 * self.lag)

    def steady(self, n: int) -> bool:
        """Tell whether mean and amplitude no longer change from frame n on."""
        return n >= self.begin + self.growth and n >= self.changed + self.settling and n < self.fall

    def index(self, n: int) -> int:
        """Return the number of complete cycles before frame n."""
        whole = self.per_cycle
        if whole:
            return (n - self.begin) // whole
        return math.floor((n - self.begin) * self.frequency / self.rate + 1e-9)

    def boundary(self, index: int) -> int:
        """Return the first frame of a cycle."""
        whole = self.per_cycle
        if whole:
            return self.begin + index * whole
        return self.begin + math.ceil(index * self.rate / self.frequency - 1e-9)

    def phase(self, n: Frames) -> FloatArray:
        """Return the phase of the command [0..1)."""
        since = n - self.begin
        if self.per_cycle:
            return np.asarray(since % self.per_cycle / self.per_cycle, np.float64)
        turns = since * (self.frequency / self.rate)
        return np.asarray(turns - np.floor(turns), np.float64)

    def targets(self, n: int) -> tuple[float, float]:
        """Return mean and full amplitude at a frame: what an adjustment sets out from."""
        since = n - self.changed
        left = math.exp(-since / self.lag) if since < self.settling else 0.0
        mean = self.mean + left * (self.mean_0 - self.mean)
        return mean, self.amplitude + left * (self.amplitude_0 - self.amplitude)

    def levels(self, n: Frames) -> tuple[FloatArray, FloatArray]:
        """Return mean and amplitude of the command."""
        if self.fall == NEVER and len(n) and n[0] > self.begin and self.steady(int(n[0])):
            # The same by a shorter way: nothing changes from there on.
            steady = np.full((2, len(n)), [[self.mean], [self.amplitude]], np.float64)
            return steady[0], steady[1]
        since = n - self.changed
        left = np.where(since < self.settling, np.exp(-np.maximum(since, 0) / self.lag), 0.0)
        mean = self.mean + left * (self.mean_0 - self.mean)
        amplitude = self.amplitude + left * (self.amplitude_0 - self.amplitude)
        growth = np.minimum((n - self.begin) / max(self.growth, 1), 1.0)
        fall = np.clip(1 - (n - self.fall) / self.falling, 0.0, 1.0)
        return mean, amplitude * growth * fall


@dataclass(frozen=True, slots=True)
class Closed:
    """Valve closed at frame `begin`: the load leaks away.

    `load` [N], `net` deflection and `stroke` [m] at that moment, `lag` in frames.
    """

    begin: int
    load: float
    net: float
    stroke: float
    lag: float

    def at(self, n: Frames) -> FloatArray:
        """Return the load."""
        return self.load * np.exp(-(n - self.begin) / self.lag)


@dataclass(frozen=True, slots=True)
class Collapse:
    """The specimen gives way at frame `begin`: load falls to `left`, deflection runs away.

    `lag` in frames; `creep` [m] a frame, which ends at `far` [m] beyond `net`.
    """

    begin: int
    load: float
    left: float
    net: float
    jump: float
    lag: float
    creep: float
    far: float

    def at(self, n: Frames) -> tuple[FloatArray, FloatArray]:
        """Return load and net deflection."""
        since = (n - self.begin).astype(np.float64)
        fallen = 1 - np.exp(-since / self.lag)
        load = self.load + fallen * (self.left - self.load)
        net = self.net + np.minimum(fallen * self.jump + since * self.creep, self.far)
        return load, net


Motion = Ramp | Cycling | Closed | Collapse
