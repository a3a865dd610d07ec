"""Ends of an interval by the likelihood ratio: where twice the fall of a profile is a quantile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

FARTHEST: Final = 1e6
"""How far from the maximum an end is sought, in first steps.

A scatter that grows with the distance pays for it: twice the fall grows by two logarithms of the
distance for each failure alone.
"""


def end_of(
    fall: Callable[[float], float], best: float, step: float, allowed: float
) -> float | None:
    """Return where `fall`, zero at `best` and growing away from it, comes to `allowed`.

    `step` is the first step to try, its sign the side. None where no end lies within reach.
    """
    from scipy.optimize import brentq

    inner, outer, farthest = best, best + step, FARTHEST * abs(step)
    while fall(outer) < allowed:
        step *= 2.0
        inner, outer = outer, outer + step
        if abs(outer - best) > farthest:
            return None
    return float(brentq(lambda at: fall(at) - allowed, inner, outer, xtol=1e-10, rtol=1e-12))
