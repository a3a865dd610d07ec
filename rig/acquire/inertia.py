"""The load on the specimen, where a mass moves between it and the load cell.

A cell above a mass m shows what the specimen carries and what accelerates the mass: F = F_cell -
m a. One under the specimen lacks it: F = F_cell + m a. Load, stroke and acceleration are
positive downwards [1].

Where no acceleration is sampled it is drawn from the stroke. A sum over the last samples would
have to look ahead of them, and blow up all that is quicker than the loading; a machine that cycles
has been through the same motion one period before. So a polynomial of fourth degree is fitted to
the samples about that moment, and its second derivative is the acceleration now. What this costs:
while the amplitude grows the acceleration is that of one cycle before, and a corner in the motion
that takes much less than the length of the fit is rounded.

Sources
-------
[1] Newton's second law. 120 kg at 1 mm and 5 Hz are 118.435 N, computed apart from this module.
[2] A. Savitzky, M. Golay, Anal. Chem. 36 (1964) 1627: derivatives by local polynomials; from
    memory.
[3] ISO 4965-1:2012, scope: method A corrects dynamic errors of up to 10 % of the force range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

WINDOW: Final = 0.030
"""Longest stretch [s] of stroke that one acceleration is drawn from."""
SHARE: Final = 0.2
"""Longest stretch as a share of a period: shorter leaves more noise, longer cuts the top off."""
DEGREE: Final = 4
LEAST: Final = 3
"""Samples to either side that the fit needs at least."""
STALE: Final = 3
"""Periods for which an acceleration stands in for one that cannot be known."""
CORRECTED: Final = 0.10
"""Largest correction as a share of the load range [3]."""
TOO_QUICK: Final = 1.5
"""Over the speed of the actuator: a sample of the stroke that moved faster tells nothing."""


@dataclass(frozen=True)
class Inertia:
    """What is known of the motion beforehand.

    `mass` [kg] is to be subtracted: negative under a fixed cell. `rate` and `frequency` [Hz],
    the largest correction `most` [N], the way `step` [m] from sample to sample that no rod goes.
    """

    mass: float
    rate: float
    frequency: float
    most: float
    step: float

    @cached_property
    def period(self) -> int:
        """A period, in whole samples."""
        return max(1, round(self.rate / self.frequency))

    @cached_property
    def reach(self) -> int:
        """Samples to either side of the one whose acceleration is drawn."""
        longest = min(WINDOW, SHARE / self.frequency)
        return min(max(round(longest * self.rate / 2), LEAST), self.period)

    @cached_property
    def weights(self) -> FloatArray:
        """What each sample of the fit counts in the acceleration [1/s2], oldest first [2]."""
        # A period is seldom a whole number of samples: the fit is read off beside its middle.
        beside = self.rate / self.frequency - self.period
        places = (np.arange(-self.reach, self.reach + 1) + beside) / self.reach
        powers = np.vander(places, min(DEGREE, 2 * self.reach) + 1, increasing=True)
        second: FloatArray = 2 * np.linalg.pinv(powers)[2] * (self.rate / self.reach) ** 2
        return second


def inertia(
    mass: float, rate: float, frequency: float, load_range: float, speed: float, noise: float
) -> Inertia:
    """Return what the correction needs: signed `mass` [kg], `load_range` [N] of the cycles.

    `speed` [m/s] is the actuator's, `noise` [m] what two samples of the stroke differ by at rest.
    """
    step = TOO_QUICK * speed / rate + noise
    return Inertia(mass, rate, frequency, CORRECTED * load_range, step)


@dataclass(frozen=True, slots=True)
class Travelled:
    """What has been seen of the stroke: enough for the acceleration of the next sample.

    `stroke` [m] are its last samples, NaN where they tell nothing, `last` the very last one;
    `found` [m/s2] the accelerations of the last period, `ages` how many periods ago each was
    really drawn. Empty before the first sample.
    """

    stroke: FloatArray = field(default_factory=lambda: np.empty(0))
    last: float = math.nan
    found: FloatArray = field(default_factory=lambda: np.empty(0))
    ages: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


def accelerations(
    setup: Inertia, before: Travelled, stroke: NDArray[Any]
) -> tuple[FloatArray, Travelled]:
    """Return the acceleration [m/s2] at each sample of the stroke [m], and what has been seen.

    Shape (frames,). How the samples are cut into blocks does not matter. Where the fit lacks a
    sample the acceleration of one period before stands in, at most `STALE` times; NaN after
    that. Before the first sample the rod is taken to have stood still.
    """
    if not len(stroke):
        return np.empty(0), before
    wide = stroke.astype(np.float64)
    waited = 0
    if not len(before.stroke):
        known = np.flatnonzero(np.isfinite(wide))
        if not len(known):
            return np.zeros(len(wide)), before
        waited = int(known[0])
        before = _stood_still(setup, float(wide[waited]))
        wide[:waited] = wide[waited]
    with np.errstate(invalid="ignore"):
        steps = np.abs(np.diff(wide, prepend=before.last))
        usable = np.where(steps <= setup.step, wide, np.nan)
    whole = np.concatenate((before.stroke, usable))
    drawn = np.correlate(whole[: len(wide) + 2 * setup.reach], setup.weights, "valid")
    drawn[:waited] = 0.0  # as in blocks without a sample
    found, ages = _stood_in(setup, before, drawn)
    seen = Travelled(
        whole[len(wide) :].copy(),
        float(wide[-1]),
        np.concatenate((before.found, found))[-setup.period :].copy(),
        np.concatenate((before.ages, ages))[-setup.period :].copy(),
    )
    return np.where(ages <= STALE, found, np.nan), seen


def _stood_still(setup: Inertia, at: float) -> Travelled:
    return Travelled(
        np.full(setup.period + setup.reach, at),
        at,
        np.zeros(setup.period),
        np.zeros(setup.period, np.int64),
    )


def _stood_in(
    setup: Inertia, before: Travelled, drawn: FloatArray
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return accelerations, where one is missing that of a period before, and their ages."""
    period, missing = setup.period, np.isnan(drawn)
    if not missing.any():
        return drawn, np.zeros(len(drawn), np.int64)
    found = np.concatenate((before.found, drawn))
    ages = np.concatenate((before.ages, np.zeros(len(drawn), np.int64)))
    for begin in range(0, len(drawn), period):
        here = begin + np.flatnonzero(missing[begin : begin + period])
        found[period + here] = found[here]
        ages[period + here] = np.minimum(ages[here] + 1, STALE + 1)
    return found[period:], ages[period:]


@dataclass(frozen=True, slots=True)
class Shown:
    """The last sample of a load cell as it came [N], and what was taken off it [N]."""

    value: float = math.nan
    taken: float = 0.0


def taken_off(
    setup: Inertia,
    before: Shown,
    shown: SampleArray,
    acceleration: FloatArray,
    ends: tuple[float, float],
) -> tuple[SampleArray, Shown]:
    """Return what is to be taken off a cell's samples [N], shape (frames,), and its last state.

    A cell that shows the same to the last digit keeps what was taken off: one that hangs must go
    on looking as if it hung. At the `ends` [N] of its range nothing is taken off.
    """
    if not len(shown):
        return np.empty(0, np.float32), before
    taken = np.clip(setup.mass * acceleration, -setup.most, setup.most)
    low, high = np.float32(ends[0]), np.float32(ends[1])
    taken[(shown <= low) | (shown >= high)] = 0.0
    same = np.empty(len(shown), np.bool_)
    same[0] = float(shown[0]) == before.value
    same[1:] = shown[1:] == shown[:-1]
    # Each sample takes what the first one of its run took; one before the block at place 0.
    runs = np.maximum.accumulate(np.where(same, 0, np.arange(1, len(shown) + 1)))
    held = np.concatenate(([before.taken], taken))[runs]
    return held.astype(np.float32), Shown(float(shown[-1]), float(held[-1]))
