"""What a specimen file lets one expect of a specimen: loads, deflections, way of the rod."""

from __future__ import annotations

from typing import Final

from rig.mechanics.bending import load_point_flexibility, midspan_flexibility, shear_flexibility
from rig.mechanics.estimate import StaticEstimate, static_estimate
from rig.mechanics.section import YIELD_RATIO
from rig.mechanics.specimen import Specimen, Tendon

KSI: Final = 6.894757293168361e6
"""Pa in one ksi, exact by definition: the presets of tendons carry their grade in ksi."""

YIELD_SHARE: Final = 0.01
"""Strain at which a tendon without a stated strength is taken as yielding; invented."""


def expected(specimen: Specimen) -> StaticEstimate:
    """Return what a static test of the specimen is expected to show.

    A trapezoid, and any other section, is taken as a rectangle of its mean width. Bars count
    only where there is no tendon.
    """
    section, concrete = specimen.section, specimen.concrete
    tendons = [(t.area, t.depth, t.modulus, t.stress, _strength(t)) for t in specimen.tendons]
    bars = [(b.area, b.depth, b.modulus, 0.0, b.yield_stress / YIELD_RATIO) for b in specimen.bars]
    return static_estimate(
        (section.width + section.width_bottom) / 2,
        section.height,
        section.span,
        section.load_spacing,
        concrete.strength,
        concrete.modulus,
        concrete.tensile_strength,
        tendons or bars,
    )


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
    arm = (section.span - section.load_spacing) / 2
    area = (section.width + section.width_bottom) / 2 * section.height
    shear = shear_flexibility(area, modulus, arm)
    ratio = load_point_flexibility(1.0, section.span, arm) / midspan_flexibility(
        1.0, section.span, arm
    )
    return (1 / stiffness - shear) * ratio + shear


def _strength(tendon: Tendon) -> float:
    """Return a tendon's ultimate stress [Pa]: from its law, or the grade of its preset."""
    if tendon.law.ultimate:
        return tendon.law.ultimate
    grade = tendon.law.preset.rpartition("-")[2]
    return float(grade) * KSI if grade else YIELD_SHARE * tendon.modulus
