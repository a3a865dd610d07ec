"""Limits learned from the settled specimen, and their combination with the fixed ones.

A four-point frame cannot pull: a broken beam reads about zero load, so the load needs a lower
limit and the deflection an upper one. Figures: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class LearnedSetup:
    """Fractions of what is learned, `stroke_beyond` in [m]; None leaves that limit out.

    Load between `load_low` of the lower and `load_high` of the upper load; net deflection at
    most `deflection` times its settled maximum; stroke at most `stroke_beyond` past the settled
    one and what that deflection allows.
    """

    load_low: float | None = 0.5
    load_high: float | None = 1.05
    deflection: float | None = 2.0
    stroke_beyond: float | None = 1.5e-3


def learned_bounds(
    setup: LearnedSetup,
    lower: float,
    upper: float,
    deflection_max: float,
    stroke_max: float = math.nan,
    stroke_min: float = math.nan,
) -> dict[str, Bounds]:
    """Return the learned bounds [SI] by channel, from loads [N] and settled extremes [m].

    Deflection and stroke grow with the load. A NaN extreme (not measured) leaves its limit out,
    and so does a largest deflection that is none: its sensor does not follow the load.
    """
    bounds: dict[str, Bounds] = {}
    low = -math.inf if setup.load_low is None else setup.load_low * lower
    high = math.inf if setup.load_high is None else setup.load_high * upper
    if (low, high) != (-math.inf, math.inf):
        bounds["load"] = (low, high)
    allowed = 0.0
    if setup.deflection is not None and 0 < deflection_max < math.inf:
        bounds["deflection"] = (-math.inf, setup.deflection * deflection_max)
        allowed = (setup.deflection - 1.0) * deflection_max
    if setup.stroke_beyond is not None and math.isfinite(stroke_max):
        lowest = stroke_min - setup.stroke_beyond if math.isfinite(stroke_min) else -math.inf
        bounds["stroke"] = (lowest, stroke_max + allowed + setup.stroke_beyond)
    return bounds


def combine(fixed: Mapping[str, Bounds], learned: Mapping[str, Bounds]) -> dict[str, Bounds]:
    """Return the tighter bound of each side and channel; fixed channels come first."""
    both = dict(fixed)
    for name, (low, high) in learned.items():
        fixed_low, fixed_high = fixed.get(name, (-math.inf, math.inf))
        both[name] = (max(low, fixed_low), min(high, fixed_high))
    return both
