"""The hidden truth of a plan's simulated rig and of the specimen in it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Final, Literal, cast

from rig.mechanics.estimate import static_estimate
from rig.mechanics.section import UNBONDED
from rig.mechanics.shapes import load_at
from rig.mechanics.smeared import debonded, unbonded_ultimate
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, Tendon
from rig.ports import ActuatorRange
from rig.protocol.plan import Plan
from simulators.opening import crack_table
from simulators.setup import CrackTable, SimulationSetup, SpecimenTruth, truth_of
from simulators.wear_tables import WET_STRENGTH, WearTables, wear_tables

REFERENCE_LEVEL: Final = 0.7
"""Load level of a simulated specimen that is not cycled."""

SERVICE: Final = 0.7
"""Share of its strength at which a simulated specimen sags as mechanics expects."""


def simulation_setup(plan: Plan) -> SimulationSetup:
    """Return the hidden truth of a plan's simulated rig and of the specimen in it.

    The specimen behaves and wears as mechanics expects of its section; what mechanics does not
    tell (scatter, speed of wear, water) comes from the rig file's `[simulation]`.
    """
    soaked = plan.exposure == "submerged"
    specimen = in_water(plan.specimen) if soaked else plan.specimen
    told = plan.rig.simulation
    truth = specimen_truth(specimen, float(told["capacity_scale"]))
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
        lower_load=loading.lower if loading else 0.0,
        tables=_tables(specimen, plan, 1.0 if soaked else WET_STRENGTH),
        cracks=_cracks(specimen, plan, truth),
        pump_flow=pump.flow if pump else 0.0,
        tank=pump.tank if pump else 0.0,
        ending=cast("Literal['gradual', 'brittle']", told["ending"]),
        servo_bandwidth=float(told["servo_bandwidth"]),
        gap=float(told["gap"]),
        bedding=float(told["bedding"]),
        life_dry=cast("float | None", told.get("life_dry")),
        life_scale=float(told["life_scale"]),
        wet_factor=float(told["wet_factor"]),
        scatter=float(told["scatter"]),
        pump_run_up=float(told["pump_run_up"]),
        creep=float(told["creep"]),
        moving_mass=float(told.get("moving_mass", trust.frame.moving_mass)),
        cell=trust.frame.cell,
        points={name: c.points for name, c in trust.calibrations.items() if c.points},
    )


def in_water(specimen: Specimen) -> Specimen:
    """Return a specimen whose concrete has the strength of its wet state."""
    concrete = specimen.concrete
    wet = replace(
        concrete,
        strength=WET_STRENGTH * concrete.strength,
        tensile_strength=WET_STRENGTH * concrete.tensile_strength,
    )
    return replace(specimen, concrete=wet)


def specimen_truth(specimen: Specimen, scale: float = 1.0) -> SpecimenTruth:
    """Return how a specimen behaves; `scale` is its strength over what mechanics expects.

    Beyond decompression it bends on a straight line to what the cracked beam sags, followed along
    its length, at `SERVICE` of its strength.
    """
    truth = truth_of(static_estimate(specimen))
    yields, ultimate = truth.yield_load, truth.ultimate_load
    if any(t.bond == UNBONDED for t in specimen.tendons):
        # Followed along the beam, where the estimate takes a code's word.
        found = float(load_at(specimen, unbonded_ultimate(specimen).moment))
        ultimate = max(found, 1.02 * truth.cracking_load)
        yields = max(yields / truth.ultimate_load * ultimate, (truth.cracking_load + ultimate) / 2)
    load = max(SERVICE * ultimate, truth.cracking_load)
    sag = float(debonded(specimen, load, specimen.section.load_spacing).deflection)
    opened = sag - truth.decompression_load / truth.stiffness
    cracked = truth.cracked_stiffness
    if opened > 0:  # not nan either
        cracked = min((load - truth.decompression_load) / opened, truth.stiffness)
    return replace(
        truth,
        cracked_stiffness=cracked,
        yield_load=yields * scale,
        ultimate_load=ultimate * scale,
    )


def _tables(specimen: Specimen, plan: Plan, wet_strength: float) -> WearTables | None:
    """Return how the cycles of a plan wear a specimen; None where it breaks before, or has none."""
    loading = plan.loading
    if loading is None or not plan.cyclic:
        return None
    s = specimen
    return _tables_of(
        s.section, s.concrete, s.tendons, s.bars, loading.lower, loading.upper, wet_strength
    )


@lru_cache(maxsize=8)
def _tables_of(
    section: Section,
    concrete: Concrete,
    tendons: tuple[Tendon, ...],
    bars: tuple[Bar, ...],
    lower: float,
    upper: float,
    wet_strength: float,
) -> WearTables | None:
    """Return the tables of what a specimen is made of; kept, for a series rehearses it often."""
    specimen = Specimen("simulated", section, concrete, tendons, bars)
    try:
        return wear_tables(specimen, lower, upper, wet_strength)
    except ValueError:
        return None


def _cracks(specimen: Specimen, plan: Plan, truth: SpecimenTruth) -> CrackTable | None:
    """Return how far a crack of a specimen opens; None where no channel shows it."""
    if all(c.name != "crack_opening" for c in plan.rig.channels):
        return None
    s = specimen
    upper = plan.loading.upper if plan.loading else REFERENCE_LEVEL * truth.ultimate_load
    return _cracks_of(s.section, s.concrete, s.tendons, s.bars, truth, upper)


@lru_cache(maxsize=8)
def _cracks_of(
    section: Section,
    concrete: Concrete,
    tendons: tuple[Tendon, ...],
    bars: tuple[Bar, ...],
    truth: SpecimenTruth,
    upper: float,
) -> CrackTable | None:
    """Return the table of what a specimen is made of; kept likewise."""
    return crack_table(Specimen("simulated", section, concrete, tendons, bars), truth, upper)
