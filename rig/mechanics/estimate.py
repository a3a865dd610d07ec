"""What a static test of a beam in four-point bending is expected to show.

Loads are those that the actuator adds to self weight [N], both load points together. A tendon
without bond has the stress that a code gives it at the ultimate moment (`code_stress`): following
it along the beam is for `smeared`, which needs numpy.
"""

from __future__ import annotations

from typing import NamedTuple

from rig.mechanics.bending import (
    constant_moment_deflection,
    midspan_flexibility,
    shear_flexibility,
)
from rig.mechanics.code_stress import ultimate_by_code
from rig.mechanics.rigidity import cracked_rigidity, uncracked_rigidity
from rig.mechanics.section import cracking_moment, decompression_moment
from rig.mechanics.shapes import gross, load_at, shear_span
from rig.mechanics.specimen import Specimen


class StaticEstimate(NamedTuple):
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


def static_estimate(specimen: Specimen) -> StaticEstimate:
    """Return the expected behaviour of a specimen.

    The loads rise in the order of the fields: a beam that its own weight opens or cracks is
    opened by the first load and cracked by a thousandth of the last. The tendons begin to yield
    at 90 % of the ultimate moment (common practice, no source).
    """
    section, concrete = specimen.section, specimen.concrete
    a, span = shear_span(section), section.span
    shear = shear_flexibility(gross(section).area, concrete.modulus, a)
    flexibility = midspan_flexibility(uncracked_rigidity(specimen), span, a) + shear
    cracked_flexibility = midspan_flexibility(cracked_rigidity(specimen), span, a) + shear
    cracking, end = cracking_moment(specimen), ultimate_by_code(specimen)
    # A section that cracks above its ultimate moment breaks as it cracks.
    ultimate = max(end.moment, 1.02 * cracking)
    yielding = max(0.9 * ultimate, (cracking + ultimate) / 2)
    ultimate_load = float(load_at(specimen, ultimate))
    opened = max(0.0, float(load_at(specimen, decompression_moment(specimen))))
    cracked = max(float(load_at(specimen, cracking)), opened + 1e-3 * ultimate_load)
    yield_load = max(float(load_at(specimen, yielding)), (cracked + ultimate_load) / 2)
    at_yield = opened * flexibility + (yield_load - opened) * cracked_flexibility
    plastic = constant_moment_deflection(end.top_strain / end.neutral_axis, span, a)
    return StaticEstimate(
        stiffness=1 / flexibility,
        cracked_stiffness=1 / cracked_flexibility,
        decompression_load=opened,
        cracking_load=cracked,
        yield_load=yield_load,
        ultimate_load=ultimate_load,
        ultimate_deflection=max(1.3 * at_yield, plastic),
        span=span,
    )
