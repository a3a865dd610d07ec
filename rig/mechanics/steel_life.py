"""How many cycles tendons and bars last by published models, and the ranges that codes allow.

Stress ranges [Pa]. The constants are data; those marked from memory claim no conformity. None of
them knows corrosion or fretting in a wet crack: in water they are told as not valid.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from rig.mechanics.either import chosen, larger, log10
from rig.mechanics.laws import KSI
from rig.mechanics.life import (
    FROM_MEMORY,
    Kind,
    Life,
    Part,
    StressLimit,
    Surrounding,
    everywhere,
    first_reason,
)

if TYPE_CHECKING:
    from rig.mechanics.either import Either

Steel = Literal[
    "pre-tensioned",
    "single strand in plastic duct",
    "tendon in plastic duct",
    "curved tendon in steel duct",
    "splicing device",
    "bar",
    "welded bar",
]

OF_BOND: Final[Mapping[str, Steel]] = {
    "pre-tensioned": "pre-tensioned",
    "post-tensioned unbonded": "single strand in plastic duct",
}
"""The steel of a tendon by the bond that its specimen file names."""

TINY: Final = 1e-3
"""Least range [Pa] a line is asked for."""


class PowerLine(NamedTuple):
    """log10 N = log10(cycles) - k log10(range / at), with one slope above and one below."""

    cycles: float
    at: float
    above: float
    below: float

    def log10_cycles(self, stress_range: Either) -> Either:
        """Return log10 of the cycles at a range [Pa], infinite without one."""
        step = log10(larger(stress_range, TINY) / self.at)
        line = math.log10(self.cycles) - chosen(step > 0.0, self.above, self.below) * step
        return chosen(stress_range <= 0.0, math.inf, line)


class DecadeLine(NamedTuple):
    """log10 N = start - range / decade: equal steps of range for each decade."""

    start: float
    decade: float

    def log10_cycles(self, stress_range: Either) -> Either:
        """Return log10 of the cycles at a range [Pa], infinite without one."""
        return chosen(stress_range <= 0.0, math.inf, self.start - stress_range / self.decade)


class SteelModel(NamedTuple):
    """A published line for some steels; `decades` are the log10 lives it was made for."""

    name: str
    kind: Kind
    part: Part
    steels: tuple[Steel, ...]
    line: PowerLine | DecadeLine
    source: str
    decades: tuple[float, float] = (0.0, math.inf)

    def log10_cycles(self, stress_range: Either) -> Either:
        """Return log10 of the cycles at a range [Pa]."""
        return self.line.log10_cycles(stress_range)


_6_4N: Final = "EN 1992-1-1, table 6.4N, without partial factors; seen second-hand"
_6_3N: Final = "EN 1992-1-1, table 6.3N, without partial factors; seen second-hand"
_TENDONS: Final[tuple[Steel, ...]] = (
    "pre-tensioned",
    "single strand in plastic duct",
    "tendon in plastic duct",
    "curved tendon in steel duct",
)


def _en(steel: Steel, part: Part, line: PowerLine, source: str) -> SteelModel:
    return SteelModel(f"EN 1992-1-1 {steel}", "characteristic", part, (steel,), line, source)


def _paulson(kind: Kind, start: float, words: str) -> SteelModel:
    """Return a line of Paulson, Frank and Breen: log N = start - 3.5 log range [ksi]."""
    return SteelModel(
        f"Paulson {kind}",
        kind,
        "tendon",
        _TENDONS[:2],
        PowerLine(10**start, KSI, 3.5, 3.5),
        f"Paulson, Frank and Breen 1983, {words}, {FROM_MEMORY}",
        (math.log10(5e4), 7.0),
    )


STEEL_MODELS: Final[Mapping[str, SteelModel]] = {
    model.name: model
    for model in (
        _paulson("mean", 11.45, "mean of strand in air"),
        _paulson("characteristic", 11.0, "lower bound of strand in air"),
        _en("pre-tensioned", "tendon", PowerLine(1e6, 185e6, 5, 9), _6_4N),
        _en("single strand in plastic duct", "tendon", PowerLine(1e6, 185e6, 5, 9), _6_4N),
        _en("tendon in plastic duct", "tendon", PowerLine(1e6, 150e6, 5, 10), _6_4N),
        _en("curved tendon in steel duct", "tendon", PowerLine(1e6, 120e6, 5, 7), _6_4N),
        _en("splicing device", "tendon", PowerLine(1e6, 80e6, 5, 5), _6_4N),
        SteelModel(
            "Helgason mean",
            "mean",
            "bar",
            ("bar",),
            DecadeLine(6.969, KSI / 0.0383),
            f"Helgason and Hanson 1974, mean of straight bars in air, {FROM_MEMORY}",
            (4.0, 6.0),
        ),
        _en("bar", "bar", PowerLine(1e6, 162.5e6, 5, 9), _6_3N),
        _en("welded bar", "bar", PowerLine(1e7, 58.5e6, 3, 5), _6_3N),
    )
}
"""The lines of steel by name."""


def steel_lives(
    stress_range: Either,
    steel: Steel,
    exposure: Surrounding,
    upper: Either = 0.0,
    yield_stress: float = math.inf,
) -> tuple[Life, ...]:
    """Return the life of a steel under a stress range [Pa] by every model made for it.

    `upper` is the largest stress of the cycle [Pa]: above `yield_stress` no line holds.
    """
    return tuple(
        _life(model, stress_range, exposure, everywhere(upper <= yield_stress))
        for model in STEEL_MODELS.values()
        if steel in model.steels
    )


def _life(model: SteelModel, stress_range: Either, exposure: Surrounding, elastic: bool) -> Life:
    decades = model.log10_cycles(stress_range)
    least, most = model.decades
    why = first_reason(
        (exposure == "air", "is made from tests in air: corrosion and fretting are not in it"),
        (elastic, "the upper stress is above yield"),
        (decades >= least, f"is made for lives of {10**least:,.0f} cycles and more"),
        (
            (decades <= most) | (decades == math.inf),
            f"is made for lives up to {10**most:,.0f} cycles: steel may last for ever below",
        ),
    )
    return Life(model.name, model.part, exposure, decades, model.kind, not why, why, model.source)


def tendon_limits(
    stress_range: Either, strength: float, radius: float = math.inf
) -> tuple[StressLimit, ...]:
    """Return the ranges that codes allow of a tendon of a strength [Pa]; `radius` of its curve [m].

    AASHTO LRFD: 18 ksi over 30 ft, 10 ksi under 12 ft, linear between (from memory).
    """
    far = min(max((radius / 0.3048 - 12) / 18, 0.0), 1.0)
    aashto = (10 + 8 * far) * KSI
    aci = 0.06 * strength
    return (
        StressLimit(
            "ACI 215R",
            "tendon",
            aci,
            everywhere(stress_range <= aci),
            "ACI 215R-74 (1997), 0.06 of the tensile strength",
        ),
        StressLimit(
            "AASHTO LRFD",
            "tendon",
            aashto,
            everywhere(stress_range <= aashto),
            f"AASHTO LRFD, {FROM_MEMORY}",
        ),
    )


def bar_limit(stress_range: Either, least_stress: Either) -> StressLimit:
    """Return the range that AASHTO LRFD allows of a bar at its smallest stress [Pa]."""
    limit = 24 * KSI - 0.33 * least_stress
    source = f"AASHTO LRFD, 24 ksi less 0.33 of the smallest stress, {FROM_MEMORY}"
    return StressLimit("AASHTO LRFD bar", "bar", limit, everywhere(stress_range <= limit), source)
