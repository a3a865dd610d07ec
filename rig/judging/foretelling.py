"""What a plan has a forecast made of: the armed loss, companions, steel, and what tells a life."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from rig.criteria.forecast import ForecastSetup
from rig.criteria.forecast_life import Relation
from rig.criteria.forecast_points import block_of
from rig.criteria.forecast_taught import relation_of
from rig.judging.cycling import CyclingSetup
from rig.mechanics.damage import cycles
from rig.mechanics.prediction import lives_of, under_load
from rig.protocol.plan import Plan

SIMULATED: Final = Relation(soft=-1.037, sag=-0.98, scatter=0.009)
"""Of the specimens in a simulated rig: measured on them, and true of no other."""

UNKNOWN: Final = replace(SIMULATED, scatter=0.3)
"""Of real ones, of which nothing is known: so wide that companions alone can make it narrow."""


def foretelling(setup: CyclingSetup, plan: Plan) -> CyclingSetup:
    """Return what stays the same through a cyclic stage of a plan, with a forecast."""
    return replace(setup, forecast=forecast_setup(plan))


def forecast_setup(plan: Plan) -> ForecastSetup:
    """Return what a plan has a forecast made of."""
    own = SIMULATED if plan.rig.driver == "simulated" else UNKNOWN
    loss, stage = plan.failure.stiffness_loss, plan.cyclic
    base = plan.baseline
    return ForecastSetup(
        relation=relation_of(plan.softening) or own,
        block=block_of(base.first, base.last),
        baseline_first=base.first,
        baseline_last=base.last,
        stop=loss.stop if loss else None,
        run_out=stage.run_out if stage else None,
        companions=plan.companions,
        tendon_from=_steel_from(plan),
    )


def _steel_from(plan: Plan) -> float:
    """Return the cycles from which on steel may break: its shortest life by any model.

    Of nearly all specimens the steel lasts longer than a characteristic life; in water it may be
    less, of which no model knows. 0 where mechanics cannot tell: a forecast stops no test, and is
    silent then.
    """
    loading, beam = plan.loading, plan.specimen
    if loading is None or not (beam.tendons or beam.bars):
        return math.inf
    loads = loading.lower, loading.upper
    try:
        low, high = (under_load(beam, load, by_code=True) for load in loads)
        if not (low.carried and high.carried):
            return 0.0
        lives = lives_of(beam, low, high, plan.exposure or "dry", loading.frequency)
    except (ValueError, ArithmeticError):
        return 0.0
    steel = [float(life.log10_cycles) for life in lives if life.part != "concrete"]
    return cycles(min(steel, default=math.inf))
