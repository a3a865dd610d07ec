"""Bending, sections and the static estimate against published formulas and worked values."""

from __future__ import annotations

import math

import pytest

from rig.mechanics.bending import (
    constant_moment_deflection,
    load_point_flexibility,
    midspan_flexibility,
    moment,
    shear_flexibility,
)
from rig.mechanics.estimate import static_estimate
from rig.mechanics.section import (
    TendonLayer,
    cracked,
    cracking_moment,
    decompression_moment,
    gross,
    stress_block,
    transformed,
    ultimate_moment,
)

# A reference section: 200 x 300 mm, strands in two layers. Expected values were computed for
# this section with the public packages structuralcodes 0.7.2 and concreteproperties 0.7.0.
STRANDS = (
    TendonLayer(300e-6, 0.250, 195e9, 1100e6, 1860e6),
    TendonLayer(100e-6, 0.050, 195e9, 1100e6, 1860e6),
)


@pytest.mark.parametrize(
    ("load", "span", "a", "mid", "point", "bending"),
    [
        (40e3, 3.0, 1.0, 1.216931217e-3, 1.058201058e-3, 20e3),
        (30e3, 2.4, 0.85, 0.4853769841e-3, 0.4357936508e-3, 12.75e3),
    ],
)
def test_elastic_deflections_match_beam_theory(
    load: float, span: float, a: float, mid: float, point: float, bending: float
) -> None:
    """Values of the package indeterminatebeam 2.4.0 for a 200 x 300 mm beam, E = 35 GPa."""
    stiffness = 35e9 * 4.5e-4
    assert load * midspan_flexibility(stiffness, span, a) == pytest.approx(mid, rel=1e-8)
    assert load * load_point_flexibility(stiffness, span, a) == pytest.approx(point, rel=1e-8)
    assert moment(load, a) == pytest.approx(bending)


def test_shear_adds_a_quarter_to_a_short_prism() -> None:
    """ASTM C1609 (from memory): 1 + (216/115)(1 + nu)(h/L)^2 at third points, nu = 0.2."""
    bend = midspan_flexibility(35e9 * 0.15**4 / 12, 0.45, 0.15)
    factor = shear_flexibility(0.15**2, 35e9, 0.15) / bend
    assert factor == pytest.approx(216 / 115 * 1.2 * (0.15 / 0.45) ** 2, rel=1e-9)
    assert factor == pytest.approx(0.2504347826, rel=1e-9)


def test_gross_section_gives_decompression_and_cracking_by_hand_formula() -> None:
    """M_dec = P (e + S/A), M_cr = M_dec + f S: 44.0 and 56.0 kNm (textbook formula)."""
    section = gross(0.2, 0.3)
    assert decompression_moment(section, 0.3, STRANDS) == pytest.approx(44.0e3, rel=1e-9)
    assert cracking_moment(section, 0.3, 4e6, STRANDS) == pytest.approx(56.0e3, rel=1e-9)


def test_transformed_section_matches_hand_computation() -> None:
    """Area, centroid, second moment with n = 195/35."""
    section = transformed(0.2, 0.3, 35e9, STRANDS)
    assert section.area == pytest.approx(61828.571429e-6, rel=1e-9)
    assert section.centroid == pytest.approx(151.478743e-3, rel=1e-8)
    assert section.inertia == pytest.approx(468150514.92e-12, rel=1e-9)


def test_ultimate_moment_is_near_that_of_a_parabola_rectangle() -> None:
    """112.77 kNm by structuralcodes 0.7.2 with EN 1992 parabola-rectangle and bilinear steel.

    The stress block and steel without hardening differ from it by a few percent.
    """
    ultimate, axis = ultimate_moment(0.2, 0.3, 50e6, STRANDS)
    assert ultimate == pytest.approx(112.771961e3, rel=0.03)
    assert axis == pytest.approx(73.4e-3, rel=0.06)


def test_estimate_is_in_order_and_in_scale() -> None:
    """Loads rise from decompression to ultimate and the stiffness is the beam formula's."""
    layers = [(t.area, t.depth, t.modulus, t.stress, t.ultimate) for t in STRANDS]
    got = static_estimate(0.2, 0.3, 3.0, 1.0, 50e6, 35e9, 4e6, layers)
    loads = (got.decompression_load, got.cracking_load, got.yield_load, got.ultimate_load)
    assert sorted(loads) == list(loads)
    section = transformed(0.2, 0.3, 35e9, STRANDS)
    flexibility = midspan_flexibility(35e9 * section.inertia, 3.0, 1.0)
    flexibility += shear_flexibility(0.06, 35e9, 1.0)
    assert 1 / got.stiffness == pytest.approx(flexibility, rel=1e-12)
    assert got.cracked_stiffness < 0.5 * got.stiffness


def test_a_cracked_section_is_that_of_the_text_books() -> None:
    """b c^2/2 = n A (d - c); I = b c^3/3 + n A (d - c)^2 (any book on reinforced concrete)."""
    (lower, _), width = STRANDS, 0.2
    steel = 195 / 35 * lower.area
    axis = (math.sqrt(steel**2 + 2 * width * steel * lower.depth) - steel) / width
    inertia = width * axis**3 / 3 + steel * (lower.depth - axis) ** 2
    section = cracked(width, 0.3, 35e9, [lower])
    assert section.centroid == pytest.approx(axis, rel=1e-9)
    assert section.inertia == pytest.approx(inertia, rel=1e-9)


def test_a_tendon_above_the_neutral_axis_adds_nothing_to_a_cracked_section() -> None:
    """The upper strands lie at 50 mm, the axis at 57 mm."""
    assert cracked(0.2, 0.3, 35e9, STRANDS) == cracked(0.2, 0.3, 35e9, STRANDS[:1])


@pytest.mark.parametrize(
    ("strength", "depth", "stress"),
    [(30e6, 0.8, 1.0), (50e6, 0.8, 1.0), (60e6, 0.775, 0.95), (90e6, 0.7, 0.8)],
)
def test_the_stress_block_of_high_strength_is_lower_and_weaker(
    strength: float, depth: float, stress: float
) -> None:
    """EN 1992-1-1, 3.1.7(3): 0.8 - (f - 50)/400 and 1.0 - (f - 50)/200 above 50 MPa."""
    assert stress_block(strength) == pytest.approx((depth, stress), rel=1e-12)


@pytest.mark.parametrize("a", [0.0, 0.3, 1.0, 1.5])
def test_curvature_between_the_loads_bends_by_virtual_work(a: float) -> None:
    """A unit load at mid-span makes the moment x/2: twice its integral from `a` to the middle."""
    span, curvature, parts = 3.0, 2e-3, 1000
    width = (span / 2 - a) / parts
    work = 2 * sum(curvature * (a + (i + 0.5) * width) / 2 * width for i in range(parts))
    got = constant_moment_deflection(curvature, span, a)
    assert got == pytest.approx(work, rel=1e-9, abs=1e-15)


def test_a_beam_is_stiff_to_decompression_and_soft_from_there_to_yield() -> None:
    """With the loads together no length yields: 1.3 times the deflection at yield is left."""
    layers = [(t.area, t.depth, t.modulus, t.stress, t.ultimate) for t in STRANDS]
    got = static_estimate(0.2, 0.3, 3.0, 0.01, 50e6, 35e9, 4e6, layers)
    at_yield = got.decompression_load / got.stiffness
    at_yield += (got.yield_load - got.decompression_load) / got.cracked_stiffness
    assert got.ultimate_deflection == pytest.approx(1.3 * at_yield, rel=1e-9)
