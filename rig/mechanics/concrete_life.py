"""How many cycles concrete lasts in compression by several published models.

A model is a line (`concrete_formulas`), its constants in air and, where there are any, in water,
the strength its levels refer to, and the range it was made for. All constants are data, from
memory, and claim no conformity to any standard; another set is `_replace` away.
Stresses [Pa] compression positive; `strength` is the mean strength of companions in the
moisture state of the test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

from rig.mechanics import concrete_formulas as formulas
from rig.mechanics.concrete_formulas import TINY, Constants, Cycle
from rig.mechanics.either import larger, smaller
from rig.mechanics.life import (
    FROM_MEMORY,
    Kind,
    Life,
    Surrounding,
    first_reason,
)

if TYPE_CHECKING:
    from rig.mechanics.either import Either

SCATTER_OF_STRENGTH: Final = 8e6
"""Mean less characteristic strength [Pa] (EN 1992-1-1, table 3.1; from memory)."""

GRADIENT_DEPTH: Final = 0.3
"""Depth [m] over which the stress gradient counts (fib MC2010, 5.1.11.1.1; from memory)."""


def characteristic(strength: float) -> float:
    """Return the characteristic strength of a mean one [Pa], zero under 8 MPa."""
    return max(strength - SCATTER_OF_STRENGTH, 0.0)


def mean_strength(strength: float) -> float:
    """Return the strength as it is [Pa]: levels refer to companions."""
    return strength


def fatigue_strength_mc2010(f_ck: float, age_factor: float = 1.0) -> float:
    """Return f_ck,fat = 0.85 beta_cc f_ck (1 - f_ck / 400 MPa) [Pa] (fib MC2010, from memory)."""
    return 0.85 * age_factor * f_ck * (1 - f_ck / 400e6)


def fatigue_strength_mc90(f_ck: float, f_cd: float | None = None, k1: float = 0.85) -> float:
    """Return k1 f_cd (1 - f_ck / 250 MPa) [Pa], f_cd being f_ck where none is given.

    CEB-FIP MC90 (from memory) and EN 1992-2 (6.76), where k1 is nationally determined.
    """
    return k1 * (f_ck if f_cd is None else f_cd) * (1 - f_ck / 250e6)


def gradient_factor(edge: Either, inner: Either) -> Either:
    """Return eta_c = 1 / (1.5 - 0.5 inner/edge), which lowers the stress at an edge.

    `edge` is the larger compression [Pa], `inner` that at GRADIENT_DEPTH below it, zero where
    tension reigns there (fib MC2010, from memory).
    """
    ratio = smaller(larger(inner, 0.0) / larger(edge, TINY), 1.0)
    return 1 / (1.5 - 0.5 * ratio)


class Range(NamedTuple):
    """What a model was made for: mean strength [Pa], largest R, log10 of cycles."""

    strength: tuple[float, float] = (0.0, math.inf)
    ratio: float = 1.0
    decades: tuple[float, float] = (0.0, math.inf)


class ConcreteModel(NamedTuple):
    """A published line with its constants by surrounding.

    `reference` turns a mean strength [Pa] into the one that stress levels are taken of.
    """

    name: str
    kind: Kind
    formula: Callable[[Constants, Cycle], Either]
    constants: Mapping[Surrounding, Constants]
    reference: Callable[[float], float]
    source: str
    range: Range = Range()
    gradient: bool = False

    def log10_cycles(
        self, s_max: Either, s_min: Either, exposure: Surrounding = "air", period: float = 1.0
    ) -> Either:
        """Return log10 of the cycles at stress levels over `reference`; `period` [s] of a cycle.

        In water the constants of air are used where the model has none for it.
        """
        return self.formula(self._constants(exposure), Cycle(s_max, s_min, period))

    def life(
        self,
        strength: float,
        top_max: Either,
        top_min: Either,
        exposure: Surrounding,
        gradient: Either = 1.0,
        period: float = 1.0,
    ) -> Life:
        """Return what the model says of stresses [Pa]; `gradient` counts where it knows one."""
        factor = gradient if self.gradient else 1.0
        reference = max(self.reference(strength), TINY)
        s_max, s_min = top_max * factor / reference, top_min * factor / reference
        decades = self.log10_cycles(s_max, s_min, exposure, period)
        why = self._beyond(strength, Cycle(s_max, s_min), decades, exposure)
        return Life(self.name, "concrete", exposure, decades, self.kind, not why, why, self.source)

    def _constants(self, exposure: Surrounding) -> Constants:
        return self.constants.get(exposure, self.constants["air"])

    def _beyond(self, strength: float, cycle: Cycle, decades: Either, exposure: Surrounding) -> str:
        """Return the first reason why the model was not made for this, else nothing."""
        r, (least, most) = self.range, self.range.decades
        ratio = cycle.s_min / larger(cycle.s_max, TINY)
        endless = decades == math.inf
        return first_reason(
            (exposure in self.constants, "has no constants for water: those of air are used"),
            (
                r.strength[0] <= strength <= r.strength[1],
                f"is made for mean strengths of {r.strength[0] / 1e6:g} to "
                f"{r.strength[1] / 1e6:g} MPa",
            ),
            (cycle.s_max <= 1.0, "the upper stress is above the strength"),
            ((ratio <= r.ratio) | endless, f"is made for R up to {r.ratio:g}"),
            (
                endless | ((least <= decades) & (decades <= most)),
                f"is made for lives of {10**least:,.0f} to {10**most:,.0f} cycles",
            ),
        )


def _f_mc2010(strength: float) -> float:
    return fatigue_strength_mc2010(characteristic(strength))


def _f_en(strength: float) -> float:
    return fatigue_strength_mc90(characteristic(strength))


_FIB: Final[Mapping[Surrounding, Constants]] = {"air": {"knee": 8.0, "s_min_most": 0.8}}
_EN: Final[Mapping[Surrounding, Constants]] = {"air": {"C": 14.0}}
_DNV: Final[Mapping[Surrounding, Constants]] = {
    "air": {"C1": 12.0, "C1_tension": 12.0, "C2": 0.2, "C5": 1.0},
    "water": {"C1": 10.0, "C1_tension": 8.0, "C2": 0.2, "C5": 1.0},
}
_JSCE: Final[Mapping[Surrounding, Constants]] = {
    "air": {"K": 17.0, "k": 0.85},
    "water": {"K": 10.0, "k": 0.85},
}
_OVER_MEAN: Final = "levels over the mean strength: common practice, no source"
_STRENGTHS_FIB: Final = (20e6, 128e6)  # C12 to C120
_STRENGTHS_EN: Final = (20e6, 98e6)  # C12/15 to C90/105

MODELS: Final[Mapping[str, ConcreteModel]] = {
    model.name: model
    for model in (
        ConcreteModel(
            "MC2010 mean",
            "mean",
            formulas.model_code,
            _FIB,
            mean_strength,
            f"fib Model Code 2010, 5.1.11.1.1, {FROM_MEMORY}; {_OVER_MEAN}",
            Range(_STRENGTHS_FIB),
            gradient=True,
        ),
        ConcreteModel(
            "MC2010",
            "characteristic",
            formulas.model_code,
            _FIB,
            _f_mc2010,
            f"fib Model Code 2010, 5.1.11.1.1, without partial factors, {FROM_MEMORY}",
            Range(_STRENGTHS_FIB),
            gradient=True,
        ),
        ConcreteModel(
            "EN 1992-2 mean",
            "mean",
            formulas.stress_ratio_line,
            _EN,
            mean_strength,
            f"EN 1992-2 (6.106), {FROM_MEMORY}; {_OVER_MEAN}",
            Range(_STRENGTHS_EN),
        ),
        ConcreteModel(
            "EN 1992-2",
            "characteristic",
            formulas.stress_ratio_line,
            _EN,
            _f_en,
            f"EN 1992-2 (6.76) and (6.106), without partial factors, {FROM_MEMORY}",
            Range(_STRENGTHS_EN),
        ),
        ConcreteModel(
            "DNV-ST-C502 mean",
            "mean",
            formulas.offshore,
            _DNV,
            mean_strength,
            f"DNV-ST-C502, fatigue of concrete, {FROM_MEMORY}; {_OVER_MEAN}",
        ),
        ConcreteModel(
            "DNV-ST-C502",
            "characteristic",
            formulas.offshore,
            _DNV,
            characteristic,
            f"DNV-ST-C502, fatigue of concrete, without partial factors, {FROM_MEMORY}",
        ),
        ConcreteModel(
            "JSCE",
            "characteristic",
            formulas.range_line,
            _JSCE,
            characteristic,
            f"JSCE standard specification for concrete structures, {FROM_MEMORY}",
            Range(decades=(0.0, math.log10(2e6))),
        ),
        ConcreteModel(
            "Tepfers",
            "mean",
            formulas.ratio_line,
            {"air": {"beta": 0.0685}},
            mean_strength,
            f"Tepfers and Kutti 1979, {FROM_MEMORY}",
            Range(ratio=0.8, decades=(2.0, 7.0)),
        ),
        ConcreteModel(
            "Hsu",
            "mean",
            formulas.ratio_and_time_line,
            {"air": {"a": 0.0662, "b": 0.556, "g": 0.0294}},
            mean_strength,
            f"Hsu 1981, high-cycle line, {FROM_MEMORY}",
            Range(decades=(3.0, 7.0)),
        ),
    )
}
"""The lines of compression by name."""


def concrete_lives(
    strength: float,
    top_max: Either,
    top_min: Either,
    exposure: Surrounding,
    gradient: Either = 1.0,
    frequency: float = 1.0,
) -> tuple[Life, ...]:
    """Return the life of concrete in compression by every model.

    Mean strength, largest and smallest compression of the edge [Pa], `gradient_factor`,
    frequency [Hz] (it counts in the line of Hsu alone).
    """
    return tuple(
        model.life(strength, top_max, top_min, exposure, gradient, 1 / frequency)
        for model in MODELS.values()
    )
