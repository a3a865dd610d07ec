"""How stiffness and residual deflection go with the air's temperature, learned as a test runs.

Beside a slow trend, from the medians of a group every half hour over the last eighteen hours. What
is learned is never more than what materials do, so that no failure hides behind a warm afternoon.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.criteria.agreement import Together
from rig.criteria.groups import NET, WARMTH, Groups
from rig.samples import Cycles

FloatArray = NDArray[np.float64]

EVERY: Final = 1800.0  # [s] between two points
POINTS: Final = 36
LEAST_POINTS: Final = 8
LEAST_SWING: Final = 2.0
"""[K] of swing from which on something is learned; smaller ones drown in the trend."""
MOST_LOST: Final = 0.10
"""Of the settled stiffness, lost: a specimen that has lost more fails, and teaches nothing."""
SIGNIFICANT: Final = 5.0
"""Standard errors that a slope must exceed; common practice would be 3, but points in a row err
alike."""
MOST_STIFFNESS: Final = 0.005
"""Of stiffness per K that is ever allowed for: the modulus of concrete falls by 0.3 % per K (fib
Model Code 2010, from memory), and steel by less."""
MOST_DEFLECTION: Final = 30e-6
"""[m] of residual deflection per K that is ever allowed for. A metre of steel post grows by 12 um
per K (any table of expansion); so this is two and a half of them."""
HAIR: Final = 1e-9
FITS: Final = 3
"""Fits one after the other, each giving less weight to points that stand off the one before."""


@dataclass(frozen=True, slots=True, eq=False)
class WarmthState:
    """Points kept, shape (4, n): time [s], temperature [K], stiffness [N/m], residual [m].

    `slopes` are of stiffness [N/m per K] and residual deflection [m per K].
    """

    points: FloatArray | None = None
    slopes: tuple[float, float] = (0.0, 0.0)

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        points = None if self.points is None else self.points.tolist()
        return {"points": points, "slopes": list(self.slopes)}

    @staticmethod
    def from_plain(plain: Mapping[str, Any] | None) -> WarmthState:
        """Return the state that `to_plain` wrote; a version before this one wrote none."""
        if plain is None:
            return WarmthState()
        points = plain["points"]
        array = None if points is None else np.array(points, np.float64).reshape(4, -1)
        return WarmthState(array, (plain["slopes"][0], plain["slopes"][1]))


def allow_for(
    state: WarmthState, together: Together | None, rows: Cycles
) -> tuple[WarmthState, FloatArray | None]:
    """Return the state after rows, and what must be added to what each row shows, shape (2, rows).

    The first is for stiffness [N/m], the second for residual deflection [m]: then they are as at
    the temperature of the baseline. None where nothing is known of the temperature, or nothing is
    learned so far.
    """
    if together is None or together.base is None or WARMTH not in rows.columns:
        return state, None
    reference = float(together.base.median.of(WARMTH)[0])
    if not np.isfinite(reference):
        return state, None
    state, changes = _learned(state, together)
    if all(slopes == (0.0, 0.0) for _, slopes in changes):
        return state, None
    warmer = np.nan_to_num(rows[WARMTH].astype(np.float64) - reference)
    starts = np.array([start for start, _ in changes])
    valid = np.searchsorted(starts, np.arange(len(rows)), side="right") - 1
    slopes = np.array([slopes for _, slopes in changes])[valid].T
    # A specimen that has lost stiffness has so much less to lose by warmth.
    left = rows["stiffness"] / float(together.base.median.of("stiffness")[0])
    return state, -slopes * warmer * np.stack((left, np.ones(len(rows))))


_Changes = list[tuple[int, tuple[float, float]]]


def _learned(state: WarmthState, together: Together) -> tuple[WarmthState, _Changes]:
    """Take the points of new groups; return the state, and from which row on which slopes hold."""
    groups = together.groups.part(together.begin, len(together.groups))
    points = np.empty((4, 0)) if state.points is None else state.points
    slopes = state.slopes
    changes: _Changes = [(0, slopes)]
    usable = np.flatnonzero(_usable(together, groups))
    times = groups.of("time")[usable]
    at = 0
    while True:
        if points.shape[1]:
            at += int(np.searchsorted(times[at:], points[0, -1] + EVERY))
        if at >= len(usable):
            return WarmthState(points if points.shape[1] else None, slopes), changes
        group = usable[at]
        names = ("time", WARMTH, "stiffness", "deflection_min")
        new = np.array([[groups.of(name)[group]] for name in names])
        points = np.concatenate((points, new), axis=1)[:, -POINTS:]
        slopes = _slopes(points, slopes, together)
        changes.append((int(together.ends[group]), slopes))
        at += 1


def _usable(together: Together, groups: Groups) -> NDArray[np.bool_]:
    base = together.base
    if base is None:
        return np.zeros(len(groups), np.bool_)
    stiff = groups.of("stiffness") > (1 - MOST_LOST) * base.median.of("stiffness")
    span = base.median.range(NET)
    near = np.abs(groups.of("deflection_min") - base.median.of("deflection_min")) < span
    result: NDArray[np.bool_] = stiff & near & np.isfinite(groups.of(WARMTH))
    return result & np.isfinite(groups.of("time"))


def _slopes(
    points: FloatArray, before: tuple[float, float], together: Together
) -> tuple[float, float]:
    """Return what the points say of both slopes; what was known before where they say nothing."""
    warm = points[1]
    base = together.base
    if points.shape[1] < LEAST_POINTS or np.ptp(warm) < LEAST_SWING or base is None:
        return before
    most = MOST_STIFFNESS * float(base.median.of("stiffness")[0])
    return (
        _slope(points[0], warm, points[2], most, before[0]),
        _slope(points[0], warm, points[3], MOST_DEFLECTION, before[1]),
    )


def _slope(
    times: FloatArray, warm: FloatArray, values: FloatArray, most: float, before: float
) -> float:
    """Return the robust slope over temperature beside a bent trend over time, at most `most`.

    The one `before` where it cannot be told from none.
    """
    when = (times - times.mean()) / max(float(np.ptp(times)), 1.0)
    swing = float(np.ptp(warm))
    design = np.stack((np.ones(len(when)), when, when**2, (warm - warm.mean()) / swing), axis=1)
    weights = np.ones(len(when))
    for _ in range(FITS):
        normal = design.T @ (design * weights[:, None])
        # A hair on the diagonal: warmth that is a trend by itself leaves nothing to solve for.
        inverse = np.linalg.inv(normal + HAIR * np.eye(len(normal)))
        found = inverse @ (design.T @ (weights * values))
        off = np.abs(values - design @ found)
        # Huber's weights with his 1.345 standard deviations; the latter from the median.
        usual = 1.4826 * float(np.median(off)) or float(off.max()) or 1.0
        weights = np.minimum(1.0, 1.345 * usual / np.maximum(off, 1e-300))
    freedom = max(len(when) - design.shape[1], 1)
    error = math.sqrt(float((weights * off**2).sum()) / freedom * float(inverse[3, 3]))
    slope, error = float(found[3]) / swing, error / swing
    if not abs(slope) > SIGNIFICANT * error:
        return before
    return float(np.clip(slope, -most, most))
