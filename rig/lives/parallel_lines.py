"""Parallel lines of ln life over level for several places, run-outs among their lives, with draws.

The lines are of one slope and one scatter: ln N = mu + slope (S - at). Their errors come from a
parametric bootstrap: series like the tested one are drawn and fitted, and what the fits are off
over their own standard errors, times that found, is drawn from the estimate (Efron and Tibshirani,
An Introduction to the Bootstrap, 12.5; from memory). Where all lives fail it is Student's t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.assumed import SCATTER
from rig.lives.location_scale import maximum

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
    """A line for each place, draws (draws,) of the common slope, and the scatter of ln life."""

    lines: tuple[Line, ...]
    slopes: FloatArray
    scatter: float
    warnings: tuple[str, ...]


def parallel_lines(
    places: Sequence[PlaceLives], slope: Slope, at: float, seed: int = 0, draws: int = 2000
) -> ParallelLines:
    """Fit parallel lines to the places with failures, and bound the others by their run-outs.

    `slope` is semi-logarithmic. Where it has an error it was fitted to these lives, and is drawn
    with them; else it is taken as it is.
    """
    rng = np.random.default_rng(seed)
    failing = [place for place in places if place.failed.any()]
    drawn = ParallelLines((), np.full(draws, slope.value), 0.0, ())
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
    return ParallelLines(tuple(lines), drawn.slopes, scatter, tuple(warnings))


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
    best = maximum("lognormal", logs[:, None], failed[:, None], columns)
    beta, sigma = best.beta[:, 0], float(best.sigma[0])
    if not sigma > 1e-9:
        middles = [float(logs[(of == i) & failed].mean()) for i in range(len(places))]
        return ParallelLines(
            tuple(Line(mu, np.full(draws, mu)) for mu in middles),
            np.full(draws, slope.value),
            0.0,
            ("all failures of a place lie at one life: no interval can be told",),
        )
    middle = sum(b * column for b, column in zip(beta, columns, strict=True))
    again = middle + sigma * rng.standard_normal((len(logs), draws))
    ends = again < cut[:, None]
    fits = maximum("lognormal", np.minimum(again, cut[:, None]), ends, columns)
    usable = np.isfinite(fits.sigma) & (fits.sigma > 1e-6 * sigma)
    usable &= np.all([ends[of == i].any(axis=0) for i in range(len(places))], axis=0)
    drawn_logs, drawn_ends = np.minimum(again, cut[:, None])[:, usable], ends[:, usable]
    errors = _errors(drawn_logs, drawn_ends, fits.beta[:, usable], fits.sigma[usable], columns)
    own_errors = _errors(logs[:, None], failed[:, None], best.beta, best.sigma, columns)
    off = (fits.beta[:, usable] - beta[:, None]) / errors
    drawn = beta[:, None] - own_errors * off
    lost = 1.0 - float(usable.mean())
    said = [f"{lost:.0%} of the series drawn had no fit and are left out"] if lost > LOST else []
    failures = int(failed.sum())
    freedom = max(failures - len(beta), 1)
    return ParallelLines(
        tuple(Line(float(beta[i]), drawn[i]) for i in range(len(places))),
        drawn[-1] if own else np.full(int(usable.sum()), slope.value),
        sigma * math.sqrt(failures / freedom),
        tuple(said),
    )


def _errors(
    logs: FloatArray,
    failed: BoolArray,
    beta: FloatArray,
    sigma: FloatArray,
    columns: Sequence[FloatArray],
) -> FloatArray:
    """Return about the standard errors (p, k) of `beta` (p, k) in sets of ln lives (n, k).

    Each by itself, by the information of its own column: a run-out tells less than a failure, the
    less the earlier it came.
    """
    from scipy.special import log_ndtr

    middle = sum((b * column for b, column in zip(beta, columns, strict=True)), np.zeros(1))
    z = (logs - middle) / sigma
    hazard = np.exp(-0.5 * z * z - 0.5 * math.log(2.0 * math.pi) - log_ndtr(-z))
    told = np.where(failed, 1.0, np.clip(hazard * (hazard - z), 0.0, 1.0))
    found: FloatArray = sigma / np.sqrt(
        np.array([(told * column**2).sum(axis=0) for column in columns])
    )
    return found


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
