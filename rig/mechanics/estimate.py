"""What a static test of a rectangular prestressed beam is expected to show.

Bonded tendons, four-point bending; loads are total actuator loads [N], self weight neglected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.mechanics.bending import (
    constant_moment_deflection,
    load_for_moment,
    midspan_flexibility,
    shear_flexibility,
)
from rig.mechanics.section import (
    CRUSHING_STRAIN,
    TendonLayer,
    cracked,
    cracking_moment,
    decompression_moment,
    transformed,
    ultimate_moment,
)


@dataclass(frozen=True, slots=True)
class StaticEstimate:
    """Expected loads [N], stiffness [N/m] and deflection [m] of a static test.

    `stiffness` is total load over net mid-span deflection, uncracked; `cracked_stiffness` the
    tangent well above decompression.
    """

    stiffness: float
    cracked_stiffness: float
    decompression_load: float
    cracking_load: float
    yield_load: float
    ultimate_load: float
    ultimate_deflection: float
    span: float


def static_estimate(
    width: float,
    height: float,
    span: float,
    load_spacing: float,
    strength: float,
    modulus: float,
    tensile_strength: float,
    tendons: Sequence[tuple[float, float, float, float, float]],
) -> StaticEstimate:
    """Return the expected behaviour; lengths [m], stress [Pa].

    `tendons` are (area, depth, modulus, stress, ultimate stress). The tendons begin to yield at
    90 % of the ultimate moment (common practice, no source).
    """
    layers = [TendonLayer(*t) for t in tendons]
    a = (span - load_spacing) / 2
    whole = transformed(width, height, modulus, layers)
    open_ = cracked(width, height, modulus, layers)
    shear = shear_flexibility(width * height, modulus, a)
    decompression = decompression_moment(whole, height, layers)
    cracking = cracking_moment(whole, height, tensile_strength, layers)
    ultimate, c = ultimate_moment(width, height, strength, layers)
    # A section that cracks above its ultimate moment breaks as it cracks.
    ultimate = max(ultimate, 1.02 * cracking)
    yielding = max(0.9 * ultimate, (cracking + ultimate) / 2)
    flexibility = midspan_flexibility(modulus * whole.inertia, span, a) + shear
    cracked_flexibility = midspan_flexibility(modulus * open_.inertia, span, a) + shear
    yield_load = load_for_moment(yielding, a)
    dec_load = load_for_moment(decompression, a)
    at_yield = dec_load * flexibility + (yield_load - dec_load) * cracked_flexibility
    plastic = constant_moment_deflection(CRUSHING_STRAIN / c, span, a)
    return StaticEstimate(
        stiffness=1 / flexibility,
        cracked_stiffness=1 / cracked_flexibility,
        decompression_load=dec_load,
        cracking_load=load_for_moment(cracking, a),
        yield_load=yield_load,
        ultimate_load=load_for_moment(ultimate, a),
        ultimate_deflection=max(1.3 * at_yield, plastic),
        span=span,
    )
