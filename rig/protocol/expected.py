"""What a specimen file lets one expect of a specimen: loads, deflections, way of the rod."""

from __future__ import annotations

from rig.mechanics.bending import load_point_flexibility, midspan_flexibility, shear_flexibility
from rig.mechanics.estimate import StaticEstimate, static_estimate
from rig.mechanics.shapes import gross, shear_span
from rig.mechanics.specimen import Specimen


def expected(specimen: Specimen) -> StaticEstimate:
    """Return what a static test of the specimen is expected to show."""
    return static_estimate(specimen)


def midspan_deflection(estimate: StaticEstimate, load: float) -> float:
    """Return the net mid-span deflection [m] of a cracked specimen under a total load [N].

    Two straight lines: as stiff as uncracked up to decompression, the cracked section's tangent
    beyond.
    """
    closed = min(load, estimate.decompression_load)
    return closed / estimate.stiffness + (load - closed) / estimate.cracked_stiffness


def rod_travel(specimen: Specimen, estimate: StaticEstimate, lower: float, upper: float) -> float:
    """Return how far [m] the rod goes between two loads [N] on a cracked specimen.

    It moves with the load points; what frame, bearings and oil give is not in it.
    """

    def at(load: float) -> float:
        closed = min(load, estimate.decompression_load)
        soft = _at_load_points(specimen, estimate.cracked_stiffness)
        return closed * _at_load_points(specimen, estimate.stiffness) + (load - closed) * soft

    return at(upper) - at(lower)


def _at_load_points(specimen: Specimen, stiffness: float) -> float:
    """Return the flexibility at the load points [m/N] that goes with a mid-span stiffness [N/m]."""
    section, modulus = specimen.section, specimen.concrete.modulus
    arm = shear_span(section)
    shear = shear_flexibility(gross(section).area, modulus, arm)
    ratio = load_point_flexibility(1.0, section.span, arm) / midspan_flexibility(
        1.0, section.span, arm
    )
    return (1 / stiffness - shear) * ratio + shear
