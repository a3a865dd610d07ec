"""The hidden truth of a plan's simulated rig and of the specimen in it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal, cast

from rig.ports import ActuatorRange
from rig.protocol.expected import expected
from rig.protocol.plan import Plan
from simulators.setup import SimulationSetup, truth_of

REFERENCE_LEVEL: Final = 0.7
"""Load level at which a simulated specimen's life is stated."""


def simulation_setup(plan: Plan) -> SimulationSetup:
    """Return the hidden truth of a plan's simulated rig and of the specimen in it.

    The specimen behaves as mechanics expects of its section; what mechanics does not tell
    (life, scatter, water) comes from the rig file's `[simulation]`.
    """
    truth = truth_of(expected(plan.specimen))
    told = plan.rig.simulation
    scale = float(told["capacity_scale"])
    truth = replace(
        truth,
        yield_load=truth.yield_load * scale,
        ultimate_load=truth.ultimate_load * scale,
    )
    actuator, trust = plan.rig.actuator, plan.rig.trust
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
        moving_mass=float(told.get("moving_mass", trust.frame.moving_mass)),
        cell=trust.frame.cell,
        points={name: c.points for name, c in trust.calibrations.items() if c.points},
    )
