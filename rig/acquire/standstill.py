"""When something that moved evenly has come to rest after an event, and how far it went on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.samples import FloatArray

BEFORE: Final = 0.2  # [s] of even motion before the event, from which its speed is found
WINDOW: Final = 0.01  # [s] of samples of which one position is made
NOISES: Final = 4.0  # standard deviations of such a position by which the end is surely not reached
LEAST_SAMPLES: Final = 20
EXTRAPOLATED: Final = 0.15  # [s] of a signal before it crosses a bound


@dataclass(frozen=True, slots=True)
class Stopped:
    """How motion ended: time [s] and travel [m] after the event, speed [m/s] before it.

    Travel counts in the direction in which it moved; what springs back takes nothing from it.
    `noise` [m] is that of a sample.
    """

    time: float
    travel: float
    speed: float
    noise: float = 0.0

    def as_way(self, speed: float) -> Stopped:
        """Return it with travel in the way of something that moved at a speed [m/s] with it."""
        scale = speed / self.speed
        return Stopped(self.time, self.travel * abs(scale), speed, self.noise * abs(scale))


def came_to_rest(position: FloatArray, event: float, rate: float) -> Stopped | None:
    """Return how a motion ended, None where nothing moved before the event or too little is known.

    `position` [m], or any signal that grows with it, shape (frames,), was sampled at `rate` [Hz];
    `event` is a frame of it, perhaps between two. Positions are the ends of lines fitted to 10 ms
    of samples; the furthest one is where it stopped, and its time is that at which it is reached,
    but for what noise may hide: both err by a few of the noise's standard deviations, towards more
    time and travel.
    """
    first = max(math.ceil(event - BEFORE * rate), 0)
    before = np.arange(first, min(math.ceil(event), len(position)))
    valid = np.isfinite(position[before]) if len(before) else np.zeros(0, bool)
    if valid.sum() < LEAST_SAMPLES:
        return None
    at, shown = before[valid] - event, position[before][valid]
    speed, start = np.polyfit(at, shown, 1)  # a frame
    noise = float(np.std(shown - (start + speed * at)))
    ends, spread = _line_ends(position, max(round(WINDOW * rate), 3))
    hidden = NOISES * noise * spread
    if abs(speed) * BEFORE * rate <= hidden:
        return None
    way = np.sign(speed) * (ends - start)
    after = way[max(math.ceil(event), 0) :]
    if not np.isfinite(after).any():
        return None
    furthest = float(np.nanmax(after))
    reached = int(np.flatnonzero(after >= furthest - hidden)[0]) + math.ceil(event)
    frames = reached - event + hidden / abs(speed)
    return Stopped(max(float(frames), 0.0) / rate, max(furthest, 0.0), float(speed) * rate, noise)


def _line_ends(values: FloatArray, window: int) -> tuple[FloatArray, float]:
    """Return the ends of lines fitted to the last `window` values, and what is left of noise.

    Shape (frames,); NaN where a value of the window is missing.
    """
    at = np.arange(window) - (window - 1) / 2
    weights = 1 / window + at * (window - 1) / 2 / float(at @ at)
    found = np.full(len(values), np.nan)
    if len(values) >= window:
        found[window - 1 :] = np.correlate(values, weights, "valid")
    return found, float(np.sqrt(weights @ weights))


def crossed(signal: FloatArray, bound: float, near: float, rate: float) -> float:
    """Return the frame, perhaps between two, at which a signal that changes evenly meets a bound.

    `signal`, shape (frames,), is followed by a line over the last 0.15 s before the frame
    `near`, about which it is beyond the bound, so that noise does not cross it first. NaN where it
    does not go there.
    """
    span = EXTRAPOLATED * rate
    last = min(math.ceil(near), len(signal))
    at = np.arange(max(math.ceil(near - span), 0), last)
    values = signal[at] if len(at) else np.zeros(0)
    valid = np.isfinite(values)
    if valid.sum() < LEAST_SAMPLES:
        return math.nan
    slope, start = np.polyfit(at[valid] - near, values[valid], 1)
    frames = (bound - start) / slope if slope else math.nan
    return near + frames if abs(frames) <= span else math.nan


def goes_to(signal: FloatArray, seconds: float, rate: float) -> tuple[float, float]:
    """Return where a signal stands and where it will be after some time [s] if it goes on evenly.

    NaN where too few of its values are there.
    """
    at = np.arange(len(signal)) - (len(signal) - 1)
    valid = np.isfinite(signal)
    if valid.sum() < LEAST_SAMPLES:
        return math.nan, math.nan
    slope, now = np.polyfit(at[valid], signal[valid], 1)
    return float(now), float(now + slope * seconds * rate)
