"""What losing bond along the wire does to a specimen, by both bond models, curve by curve."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.crack_ultimate import ultimate_at_crack
from rig.mechanics.discrete import at_crack
from rig.mechanics.smeared import debonded, debonded_ultimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.crack import Cracks
    from rig.mechanics.discrete import AtCrack
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

SMEARED: Final = "smeared"
DISCRETE: Final = "discrete cracks"
"""The two bond models, by the names that people and scripts read."""

BONDED: Final = "pre-tensioned"

PULLED_IN: Final = 0.1
"""Share of a crack's opening that comes from both ends of a tendon, above which they are pulled
in: by laws whose bond begins without stiffness, ends creep a little under any load."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Mid-span of a specimen under one load against debonded length [m]; SI, arrays of one shape.

    `tendon_stress` is that of the lowest layer, `tendon_range` its change from the lower load,
    NaN where its ends are pulled in: what it keeps at the lower load is not known then.
    `opening` is that of a crack, `spacing` [m] the distance of discrete cracks between the loads,
    None for one at mid-span. What a model does not tell is None.
    """

    model: str
    length: FloatArray
    tendon_stress: FloatArray
    tendon_range: FloatArray
    concrete_top: FloatArray
    deflection: FloatArray | None = None
    ultimate_moment: FloatArray | None = None
    opening: FloatArray | None = None
    spacing: float | None = None


Curves = tuple[Curve, ...]


def with_bond_everywhere(specimen: Specimen) -> Specimen:
    """Return a specimen as if all its tendons had bond."""
    return replace(specimen, tendons=tuple(replace(t, bond=BONDED) for t in specimen.tendons))


def curves(specimen: Specimen, lower: float, upper: float, points: int, cracks: Cracks) -> Curves:
    """Return the curves of both models from full bond to none over the span.

    That of discrete cracks ends where bond is lost from one to the next. Loads are what the
    actuator adds [N]. Tendons that are built without bond count as if they had it: their end of
    each curve is where the whole span is debonded. None without tendons.
    """
    if not specimen.tendons:
        return ()
    bonded = with_bond_everywhere(specimen)
    span = specimen.section.span
    length, between = (
        np.linspace(0.0, far, points) for far in (span, min(cracks.spacing or span, span))
    )
    return (
        smeared_curve(bonded, lower, upper, length),
        discrete_curve(bonded, lower, upper, between, cracks),
    )


def smeared_curve(specimen: Specimen, lower: float, upper: float, length: FloatArray) -> Curve:
    """Return the curve of the smeared model over debonded lengths [m] about mid-span."""
    # One after the other: together each load would wait for the steps that the other one takes.
    low, high = (debonded(specimen, load, length) for load in (lower, upper))
    layer = lowest_layer(specimen)
    return Curve(
        SMEARED,
        length,
        _array(high.tendon_stress[layer]),
        _array(high.tendon_stress[layer]) - _array(low.tendon_stress[layer]),
        _array(high.concrete_top),
        _array(high.deflection),
        _array(debonded_ultimate(specimen, length).moment),
    )


def discrete_curve(
    specimen: Specimen, lower: float, upper: float, length: FloatArray, cracks: Cracks
) -> Curve:
    """Return the curve of discrete cracks over debonded lengths [m] of both faces together.

    NaN where the bond that is left holds the tendon no more. The ultimate moment goes on from
    there: with the stress that is left to a tendon that is pulled in.
    """
    asked = cracks.bond, cracks.spacing, cracks.diameter
    low, high = (at_crack(specimen, load, length, *asked) for load in (lower, upper))
    layer = lowest_layer(specimen)
    change = _array(high.tendon_stress[layer]) - _array(low.tendon_stress[layer])
    return Curve(
        DISCRETE,
        length,
        _array(high.tendon_stress[layer]),
        np.where(_pulled_in(high, layer) | (change < 0), np.nan, change),
        _array(high.concrete_top),
        _array(high.deflection),
        _array(ultimate_at_crack(specimen, length, *asked).moment),
        _array(high.opening),
        spacing=cracks.spacing,
    )


def _pulled_in(state: AtCrack, layer: int) -> NDArray[np.bool_]:
    """Tell where the bond that is left holds a tendon no more, and its ends come in."""
    ends = 2 * _array(state.end_slip[layer])
    return np.asarray(ends > PULLED_IN * _array(state.opening))


def _array(values: Either) -> FloatArray:
    return np.asarray(values, float)


def deflection_as_built(specimen: Specimen, load: float) -> float:
    """Return the net mid-span deflection [m] that an actuator load [N] adds, bond as it is built.

    NaN where the specimen cannot carry it.
    """
    return float(debonded(specimen, load, 0.0).deflection)


def lowest_layer(specimen: Specimen) -> int:
    """Return the number of the deepest layer of tendons."""
    return max(range(len(specimen.tendons)), key=lambda i: specimen.tendons[i].depth)
