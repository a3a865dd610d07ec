"""A servo whose gain is known exactly, and cycle rows of what it reaches."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from rig.judging.correction import Correction, correct, start_correction
from rig.samples import Cycles, Flag

MEAN, AMPLITUDE = 50e3, 40e3
UPPER, LOWER, RANGE = MEAN + AMPLITUDE, MEAN - AMPLITUDE, 2 * AMPLITUDE
SOFTNESS = 1e-3 / RANGE
"""Net deflection per load of the specimen at first [m/N]."""


def rows(mean, amplitude, opening=None, flags=None):
    """Return cycle rows with given mean and amplitude arrays [N]."""
    mean, amplitude = np.asarray(mean, float), np.asarray(amplitude, float)
    n = len(mean)
    frames = np.arange(n, dtype=np.int64)
    opening = SOFTNESS * 2 * amplitude if opening is None else np.asarray(opening, float)
    return Cycles(
        {
            "load_max": (mean + amplitude).astype(np.float32),
            "load_min": (mean - amplitude).astype(np.float32),
            "deflection_max": opening.astype(np.float32),
            "deflection_min": np.zeros(n, np.float32),
            "flags": np.zeros(n, np.uint16) if flags is None else np.asarray(flags, np.uint16),
        },
        frames * 200,
        frames * 200 + 200,
        frames * 200 + 210,
    )


@dataclass(frozen=True)
class Servo:
    """What a rig makes of a command, and what its specimen does.

    The amplitude is reached to the share `gain`, which may follow the cycle; the mean is off by
    `offset` [N]. Loads are read with `noise` [N]. Net deflection per load grows by the share
    `growth` in 50 cycles from the 60th on, up to one, and at `steps_at` by `step`; nobody reads
    it from `blind_from` on.
    """

    gain: float | Callable[[int], float] = 1.0
    offset: float = 0.0
    noise: float = 0.0
    growth: float = 0.0
    grows_until: int = 10**9
    steps_at: int = 10**9
    step: float = 0.0
    blind_from: int = 10**9

    def reach(self, cycle: int) -> float:
        """Return the share of the amplitude that a cycle reaches."""
        return self.gain(cycle) if callable(self.gain) else self.gain

    def softness(self, cycle: int) -> float:
        """Return net deflection per load in a cycle [m/N]."""
        if cycle >= self.blind_from:
            return math.nan
        grown = (1 + self.growth) ** (max(min(cycle, self.grows_until) - 60, 0) / 50)
        return SOFTNESS * grown * (1 + self.step * (cycle >= self.steps_at))


@dataclass
class Night:
    """True loads of each cycle [N], what was told, and where the correction stands at the end."""

    state: Correction
    upper: list[float] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


def follow(servo: Servo, cycles: int, seed: int = 0, state: Correction | None = None) -> Night:
    """Let the correction work against a servo; rows are flagged as in a test."""
    random = np.random.default_rng(seed)
    night = Night(state or start_correction(MEAN, AMPLITUDE))
    changed = False
    for cycle in range(cycles):
        now = night.state
        amplitude = now.amplitude * servo.reach(cycle)
        upper, lower = now.mean + servo.offset + amplitude, now.mean + servo.offset - amplitude
        night.upper.append(upper)
        night.lower.append(lower)
        seen_upper, seen_lower = np.array([upper, lower]) + random.normal(0, servo.noise, 2)
        flags = int(Flag.CORRECTED) if changed else 0
        flags |= int(Flag.SHORT) if seen_upper - seen_lower < 0.95 * RANGE else 0
        flags |= int(Flag.OVERLOAD) if seen_upper > 1.02 * UPPER else 0
        opening = servo.softness(cycle) * 2 * amplitude
        row = rows(
            [(seen_upper + seen_lower) / 2], [(seen_upper - seen_lower) / 2], [opening], [flags]
        )
        night.state, _, change = correct(now, row)
        changed = change is not None and change.moves
        if change is not None and change.told:
            night.told.append(change.told)
    return night
