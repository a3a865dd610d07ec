"""How hard a protocol tests its specimen, in the three measures of it, by mechanics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.mechanics.prediction import predict

if TYPE_CHECKING:
    from rig.mechanics.prediction import Levels
    from rig.protocol.plan import Plan


def levels_of(plan: Plan) -> Levels | None:
    """Return the measures of how hard a specimen is tested, None where mechanics cannot tell."""
    load = plan.loading
    if load is None:
        return None
    try:
        # By the code's formula: to follow a tendon without bond along the beam takes seconds.
        told = predict(
            plan.specimen,
            load.lower,
            load.upper,
            plan.exposure or "dry",
            load.capacity,
            load.frequency,
            by_code=True,
        )
    except (ValueError, ArithmeticError):
        return None
    return told.levels


def tendon_range_of(plan: Plan) -> float | None:
    """Return the stress range of the tendons [Pa] before any wear, None where none can be told."""
    found = levels_of(plan)
    if found is None or math.isnan(found.concrete_max) or not plan.specimen.tendons:
        return None
    return found.tendon_range if math.isfinite(found.tendon_range) else None
