"""How lives fall with a level: the slope that brings lives of other levels to one, and its origin.

The own lives of a series tell it where one group at least failed at two levels; a published line
of `rig.mechanics` stands in otherwise. Common practice, no source: load levels are taken along
the line of concrete, as levels of strength.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from rig.mechanics.concrete_life import MODELS
from rig.mechanics.life import SURROUNDINGS
from rig.mechanics.steel_life import STEEL_MODELS

if TYPE_CHECKING:
    from rig.lives.censored import BoolArray
    from rig.lives.grouped import LifeGroup
    from rig.lives.location_scale import Maximum
    from rig.mechanics.concrete_life import ConcreteModel
    from rig.mechanics.life import Surrounding
    from rig.mechanics.steel_life import SteelModel
    from rig.samples import FloatArray

Measure = Literal["load level", "concrete level", "tendon range"]
MEASURES: Final[tuple[Measure, ...]] = ("load level", "concrete level", "tendon range")
CONCRETE_LINE: Final = "EN 1992-2 mean"
TENDON_LINE: Final = "Paulson mean"
APART: Final = 0.005
"""As near as two levels are taken for one, of the larger."""
_STEP: Final = 1e-4
"""Relative step of the slope of a line."""
_TOP: Final = 0.99
"""Highest level at which a line of concrete has its slope: at the strength it has no life left."""


@dataclass(frozen=True, slots=True)
class Slope:
    """d ln N over d level ("semilog") or over d ln level ("loglog").

    `error` is the standard error with `df` degrees of freedom, zero and infinite where the slope is
    that of a published line. `spread` is then the standard deviation of the slopes of `lines`
    published lines at that level, zero where there is no other. `origin` says in words where the
    slope comes from.
    """

    form: Literal["semilog", "loglog"]
    value: float
    error: float
    df: float
    origin: str
    spread: float = 0.0
    lines: int = 0

    @property
    def doubt(self) -> tuple[float, float]:
        """How far the slope may be off, as a standard deviation and its degrees of freedom."""
        return (self.error, self.df) if self.error else (self.spread, max(self.lines - 1, 1))

    def run(self, start: float, end: float) -> float:
        """Return what the slope is multiplied by from one level to another: ln N changes so."""
        return math.log(end / start) if self.form == "loglog" else end - start

    def sensitivity(self, level: float) -> float:
        """Return how far ln N moves with ln level: with the relative error of a capacity."""
        return self.value if self.form == "loglog" else self.value * level


def of_measure(group: LifeGroup, measure: Measure) -> FloatArray:
    """Return the levels (n,) of a group in a measure [1, tendon range: Pa], NaN where not told."""
    return {
        "load level": group.levels,
        "concrete level": group.concrete,
        "tendon range": group.tendon,
    }[measure]


def own_slope(groups: Sequence[LifeGroup], measure: Measure) -> Slope | None:
    """Return the common slope of the groups, each with a life of its own; None where none tells.

    Lognormal lives by maximum likelihood, run-outs among them: semi-logarithmic, of a tendon range
    double-logarithmic. Told where a group failed at two levels and there are more failures than
    unknowns. Where lives would grow with the level, their scatter hides it: None too. The standard
    error is of the curvature of the likelihood, its spread over failures less unknowns.
    """
    told = [part for group in groups if (part := _part(group, measure)) is not None]
    if not any(two_levels(level[failed]) for level, _, failed in told):
        return None
    form: Literal["semilog", "loglog"] = "loglog" if measure == "tendon range" else "semilog"
    level = np.concatenate([part[0] for part in told])
    y = np.concatenate([part[1] for part in told])
    failed = np.concatenate([part[2] for part in told])
    of = np.repeat(np.arange(len(told)), [len(part[0]) for part in told])
    df = int(failed.sum()) - len(told) - 1
    if df < 1:
        return None
    x = np.log(level) if form == "loglog" else level
    x = x - x.mean()
    columns = [*((of == i).astype(float) for i in range(len(told))), x]
    found = _line(y, failed, columns)
    if found is None or not found[0] < 0.0:
        return None
    value, error = found
    words = f"{int(failed.sum())} failures of {len(told)} group{'s' * (len(told) > 1)}"
    share = math.sqrt((df + len(told) + 1) / df)
    return Slope(form, value, error * share, df, f"this series, {form}, {words}")


def _part(group: LifeGroup, measure: Measure) -> tuple[FloatArray, FloatArray, BoolArray] | None:
    """Return level, ln cycles and failure of the lives that have a level; None without failure."""
    level = of_measure(group, measure)
    known = np.isfinite(level) & (level > 0.0)
    if not group.failed[known].any():
        return None  # its life is open above: it tells nothing of a slope
    return level[known], np.log(group.cycles[known]), group.failed[known]


def two_levels(level: FloatArray) -> bool:
    """Tell whether levels (n,) are more than one, and not none."""
    return bool(level.size and np.ptp(level) > APART * level.max())


def _line(
    y: FloatArray, failed: BoolArray, columns: list[FloatArray]
) -> tuple[float, float] | None:
    """Return the last coefficient and its standard error, None where the fit has no spread."""
    from rig.lives.location_scale import maximum

    def at(held: float | None) -> Maximum:
        free = columns if held is None else columns[:-1]
        left = y if held is None else y - held * columns[-1]
        return maximum("lognormal", left[:, None], failed[:, None], [c[:, None] for c in free])

    best = at(None)
    value, sigma = float(best.beta[-1, 0]), float(best.sigma[0])
    if not sigma > 1e-9 * max(1.0, float(np.ptp(y))):
        return None
    # The fall of the profile a small step away on either side gives its curvature.
    spread = columns[-1][failed]
    step = 0.02 * sigma / math.sqrt(float(((spread - spread.mean()) ** 2).sum()))
    falls = [
        float(best.log_likelihood[0] - at(value + way * step).log_likelihood[0])
        for way in (-1.0, 1.0)
    ]
    fall = sum(falls) / 2
    if not fall > 0.0:
        return None
    return value, step / math.sqrt(2 * fall)


def code_slope(
    measure: Measure,
    level: float,
    ratio: float | None = None,
    exposure: str = "dry",
    line: str | None = None,
) -> Slope:
    """Return the slope of a published line at a level, by default CONCRETE_LINE or TENDON_LINE.

    `ratio` is lower over upper stress; where nobody told it, zero is taken and said. A line of
    concrete is taken at the level over the strength it refers to, as it stands, and above the
    strength as just below it. `line` is a name
    of `concrete_life.MODELS`, of a tendon range one of `steel_life.STEEL_MODELS`; KeyError
    otherwise. A line carries no error of its own; how far it may be off is told by how far the mean
    lines of `MODELS`, or the lines of pre-tensioned steel, differ in their slopes. Common practice,
    no source.
    """
    if measure == "tendon range":
        steel = STEEL_MODELS[line or TENDON_LINE]
        alike = [m for m in STEEL_MODELS.values() if "pre-tensioned" in m.steels]
        return _published(
            "loglog",
            _tendon_slope(steel, level),
            [_tendon_slope(model, level) for model in alike],
            f"{steel.name} ({steel.source})",
        )
    concrete = MODELS[line or CONCRETE_LINE]
    around: Surrounding = SURROUNDINGS[exposure]
    low = max(ratio or 0.0, 0.0)
    said = f"R {low:.2g}" if ratio is not None else "R taken as 0, as nobody told the lower load"
    words = around if around in concrete.constants else "air"
    return _published(
        "semilog",
        _concrete_slope(concrete, level, low, around),
        [_concrete_slope(m, level, low, around) for m in MODELS.values() if m.kind == "mean"],
        f"{concrete.name} in {words} at {level:.3g}, {said} ({concrete.source})",
    )


def _published(
    form: Literal["semilog", "loglog"], value: float, others: list[float], origin: str
) -> Slope:
    falling = [slope for slope in others if slope < 0.0]
    spread = statistics.stdev(falling) if len(falling) > 1 else 0.0
    return Slope(form, value, 0.0, math.inf, origin, spread, len(falling))


def _concrete_slope(model: ConcreteModel, level: float, ratio: float, around: Surrounding) -> float:
    """Return d ln N over d level at a level, lower and upper load growing alike."""
    at = min(level, _TOP)
    ends = [
        float(model.log10_cycles(x, ratio * x, around))
        for x in (at * (1 - _STEP), at * (1 + _STEP))
    ]
    return (ends[1] - ends[0]) * math.log(10) / (2 * _STEP * at)


def _tendon_slope(model: SteelModel, level: float) -> float:
    """Return d ln N over d ln range at a range [Pa]."""
    ends = [float(model.log10_cycles(level * (1 + way * _STEP))) for way in (-1, 1)]
    return (ends[1] - ends[0]) * math.log(10) / (2 * _STEP)
