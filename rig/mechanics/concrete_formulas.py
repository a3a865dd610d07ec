"""Lines of cycles to failure of concrete, as published: log10 N of stress levels, no constants.

Stress levels are stresses over a strength that each line names (compression positive); the
constants come from `concrete_life.MODELS`. Numbers and arrays alike; a line gives infinity
where nothing changes or nothing presses, and zero (one cycle) at the strength and above it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

from rig.mechanics.either import chosen, larger, log10, smaller

if TYPE_CHECKING:
    from rig.mechanics.either import Either

TINY: Final = 1e-12
"""Keeps a division defined whose result is then not chosen."""

Constants = Mapping[str, float]


class Cycle(NamedTuple):
    """One load cycle: largest and smallest stress level [1], and how long it takes [s]."""

    s_max: Either
    s_min: Either
    period: float = 1.0

    @property
    def pressed(self) -> Either:
        """The smallest stress level without tension."""
        return larger(self.s_min, 0.0)


def without_end(cycle: Cycle, line: Either) -> Either:
    """Return a line, infinite where the stress does not change or does not press.

    Never under zero: what fails at once fails in its first cycle.
    """
    idle = (cycle.s_max <= 0.0) | (cycle.s_max <= cycle.s_min)
    return chosen(idle, math.inf, larger(line, 0.0))


def model_code(c: Constants, cycle: Cycle) -> Either:
    """Model Code 2010 (fib), 5.1.11.1.1: straight down to the level Y, then ever flatter.

    Both branches meet with value `knee` and one slope at Y.
    """
    s_min = smaller(cycle.pressed, c["s_min_most"])
    knee = c["knee"]
    y = (0.45 + 1.8 * s_min) / (1 + 1.8 * s_min - 0.3 * s_min**2)
    steep = knee * (cycle.s_max - 1) / (y - 1)
    share = larger(cycle.s_max - s_min, TINY) / (y - s_min)
    flat = knee + knee * math.log(10) / (y - 1) * (y - s_min) * log10(share)
    return without_end(cycle, chosen(cycle.s_max >= y, steep, flat))


def stress_ratio_line(c: Constants, cycle: Cycle) -> Either:
    """EN 1992-2 (6.106) to (6.109): log N = C (1 - Smax) / sqrt(1 - R)."""
    s_max = larger(cycle.s_max, TINY)
    changing = larger(1 - cycle.pressed / s_max, TINY)
    return without_end(cycle, c["C"] * (1 - cycle.s_max) / changing**0.5)


def offshore(c: Constants, cycle: Cycle) -> Either:
    """DNV-ST-C502: log N = C1 (1 - Smax/C5) / (1 - Smin/C5), above X times 1 + C2 (log N - X).

    With tension in the cycle C1 is another one and Smin is zero.
    """
    c1 = chosen(cycle.s_min < 0.0, c["C1_tension"], c["C1"])
    s_max, s_min = cycle.s_max / c["C5"], cycle.pressed / c["C5"]
    line = c1 * (1 - s_max) / larger(1 - s_min, TINY)
    x = c1 / larger(1 - s_min + 0.1 * c1, TINY)
    return without_end(cycle, line * (1 + c["C2"] * larger(line - x, 0.0)))


def range_line(c: Constants, cycle: Cycle) -> Either:
    """JSCE standard specification: Smax - Smin = k (1 - Smin) (1 - log N / K)."""
    s_min = cycle.pressed
    share = (cycle.s_max - s_min) / (c["k"] * larger(1 - s_min, TINY))
    return without_end(cycle, c["K"] * (1 - share))


def ratio_line(c: Constants, cycle: Cycle) -> Either:
    """Tepfers and Kutti: Smax = 1 - beta (1 - R) log N."""
    ratio = cycle.pressed / larger(cycle.s_max, TINY)
    return without_end(cycle, (1 - cycle.s_max) / (c["beta"] * larger(1 - ratio, TINY)))


def ratio_and_time_line(c: Constants, cycle: Cycle) -> Either:
    """Hsu, high cycles: Smax = 1 - a (1 - b R) log N - g log T, T the seconds of a cycle."""
    ratio = smaller(cycle.pressed / larger(cycle.s_max, TINY), 1.0)
    slow = c["g"] * math.log10(cycle.period)
    return without_end(cycle, (1 - cycle.s_max - slow) / (c["a"] * (1 - c["b"] * ratio)))


def flexural_tension(c: Constants, level: Either) -> Either:
    """Portland Cement Association: plain concrete in repeated bending, unlimited below a level."""
    straight = (c["A"] - level) / c["B"]
    curved = c["power"] * log10(c["D"] / larger(level - c["least"], TINY))
    line = chosen(level > c["knee"], straight, curved)
    return chosen(level <= c["unlimited"], math.inf, larger(line, 0.0))


def straight_tension(c: Constants, level: Either) -> Either:
    """Return log N = C (1 - level): Model Code 2010, tension, or tension with compression."""
    return chosen(level <= 0.0, math.inf, larger(c["C"] * (1 - level), 0.0))


def fatigue_strain(s_max: Either, ratio: Either) -> Either:
    """Return total strain at failure over that of the first loading (Holmen 1982, from memory).

    `s_max` is the largest stress level, `ratio` R of the smallest to the largest stress, up to
    0.8. Both branches agree within 0.1 % at R = 0.1.
    """
    low = (s_max + 3.180 * (1.183 - s_max) * larger(ratio, 0.0) ** 0.5) / s_max
    return chosen(ratio <= 0.1, low, 1.110 * (1 + 0.677 * ratio) / s_max)
