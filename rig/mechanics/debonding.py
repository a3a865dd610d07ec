"""What losing bond along the wire does to a specimen, by both bond models, curve by curve."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.smeared import debonded, debonded_ultimate

if TYPE_CHECKING:
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

SMEARED: Final = "smeared"
DISCRETE: Final = "discrete cracks"
"""The two bond models, by the names that people and scripts read."""

BONDED: Final = "pre-tensioned"


@dataclass(frozen=True, slots=True)
class Curve:
    """Mid-span of a specimen under one load against debonded length [m]; SI, arrays of one shape.

    `tendon_stress` is that of the lowest layer, `tendon_range` its change from the lower load;
    `opening` is that of a crack. What a model does not tell is None.
    """

    model: str
    length: FloatArray
    tendon_stress: FloatArray
    tendon_range: FloatArray
    concrete_top: FloatArray
    deflection: FloatArray | None = None
    ultimate_moment: FloatArray | None = None
    opening: FloatArray | None = None


def with_bond_everywhere(specimen: Specimen) -> Specimen:
    """Return a specimen as if all its tendons had bond."""
    return replace(specimen, tendons=tuple(replace(t, bond=BONDED) for t in specimen.tendons))


def curves(specimen: Specimen, lower: float, upper: float, points: int) -> tuple[Curve, ...]:
    """Return the curves of both models from full bond to none over the span.

    Loads are what the actuator adds [N]. Tendons that are built without bond count as if they had
    it: their end of each curve is where the whole span is debonded. None without tendons.
    """
    if not specimen.tendons:
        return ()
    bonded = with_bond_everywhere(specimen)
    length = np.linspace(0.0, specimen.section.span, points)
    return (smeared_curve(bonded, lower, upper, length),)


def smeared_curve(specimen: Specimen, lower: float, upper: float, length: FloatArray) -> Curve:
    """Return the curve of the smeared model over debonded lengths [m] about mid-span."""
    low, high = (debonded(specimen, load, length) for load in (lower, upper))
    most = debonded_ultimate(specimen, length)
    layer = max(range(len(specimen.tendons)), key=lambda i: specimen.tendons[i].depth)
    return Curve(
        SMEARED,
        length,
        _array(high.tendon_stress[layer]),
        _array(high.tendon_stress[layer]) - _array(low.tendon_stress[layer]),
        _array(high.concrete_top),
        _array(high.deflection),
        _array(most.moment),
    )


def _array(values: Either) -> FloatArray:
    return np.asarray(values, float)
