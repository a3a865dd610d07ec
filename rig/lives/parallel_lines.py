"""Parallel lines of ln life over level for several places, run-outs among their lives, with draws.

The lines are of one slope and one scatter: ln N = mu + slope (S - at).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.assumed import SCATTER
from rig.lives.drawn_lines import drawn_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.censored import BoolArray
    from rig.lives.slopes import Slope
    from rig.samples import FloatArray

HALVINGS: Final = 80
LOST: Final = 0.01
"""Share of draws without a fit from which it is told."""


@dataclass(frozen=True, slots=True)
class PlaceLives:
    """Lives of one place: level, ln cycles and whether it failed, each (n,), n at least 1."""

    level: FloatArray
    logs: FloatArray
    failed: BoolArray


@dataclass(frozen=True, slots=True)
class Line:
    """The line of one place: ln life `mu` at the level `at`, and draws (draws,) of it.

    Where its lives only ran out `mu` is None, and the draws are those of lower bounds.
    """

    mu: float | None
    draws: FloatArray


@dataclass(frozen=True, slots=True)
class ParallelLines:
    """A line for each place, draws (draws,) of the common slope, and the scatter of ln life.

    Where not `spread` the draws of places with failures are the estimates: no interval is told.
    """

    lines: tuple[Line, ...]
    slopes: FloatArray
    scatter: float
    warnings: tuple[str, ...]
    spread: bool = True


def parallel_lines(
    places: Sequence[PlaceLives], slope: Slope, at: float, seed: int = 0, draws: int = 2000
) -> ParallelLines:
    """Fit parallel lines to the places with failures, and bound the others by their run-outs.

    `slope` is semi-logarithmic. Where it has an error it was fitted to these lives, and is drawn
    with them; else it is of a published line, and is drawn by how far such lines differ.
    """
    rng = np.random.default_rng(seed)
    failing = [place for place in places if place.failed.any()]
    drawn = ParallelLines((), _slopes(slope, rng, draws), 0.0, ())
    if failing:
        drawn = _bootstrap(failing, slope, at, rng, draws)
    warnings, scatter = list(drawn.warnings), drawn.scatter
    if not scatter > 0.0:
        scatter = SCATTER
        warnings.append(
            f"the failures tell no scatter: {SCATTER:g} of ln life is taken, as of plain concrete"
        )
    lines, told = [], iter(drawn.lines)
    for place in places:
        if place.failed.any():
            lines.append(next(told))
        else:
            moved = place.logs - slope.value * (place.level - at)
            lines.append(Line(None, _bounds(moved, scatter, rng.random(len(drawn.slopes)))))
    return ParallelLines(tuple(lines), drawn.slopes, scatter, tuple(warnings), drawn.spread)


def _bootstrap(
    places: Sequence[PlaceLives], slope: Slope, at: float, rng: np.random.Generator, draws: int
) -> ParallelLines:
    """Return lines and slope of places with failures, and draws of them."""
    logs = np.concatenate([place.logs for place in places])
    failed = np.concatenate([place.failed for place in places])
    away = np.concatenate([place.level for place in places]) - at
    of = np.repeat(np.arange(len(places)), [len(place.logs) for place in places])
    columns = [(of == i).astype(float)[:, None] for i in range(len(places))]
    own = slope.error > 0.0
    if own:
        columns.append(away[:, None])
    else:
        logs = logs - slope.value * away
    cut = _run_out(logs, failed, 0.0 if own else slope.value, away)
    found = drawn_line(logs, failed, cut, columns, rng, draws)
    beta, many = found.beta, found.draws.shape[1]
    said = []
    spread = found.sigma > 0.0 and int(failed.sum()) > len(beta)
    if not spread:
        why = "as many failures as unknowns" if found.sigma > 0.0 else "failures at one life"
        said.append(f"{why}: no interval can be told")
    if found.lost > LOST:
        said.append(f"{100 * found.lost:.0f} % of the series drawn had no fit and are left out")
    failures = int(failed.sum())
    return ParallelLines(
        tuple(Line(float(beta[i]), found.draws[i]) for i in range(len(places))),
        found.draws[-1] if own else _slopes(slope, rng, many),
        found.sigma * math.sqrt(failures / max(failures - len(beta), 1)) if spread else 0.0,
        tuple(said),
        spread,
    )


def _slopes(slope: Slope, rng: np.random.Generator, many: int) -> FloatArray:
    """Return draws (many,) of the slope of a published line, by how far such lines differ.

    Student's t, cut at a level slope: lives do not grow with the level.
    """
    spread, freedom = slope.doubt
    luck = rng.standard_normal(many) / np.sqrt(rng.chisquare(freedom, many) / freedom)
    cut: FloatArray = np.minimum(slope.value + spread * luck, 0.0)
    return cut if spread else np.full(many, slope.value)


def _run_out(logs: FloatArray, failed: BoolArray, slope: float, away: FloatArray) -> FloatArray:
    """Return where each specimen (n,) would have run out: its own count, else the largest one.

    `logs` have been moved by `slope` to one level; so are the counts.
    """
    counts = logs + slope * away
    largest = counts[~failed].max(initial=-np.inf)
    shared = np.inf if largest == -np.inf else largest
    cut: FloatArray = np.where(failed, np.maximum(shared, counts), counts) - slope * away
    return cut


def _bounds(logs: FloatArray, sigma: float, chances: FloatArray) -> FloatArray:
    """Return the ln lives (draws,) at which all of ln lives (n,) run out with these chances."""
    from scipy.special import log_ndtr

    low = np.full(len(chances), logs.min() - 40.0 * sigma)
    high = np.full(len(chances), logs.max() + 40.0 * sigma)
    wanted = np.log(np.maximum(chances, 1e-300))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        above = log_ndtr((middle[:, None] - logs) / sigma).sum(axis=1) > wanted
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    found: FloatArray = (low + high) / 2
    return found
