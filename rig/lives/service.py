"""How many years a place in service lasts, dry, wet and mixed, by lives of a series or a model.

Every cycle of service is brought to the lower-over-upper ratio of the tests and counted on a line
of ln life over upper level. Damage adds up (Palmgren and Miner); a place that is wet for a share of
its time has that share of the damage of a wet one, and the rest of that of a dry one. The lines go
on below the levels tested, without an end: which share of the damage lies there is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.service_lines import lines_of
from rig.lives.service_model import by_model
from rig.lives.spectrum import equivalent, spectrum
from rig.protocol.series import SAME_LEVEL

if TYPE_CHECKING:
    from rig.lives.parallel_lines import Line
    from rig.lives.service_lines import Lines
    from rig.lives.spectrum import Spectrum
    from rig.protocol.series import Series
    from rig.protocol.service import Service
    from rig.samples import FloatArray

OUTSIDE: Final = 0.05
"""Share of the damage at levels outside the tested ones from which it is warned of."""
GRID: Final = 101
"""Slopes at which damage is worked out; between them it is interpolated."""
MOST: Final = 690.0
"""Logarithm of damage, either way, that numbers hold."""
NO_TIME: Final = 1e-12
"""Share of the time up to which a place is never dry, or never wet."""
EARLY: Final = 0.05
CORROSION: Final = (
    "tests last days or weeks: what years of water do to steel and concrete is not in these lives"
)


@dataclass(frozen=True, slots=True)
class PlaceLife:
    """Years until half of the members of a place have failed, and their interval.

    `wet_time` is the share of time it is wet. `kind` is "interval"; "no interval" where failures
    are too few or too equal to tell one; "lower bound" where the lives only ran out (`years` and
    `high` are None); "models" where `low` and `high` are the shortest and longest by lines of one
    kind, which is no confidence; "no end" where nothing does damage; or "not known". `early` are
    years until one of twenty has failed, by the scatter of the lives.
    """

    name: str
    wet_time: float
    years: float | None
    low: float | None
    high: float | None
    kind: str
    early: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ServiceLife:
    """Years of a dry, a wet and a mixed place, and what they stand on, in words.

    `slope` is in decades of life for one whole level, `per_year` the cycles of a year, `highest`
    their highest upper level, `outside` the share of damage at levels that nobody tested.
    """

    title: str
    places: tuple[PlaceLife, ...]
    confidence: float
    lives_from: str
    slope: float | None
    slope_from: str
    per_year: float
    highest: float
    outside: float | None
    warnings: tuple[str, ...]


def service_life(
    series: Series, service: Service, confidence: float = 0.95, seed: int = 0, draws: int = 2000
) -> ServiceLife:
    """Return the years of a place in service; `draws` series are drawn and fitted for intervals.

    What cannot be told is None, and `warnings` say why. `service_lines.NoLives` where the series
    tells nothing, or has no such group.
    """
    cycles = spectrum(service)
    if service.model is not None:
        return _by_model(service, cycles, confidence)
    lines = lines_of(series, service, seed, draws)
    level = equivalent(cycles, service.tested_ratio)
    damage = _Damage(lines, level, cycles.per_year)
    tail = _tails(lines, level, cycles.per_year)
    return ServiceLife(
        title=service.title,
        places=tuple(
            _place(name, wet_time, lines, damage, confidence)
            for name, wet_time in places_of(service)
        ),
        confidence=confidence,
        lives_from=lines.lives_from,
        slope=lines.slope / math.log(10.0),
        slope_from=lines.slope_from,
        per_year=float(cycles.per_year.sum()),
        highest=float(cycles.upper.max(initial=0.0)),
        outside=sum(tail),
        warnings=(*lines.warnings, *_doubts(cycles, tail), CORROSION),
    )


def places_of(service: Service) -> tuple[tuple[str, float], ...]:
    """Return the places that are told: name and share of wet time."""
    return (("dry", 0.0), ("wet", 1.0), ("mixed", service.wet_time))


class _Damage:
    """Damage of a year, of the estimated lines and of the drawn ones."""

    def __init__(self, lines: Lines, level: FloatArray, per_year: FloatArray) -> None:
        self._away, self._logs = level - lines.at, np.log(per_year)
        self._slope = lines.slope
        self.idle = not level.size
        spread = lines.slope_draws
        if spread.size and np.ptp(spread) > 0.0:
            grid = np.linspace(spread.min(), spread.max(), GRID)
            self._drawn = np.interp(spread, grid, [self._sum(slope) for slope in grid])
        else:
            self._drawn = np.full(spread.shape, self._sum(lines.slope))

    def _sum(self, slope: float) -> float:
        """Return ln of a year's damage on a line of ln life 0 at the level of the lines."""
        exponents = self._logs - slope * self._away
        largest = exponents.max(initial=-np.inf)
        if self.idle:
            return -math.inf
        return float(largest + np.log(np.exp(exponents - largest).sum()))

    def estimated(self, line: Line) -> float:
        """Return a year's damage by the estimated line; 0 where its lives only ran out."""
        if line.mu is None:
            return 0.0
        return math.exp(min(max(self._sum(self._slope) - line.mu, -MOST), MOST))

    def drawn(self, line: Line) -> FloatArray:
        """Return a year's damage (draws,) by the drawn lines."""
        result: FloatArray = np.exp(np.clip(self._drawn - line.draws, -MOST, MOST))
        return result


def _place(
    name: str, wet_time: float, lines: Lines, damage: _Damage, confidence: float
) -> PlaceLife:
    """Return the years of one place from the lines that count there."""
    counted = [(lines.dry, 1.0 - wet_time, "dry"), (lines.wet, wet_time, "wet")]
    counted = [(line, share, place) for line, share, place in counted if share > NO_TIME]
    missing = [place for line, _, place in counted if line is None]
    if missing:
        note = f"no life tells how long a {' and a '.join(missing)} place lasts"
        return PlaceLife(name, wet_time, None, None, None, "not known", None, note)
    if damage.idle:
        return PlaceLife(name, wet_time, None, None, None, "no end", None, "no cycle does damage")
    parts = [(line, share, place) for line, share, place in counted if line is not None]
    drawn = sum((share * damage.drawn(line) for line, share, _ in parts), np.zeros(1))
    open_ended = [place for line, _, place in parts if line.mu is None]
    tail = (1.0 - confidence) / 2
    if len(open_ended) == len(parts):
        low = float(1.0 / np.quantile(drawn, confidence))
        note = f"the {' and '.join(open_ended)} lives only ran out"
        return PlaceLife(name, wet_time, None, low, None, "lower bound", None, note)
    known = sum(
        (share * damage.drawn(line) for line, share, _ in parts if line.mu is not None),
        np.zeros(1),
    )
    years = 1.0 / sum(share * damage.estimated(line) for line, share, _ in parts)
    return PlaceLife(
        name=name,
        wet_time=wet_time,
        years=years,
        low=float(1.0 / np.quantile(drawn, 1.0 - tail)) if lines.spread else None,
        high=float(1.0 / np.quantile(known, tail)) if lines.spread else None,
        kind="interval" if lines.spread else "no interval",
        early=years * math.exp(_normal_quantile(EARLY) * lines.scatter),
        note=f"the {open_ended[0]} lives only ran out: its damage is in the low end alone"
        if open_ended
        else "",
    )


def _normal_quantile(p: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


def _tails(lines: Lines, level: FloatArray, per_year: FloatArray) -> tuple[float, float]:
    """Return the shares of the damage below and above the levels tested."""
    if not level.size:
        return 0.0, 0.0
    exponents = np.log(per_year) - lines.slope * level
    parts = np.exp(exponents - exponents.max())
    low, high = lines.tested
    below, above = level < low - SAME_LEVEL, level > high + SAME_LEVEL
    whole = parts.sum()
    return float(parts[below].sum() / whole), float(parts[above].sum() / whole)


def _doubts(cycles: Spectrum, tail: tuple[float, float]) -> list[str]:
    doubts = []
    for share, where in zip(tail, ("below", "above"), strict=True):
        if share > OUTSIDE:
            doubts.append(
                f"{100 * share:.0f} % of the damage lies {where} the levels tested: the line is "
                "only supposed to go on there"
            )
    if cycles.upper.max(initial=0.0) >= 1.0:
        doubts.append("the highest level reaches the capacity: one such cycle may end it")
    return doubts


def _by_model(service: Service, cycles: Spectrum, confidence: float) -> ServiceLife:
    told = by_model(service, cycles, [share for _, share in places_of(service)])
    return ServiceLife(
        title=service.title,
        places=tuple(
            PlaceLife(name, share, found.years, found.low, found.high, found.kind, None, found.note)
            for (name, share), found in zip(places_of(service), told.places, strict=True)
        ),
        confidence=confidence,
        lives_from=told.source,
        slope=None,
        slope_from="",
        per_year=float(cycles.per_year.sum()),
        highest=float(cycles.upper.max(initial=0.0)),
        outside=None,
        warnings=(*told.warnings, CORROSION),
    )
