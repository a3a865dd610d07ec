"""The curve of stiffness over the cycles as a drawing: paths and labels in its own units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from rig.monitor import words
from rig.monitor.curve import Curve
from rig.monitor.view import View

Points = NDArray[np.float64]
Axis = Literal["linear", "log"]
AXES: Final[tuple[Axis, ...]] = ("linear", "log")
SIZES: Final = {"phone": (344, 230), "desk": (720, 260)}
"""Width and height of a drawing, about as large as it is shown: letters keep their size."""
ROWS: Final = 24
"""Rows of the table of the curve at most."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 18, 22, 34
"""Margins for the labels."""
_LINE: Final = 13.0
"""Height of a label: two that are nearer cannot be read."""
_BEYOND: Final = 1e18
"""Beyond this no stiffness [N/m] lies, and differences of floats overflow."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A label at a place of an axis."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Level:
    """A level that is drawn across, and where its name stands: empty if another is too near.

    A curve begins at the baseline and falls: the name of that one ends at the right, where there
    is room, the others begin at the left.
    """

    name: Literal["baseline", "warn", "stop"]
    at: float
    begin: float
    text: str


@dataclass(frozen=True, slots=True)
class Plot:
    """One drawing: its path as SVG writes it (SVG 2, 9.3), ticks and levels."""

    size: str
    axis: Axis
    width: int
    height: int
    left: float
    right: float
    top: float
    bottom: float
    path: str
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    levels: tuple[Level, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """The curve for both sizes and axes, in words, and as rows (cycle, stiffness) of a table."""

    plots: tuple[Plot, ...]
    told: str
    rows: tuple[tuple[str, str], ...]


def drawing(view: View) -> Drawing:
    """Return the drawing of a run's curve, empty where it has fewer than two points."""
    points = _finite(view.curve)
    if points.shape[1] < 2:
        return Drawing((), _nothing(view), ())
    levels = _levels(view)
    plots = tuple(_plot(points, levels, size, axis) for size in SIZES for axis in AXES)
    few = thinned(points, ROWS // 4)
    rows = tuple((words.number(c), words.quantity(k, "N/m")) for c, k in few.T)
    return Drawing(plots, _told(points, levels), rows)


def thinned(points: Points, columns: int) -> Points:
    """Return of points (x rising, y) those that a drawing so many columns wide can show.

    Of each column first, lowest, highest and last, so that no extreme is lost: the aggregation M4
    of Jugel and others, Proceedings of the VLDB Endowment 7 (2014) 797.
    """
    across, up = points
    size = across[-1] - across[0]
    if not size > 0:
        return points
    column = np.minimum((across - across[0]) / size * columns, columns - 1).astype(int)
    # Sorted by column, then height: the ends of each stretch are its lowest and highest.
    order = np.lexsort((up, column))
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    ends = np.append(starts[1:], len(across)) - 1
    kept = np.unique(np.concatenate((starts, order[starts], order[ends], ends)))
    return points[:, kept]


def _nothing(view: View) -> str:
    """Return why there is no curve."""
    status = view.status
    if view.told and not status.run_out and not status.cycles:
        return "no cycles in this test, so no curve"
    return "no curve" if view.over else "no curve yet: it begins with the first counted cycles"


def _finite(curve: Curve) -> Points:
    """Return the points that can be drawn, on either axis."""
    points = np.array((curve.cycles, curve.stiffness), float).reshape(2, -1)
    points = points[:, (np.abs(points) < _BEYOND).all(axis=0) & (points[0] > 0)]
    return points[:, np.argsort(points[0], kind="stable")]


def _levels(view: View) -> tuple[tuple[Literal["baseline", "warn", "stop"], float], ...]:
    status = view.status
    base = status.baseline
    found: tuple[tuple[Literal["baseline", "warn", "stop"], float], ...] = (
        ("baseline", base),
        ("warn", base * (1 - status.loss_warn)),
        ("stop", base * (1 - status.loss_stop)),
    )
    return tuple((name, at) for name, at in found if 0 < at < _BEYOND)


def _told(points: Points, levels: tuple[tuple[str, float], ...]) -> str:
    """Return the curve in a sentence, for whoever does not see it."""
    (first, *_, last), lowest = points.T, points[:, points[1].argmin()]
    told = [
        f"from {_point(first)} to {_point(last)}",
        f"lowest {_point(lowest)}",
        *(f"{name} at {words.quantity(at, 'N/m')}" for name, at in levels),
    ]
    return "; ".join(told)


def _point(point: Points) -> str:
    return f"{words.quantity(point[1], 'N/m')} at cycle {words.number(point[0])}"


def _plot(
    points: Points,
    levels: tuple[tuple[Literal["baseline", "warn", "stop"], float], ...],
    size: str,
    axis: Axis,
) -> Plot:
    width, height = SIZES[size]
    right, bottom = float(width - _RIGHT), float(height - _BOTTOM)
    low, high = _span(points[1], [at for _, at in levels])
    first, last = points[0, 0] if axis == "log" else 0.0, points[0, -1]

    def x(value: Any) -> Any:
        if axis == "log":
            value, begin, end = np.log10(value), math.log10(first), math.log10(last)
        else:
            begin, end = first, last
        return _LEFT + (value - begin) / ((end - begin) or 1.0) * (right - _LEFT)

    def y(value: Any) -> Any:
        return bottom - (value - low) / (high - low) * (bottom - _TOP)

    drawn = thinned(np.stack((x(points[0]), y(points[1]))), width - _LEFT - _RIGHT)
    ticks = _decades(first, last) if axis == "log" else _steps(0.0, last)
    return Plot(
        size=size,
        axis=axis,
        width=width,
        height=height,
        left=_LEFT,
        right=right,
        top=_TOP,
        bottom=bottom,
        path="M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in drawn.T),
        across=tuple(Tick(round(float(x(at)), 1), _short(at)) for at in ticks),
        up=tuple(
            Tick(round(float(y(at)), 1), words.quantity(at, "N/m", with_unit=False))
            for at in _steps(low, high)
        ),
        levels=_apart([(name, float(y(at))) for name, at in levels], right),
    )


def _span(values: Points, levels: list[float]) -> tuple[float, float]:
    """Return the ends of the upward axis [N/m]: every point and level lies between them.

    A quiet curve looks quiet: noise is not blown up over the whole height.
    """
    low, high = min(values.min(), *levels, math.inf), max(values.max(), *levels, -math.inf)
    spare = max(0.05 * (high - low), (0.2 * abs(high) - high + low) / 2, 1.0)
    return float(low - spare), float(high + spare)


def _apart(
    levels: list[tuple[Literal["baseline", "warn", "stop"], float]], right: float
) -> tuple[Level, ...]:
    """Return the levels, each with its name where that can be read beside those before it."""
    found: list[Level] = []
    for name, at in levels:
        begin = right if name == "baseline" else _LEFT + 6.0
        near = any(
            abs(other.at - at) < _LINE and other.begin == begin and other.text for other in found
        )
        found.append(Level(name, round(at, 1), begin, "" if near else name))
    return tuple(found)


def _steps(low: float, high: float) -> list[float]:
    """Return two to five round values between two others (six with both ends)."""
    size = (high - low) / 5
    power = 10.0 ** math.floor(math.log10(size))
    step = power * next(n for n in (1, 2, 5, 10) if n * power >= size * 0.999)
    return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _decades(low: float, high: float) -> list[float]:
    """Return the powers of ten between two numbers; their ends where there is none."""
    powers = range(math.ceil(math.log10(low)), math.floor(math.log10(high)) + 1)
    return [10.0**n for n in powers] if len(powers) > 1 else [low, high]


def _short(cycles: float) -> str:
    """Return a count as it is written at an axis: "500", "50 k", "2.5 M"."""
    for size, name in ((1e6, " M"), (1e3, " k")):
        if cycles >= size:
            return f"{cycles / size:.3g}{name}"
    return f"{cycles:.0f}"
