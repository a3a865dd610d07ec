"""Years of a place in service by published lines of concrete in compression."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.concrete_life import MODELS

if TYPE_CHECKING:
    from rig.lives.spectrum import Spectrum
    from rig.mechanics.concrete_life import ConcreteModel
    from rig.mechanics.life import Surrounding
    from rig.protocol.service import Service


AROUND: Final[tuple[Surrounding, ...]] = ("air", "water")


@dataclass(frozen=True, slots=True)
class Found:
    """Years of one place by the model, and by the shortest and longest line of its kind."""

    years: float | None
    low: float | None
    high: float | None
    kind: str
    note: str


@dataclass(frozen=True, slots=True)
class ByModel:
    """Years of places, the words of the source, and what is doubtful."""

    places: tuple[Found, ...]
    source: str
    warnings: tuple[str, ...]


def by_model(service: Service, cycles: Spectrum, wet_times: Sequence[float]) -> ByModel:
    """Return the years of places that are wet for these shares of their time.

    Levels are of the mean strength `service.strength` [Pa], which is needed. The span is of all
    lines of the model's kind; wet, of those alone that have constants for water. KeyError for a
    model that is none.
    """
    model = MODELS[service.model or ""]
    strength = service.strength or np.nan
    alike = [other for other in MODELS.values() if other.kind == model.kind]
    dry, why_dry = _damage(model, cycles, strength, "air")
    wet, why_wet = _damage(model, cycles, strength, "water")
    others = [_damages(other, cycles, strength) for other in alike]
    places = [
        _found(
            (1.0 - share) * dry + share * wet,
            [
                (1.0 - share) * a + share * b
                for a, b, knows_water in others
                if knows_water or not share
            ],
        )
        for share in wet_times
    ]
    return ByModel(
        tuple(places),
        f"{model.name} ({model.source})",
        tuple(
            f"{place}: {model.name} {why}"
            for place, why in (("dry", why_dry), ("wet", why_wet))
            if why
        ),
    )


def _damage(
    model: ConcreteModel, cycles: Spectrum, strength: float, exposure: Surrounding
) -> tuple[float, str]:
    """Return a year's damage by a line, and why it was not made for these cycles, if so."""
    life = model.life(strength, cycles.upper * strength, cycles.lower * strength, exposure)
    with np.errstate(over="ignore"):
        lasts = np.power(10.0, life.log10_cycles)
    return float((cycles.per_year / lasts).sum()), life.why


def _damages(model: ConcreteModel, cycles: Spectrum, strength: float) -> tuple[float, float, bool]:
    """Return a year's damage in air and in water, and whether there are constants for water."""
    air, water = (_damage(model, cycles, strength, around)[0] for around in AROUND)
    return air, water, "water" in model.constants


def _found(damage: float, others: Sequence[float]) -> Found:
    if damage == 0.0:
        return Found(None, None, None, "no end", "by this line no cycle does damage")
    spans = [1.0 / other for other in others if other > 0.0]
    several = len(spans) > 1
    return Found(
        1.0 / damage,
        min(spans) if several else None,
        max(spans) if several else None,
        "models",
        "" if several else "one line alone is made for water: there is no span",
    )
