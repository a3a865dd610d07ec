"""The hidden truth of a plan's simulated rig and of the specimen in it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal, cast

from rig.mechanics.estimate import StaticEstimate, static_estimate
from rig.ports import ActuatorRange
from rig.protocol.beam import Specimen, Tendon
from rig.protocol.plan import Plan
from simulators.setup import SimulationSetup, truth_of

REFERENCE_LEVEL: Final = 0.7
"""Load level at which a simulated specimen's life is stated."""

KSI: Final = 6.894757293168361e6
"""Pa in one ksi, exact by definition: the presets of tendons carry their grade in ksi."""

YIELD_SHARE: Final = 0.01
"""Strain at which a tendon without a stated strength is taken as yielding; invented."""


def simulation_setup(plan: Plan) -> SimulationSetup:
    """Return the hidden truth of a plan's simulated rig and of the specimen in it.

    The specimen behaves as mechanics expects of its section; what mechanics does not tell
    (life, scatter, water) comes from the rig file's `[simulation]`.
    """
    truth = truth_of(_static_estimate(plan.specimen))
    told = plan.rig.simulation
    scale = float(told["capacity_scale"])
    truth = replace(
        truth,
        yield_load=truth.yield_load * scale,
        ultimate_load=truth.ultimate_load * scale,
    )
    actuator = plan.rig.actuator
    loading, pump = plan.loading, plan.rig.pump
    return SimulationSetup(
        rate=plan.rig.rate,
        channels=plan.rig.channels,
        actuator=ActuatorRange(
            *actuator.load, *actuator.stroke, actuator.speed, actuator.frequency
        ),
        truth=truth,
        exposure=cast("Literal['dry', 'spray', 'submerged']", plan.exposure),
        load_level=loading.upper / loading.capacity if loading else REFERENCE_LEVEL,
        upper_load=loading.upper if loading else 0.0,
        pump_flow=pump.flow if pump else 0.0,
        tank=pump.tank if pump else 0.0,
        ending=cast("Literal['gradual', 'brittle']", told["ending"]),
        servo_bandwidth=float(told["servo_bandwidth"]),
        gap=float(told["gap"]),
        bedding=float(told["bedding"]),
        life_dry=float(told["life_dry"]),
        life_scale=float(told["life_scale"]),
        wet_factor=float(told["wet_factor"]),
        scatter=float(told["scatter"]),
        pump_run_up=float(told["pump_run_up"]),
        creep=float(told["creep"]),
    )


def _static_estimate(specimen: Specimen) -> StaticEstimate:
    section, concrete = specimen.section, specimen.concrete
    return static_estimate(
        (section.width + section.width_bottom) / 2,
        section.height,
        section.span,
        section.load_spacing,
        concrete.strength,
        concrete.modulus,
        concrete.tensile_strength,
        [(t.area, t.depth, t.modulus, t.stress, _strength(t)) for t in specimen.tendons],
    )


def _strength(tendon: Tendon) -> float:
    """Return a tendon's ultimate stress [Pa]: from its law, or the grade of its preset."""
    if tendon.law.ultimate:
        return tendon.law.ultimate
    grade = tendon.law.preset.rpartition("-")[2]
    return float(grade) * KSI if grade else YIELD_SHARE * tendon.modulus
