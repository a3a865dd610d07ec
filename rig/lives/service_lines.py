"""Lines of ln life over level for a dry and a wet place, by the lives of a series, with draws.

The error of the mean capacities, or strengths of concrete, of which the levels of a place are
shares, moves all its lives together: it is drawn with them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.capacities import STRENGTH_TOLD, capacity_of, pooled_capacities, strength_of
from rig.lives.grouped import groups_of
from rig.lives.parallel_lines import PlaceLives, parallel_lines
from rig.lives.slopes import code_slope, of_measure, own_slope

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.grouped import LifeGroup
    from rig.lives.parallel_lines import Line
    from rig.lives.slopes import Measure
    from rig.protocol.series import Series
    from rig.protocol.service import Service
    from rig.samples import FloatArray

WET: Final = ("spray", "submerged")
MEASURES: Final[dict[str, Measure]] = {"load": "load level", "concrete": "concrete level"}


class NoLives(ValueError):
    """A series has no life that tells anything of a place: problem and remedy in one line."""


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a dry and a wet place, None where no life tells them.

    `slope` is d ln N over d level with draws (draws,), `at` the level of `Line.mu`, `scatter` the
    standard deviation of ln life, `tested` the lowest and highest level of all lives. Without
    `spread` the failures tell no interval.
    """

    dry: Line | None
    wet: Line | None
    at: float
    slope: float
    slope_draws: FloatArray
    slope_from: str
    lives_from: str
    scatter: float
    tested: tuple[float, float]
    spread: bool
    warnings: tuple[str, ...]


def lines_of(series: Series, service: Service, seed: int, draws: int) -> Lines:
    """Return the lines of both places. NoLives where a named group is none, or no life counts."""
    measure = MEASURES[service.measure]
    groups = {
        "dry": _groups(series, service.dry, ("dry",)),
        "wet": _groups(series, service.wet, WET),
    }
    lives = {name: _lives(of, measure) for name, of in groups.items()}
    places = {name: place for name, place in lives.items() if place is not None}
    if not places:
        raise NoLives(
            f"no valid life says its {measure}: nothing tells how long a place lasts; give "
            f"{'level' if service.measure == 'load' else 'concrete_max'} to its [[life]] entries"
        )
    levels = np.concatenate([place.level for place in places.values()])
    at = float(levels.mean())
    own = own_slope([*groups["dry"], *groups["wet"]], measure)
    slope = own or code_slope(measure, at, service.tested_ratio)
    fit = parallel_lines(list(places.values()), slope, at, seed, draws)
    lines = dict(zip(places, fit.lines, strict=True))
    warnings = [w for name, of in groups.items() for w in _about(of, name)]
    errors = _Capacities(series, measure, seed, len(fit.slopes))
    lines = {n: errors.on(line, groups[n], slope.sensitivity(at)) for n, line in lines.items()}
    warnings += errors.warnings
    if own is None:
        warnings.append(
            f"the slope is of a published line: how far {slope.lines} such lines differ, by "
            f"{100 * abs(slope.spread / slope.value):.0f} %, is taken for its error"
        )
    return Lines(
        dry=lines.get("dry"),
        wet=lines.get("wet"),
        at=at,
        slope=slope.value,
        slope_draws=fit.slopes,
        slope_from=slope.origin,
        lives_from="; ".join(
            f"{name}: {', '.join(group.name for group in of) or 'no group'}"
            for name, of in groups.items()
        ),
        scatter=fit.scatter,
        tested=(float(levels.min()), float(levels.max())),
        spread=fit.spread,
        warnings=(*warnings, *fit.warnings),
    )


class _Capacities:
    """Draws of the errors of mean capacities: companions that places share err for both alike."""

    def __init__(self, series: Series, measure: Measure, seed: int, draws: int) -> None:
        self._series, self._draws = series, draws
        of_load = measure == "load level"
        self._of = capacity_of if of_load else strength_of
        self._told_by = "companions" if of_load else STRENGTH_TOLD
        self._rng = np.random.default_rng((seed, 1))
        self._drawn: dict[tuple[str, ...], FloatArray] = {}
        self.warnings: list[str] = []

    def on(self, line: Line, groups: Sequence[LifeGroup], sensitivity: float) -> Line:
        """Return a line whose draws carry the errors of the capacities of its groups."""
        found = pooled_capacities(self._series, {g.name: len(g.cycles) for g in groups}, self._of)
        if not found:
            names = ", ".join(group.name for group in groups)
            self.warnings.append(
                f"{names}: no {self._told_by}, the error of the levels is not told"
            )
        error = np.zeros(self._draws)
        for capacity in found:
            if capacity.companions not in self._drawn:
                df = capacity.df
                luck = self._rng.standard_normal(self._draws)
                if np.isfinite(df):
                    luck /= np.sqrt(self._rng.chisquare(df, self._draws) / df)
                self._drawn[capacity.companions] = luck
            error += capacity.weight * capacity.error * self._drawn[capacity.companions]
        return replace(line, draws=line.draws + sensitivity * error)


def _groups(series: Series, name: str | None, exposures: Sequence[str]) -> list[LifeGroup]:
    groups = groups_of(series)
    if name is None:
        alike = {n for n, f in series.groups.items() if f.get("exposure") in exposures}
        return [group for group in groups if group.name in alike and group.cycles.size]
    if name not in series.groups:
        raise NoLives(f"{name} is no group of this series; known are {', '.join(series.groups)}")
    return [group for group in groups if group.name == name and group.cycles.size]


def _about(groups: Sequence[LifeGroup], place: str) -> list[str]:
    if len(groups) < 2:
        return []
    names = ", ".join(group.name for group in groups)
    return [f"the lives of {names} are taken together as {place}: name one group to take it alone"]


def _lives(groups: Sequence[LifeGroup], measure: Measure) -> PlaceLives | None:
    """Return the lives of some groups that say their level, None where none does."""
    if not groups:
        return None
    level = np.concatenate([of_measure(group, measure) for group in groups])
    known = np.isfinite(level) & (level > 0.0)
    if not known.any():
        return None
    return PlaceLives(
        level[known],
        np.log(np.concatenate([group.cycles for group in groups])[known]),
        np.concatenate([group.failed for group in groups])[known],
    )
