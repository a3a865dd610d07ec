"""Sections against published examples and programs, and what holds of every section."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.equilibrium import prestrains
from rig.mechanics.section import (
    cracked_state,
    cracking_moment,
    decompression_moment,
    gross_cracking_moment,
    gross_decompression_moment,
    moment_curvature,
    prestress,
    state_at,
    transformed,
    ultimate,
    uncracked_state,
)
from rig.mechanics.shapes import gross
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon
from tests.mechanics.sections import GILBERT, R1, STRAND, U1, ZERO, specimens, strand


def test_r1_transformed():
    """Own values with n = 195/35; the three-way check section R1."""
    whole = transformed(R1)
    assert whole.area == pytest.approx(61828.571429e-6, rel=1e-9)
    assert whole.centroid == pytest.approx(151.478743e-3, rel=1e-8)
    assert whole.inertia == pytest.approx(468150514.92e-12, rel=1e-9)
    assert whole.bottom_modulus(0.3) == pytest.approx(3152077.518e-9, rel=1e-9)


def test_r1_under_no_moment_has_the_stresses_of_its_prestress():
    rest = uncracked_state(R1, 0.0)
    assert rest.concrete_bottom == pytest.approx(13.889556e6, rel=1e-7)
    assert rest.concrete_top == pytest.approx(0.208474e6, rel=1e-5)


def test_r1_decompresses_and_cracks():
    """Own 43.780958 and 56.389268 kNm; concreteproperties 0.7.0 gives 56.391965 for the latter."""
    assert decompression_moment(R1) == pytest.approx(43.780958e3, rel=1e-7)
    assert cracking_moment(R1) == pytest.approx(56.389268e3, rel=1e-7)
    assert cracking_moment(R1) == pytest.approx(56.391965e3, rel=1e-4)


def test_r1_by_the_formulas_of_the_gross_section():
    """M_dec = P (e + S/A), M_cr = M_dec + f S: 44.0 and 56.0 kNm (any book on prestress)."""
    assert gross_decompression_moment(R1) == pytest.approx(44.0e3, rel=1e-12)
    assert gross_cracking_moment(R1) == pytest.approx(56.0e3, rel=1e-12)


def test_r1_uncracked_under_40_knm():
    """concreteproperties 0.7.0: concrete 1.19997 and 13.15075, strands 1082.217 and 1037.829."""
    state = uncracked_state(R1, 40e3)
    assert state.concrete_bottom == pytest.approx(1.19997e6, rel=5e-4)
    assert state.concrete_top == pytest.approx(13.15075e6, rel=5e-5)
    assert state.tendon_stress == pytest.approx((1082.217e6, 1037.829e6), rel=3e-6)


@pytest.mark.parametrize(
    ("moment", "axis", "top", "strands", "curvature"),
    [
        (80e3, 131.72482, 36.80366, (1284.1126, 972.7834), 7.982802e-3),
        (60e3, 202.44708, 21.78612, (1128.5110, 1008.5984), 3.074683e-3),
    ],
)
def test_r1_cracked(moment, axis, top, strands, curvature):
    """Own values of the three-way check section R1."""
    state = cracked_state(R1, moment)
    assert state.neutral_axis == pytest.approx(axis * 1e-3, rel=1e-7)
    assert state.concrete_top == pytest.approx(top * 1e6, rel=1e-6)
    assert state.tendon_stress == pytest.approx([s * 1e6 for s in strands], rel=1e-7)
    assert state.curvature == pytest.approx(curvature, rel=1e-6)


def test_r1_cracked_as_another_program_has_it():
    """concreteproperties 0.7.0 under 80 kNm: c 131.75109, top 36.79353, 1283.9845, 972.8029."""
    state = cracked_state(R1, 80e3)
    assert state.neutral_axis == pytest.approx(131.75109e-3, rel=3e-4)
    assert state.concrete_top == pytest.approx(36.79353e6, rel=3e-4)
    assert state.tendon_stress == pytest.approx((1283.9845e6, 972.8029e6), rel=3e-4)


def test_r1_at_its_ultimate():
    """structuralcodes 0.7.2 (marin): 112.771961 kNm; own c, strands at 1686.7501 and 882.3626."""
    end = ultimate(R1)
    assert end.moment == pytest.approx(112.771961e3, rel=1e-8)
    assert end.neutral_axis == pytest.approx(73.408750e-3, rel=1e-7)
    assert end.tendon_stress == pytest.approx((1686.7501e6, 882.3626e6), rel=1e-6)
    # With holes for the steel: concreteproperties 0.7.0 and 0.8.0, 112.695045 kNm.
    assert end.moment == pytest.approx(112.695045e3, rel=1e-3)


def test_no_tendon_has_passed_its_ultimate_strain_where_another_breaks():
    """An unstressed strand below is strained by more; the stressed one above it breaks earlier."""
    mixed = replace(R1, tendons=(strand(10e-6, 0.28, 0.0, ZERO), strand(10e-6, 0.24, 1300e6, ZERO)))
    end = ultimate(mixed)
    curvature = end.top_strain / end.neutral_axis
    below, above = (
        p + curvature * t.depth - end.top_strain
        for p, t in zip(prestrains(mixed), mixed.tendons, strict=True)
    )
    assert (end.part, above) == ("tendon", pytest.approx(STRAND.ultimate_strain))
    assert 0.03 < below < STRAND.ultimate_strain
    assert math.isfinite(state_at(mixed, 0.999 * end.moment).top_strain)
    assert math.isnan(state_at(mixed, 1.001 * end.moment).top_strain)


def test_r1_in_shares_of_its_capacity():
    """M_dec .3882256 and M_cr .5000292 of M_u."""
    assert decompression_moment(R1) / ultimate(R1).moment == pytest.approx(0.3882256, rel=1e-6)
    assert cracking_moment(R1) / ultimate(R1).moment == pytest.approx(0.5000292, rel=1e-6)


def test_a_published_partially_prestressed_section():
    """Gilbert, Mickleborough, Ranzi 2016, example 5.7: values of the book, to three thousandths.

    c 508.1 mm, top 18.0, bars 108.1 and -45.6, strand 1216.0 MPa, M_dec 293 kNm, -0.702e-6 /mm.
    """
    state = cracked_state(GILBERT, 400e3)
    assert state.neutral_axis == pytest.approx(0.5081, rel=3e-3)
    assert state.concrete_top == pytest.approx(18.0e6, rel=3e-3)
    # The book counts bars positive in compression here.
    assert state.bar_stress == pytest.approx((-108.1e6, 45.6e6), rel=3e-3)
    assert state.tendon_stress[0] == pytest.approx(1216.0e6, rel=3e-3)
    assert decompression_moment(GILBERT) == pytest.approx(293e3, rel=3e-3)
    assert uncracked_state(GILBERT, 0.0).curvature == pytest.approx(-0.702e-3, rel=3e-3)


def test_the_same_section_by_two_linear_solvers():
    """An own linear solver, and concreteproperties within 3e-4: c 507.0205, 17.98267, 1216.0736."""
    state = cracked_state(GILBERT, 400e3)
    assert state.neutral_axis == pytest.approx(0.5069941, rel=1e-6)
    assert state.concrete_top == pytest.approx(17.98391e6, rel=1e-6)
    assert state.bar_stress == pytest.approx((-108.0689e6, 45.6416e6), rel=1e-6)
    assert state.tendon_stress[0] == pytest.approx(1216.0819e6, rel=1e-7)
    assert state.curvature == pytest.approx(1.182388e-3, rel=1e-6)
    assert decompression_moment(GILBERT) == pytest.approx(292.9169e3, rel=1e-6)
    assert uncracked_state(GILBERT, 0.0).curvature == pytest.approx(-7.021935e-4, rel=1e-6)
    assert state.neutral_axis == pytest.approx(0.5070205, rel=3e-4)
    assert state.concrete_top == pytest.approx(17.98267e6, rel=3e-4)
    assert state.tendon_stress[0] == pytest.approx(1216.0736e6, rel=3e-4)
    assert decompression_moment(GILBERT) == pytest.approx(292.9232e3, rel=3e-4)


IN, KIP = 0.0254, 4448.2216152605


@pytest.mark.parametrize(("force", "eccentricity"), [(233.0, 3.619456), (220.9091, 4.0)])
def test_a_published_section_without_stress_at_the_bottom(force, eccentricity):
    """10 x 20 in under 135 kip-ft (Alam, scribd 187027448): 233 kip at 3.62 in, 220.91 at 4."""
    area = 1.0 * IN**2
    tendon = Tendon(
        area, (10 + eccentricity) * IN, 195e9, "pre-tensioned", force * KIP / area, ZERO, STRONG
    )
    section = Section("rectangle", 20 * IN, 10 * IN, 10 * IN, 10.0, 3.0)
    concrete = Concrete(40e6, 30e9, 3e6, 0.0, "parabola-rectangle", 0.002, 0.0035)
    beam = Specimen("published", section, concrete, (tendon,))
    assert gross_decompression_moment(beam) == pytest.approx(1620 * KIP * IN, rel=1e-6)
    assert gross(section).inertia == pytest.approx(6666.667 * IN**4, rel=1e-7)


STRONG = SteelLaw("bilinear", 1.7e9, 1.9e9, 0.035)


def test_a_beam_with_bars_carries_what_the_block_says():
    """ACI 318, by hand: 200 x 300 mm, 600 mm2 of 500 MPa at 260 mm, 30 MPa: a = As fy / .85 f b."""
    concrete = Concrete(30e6, 33e9, 2.9e6, 0.0, "rectangular block", 0.002, 0.003)
    section = Section("rectangle", 0.3, 0.2, 0.2, 3.0, 1.0)
    beam = Specimen("bars", section, concrete, (), (Bar(600e-6, 0.26, 200e9, 500e6),))
    pull = 600e-6 * 500e6
    depth = pull / (0.85 * 30e6 * 0.2)
    assert ultimate(beam).moment == pytest.approx(pull * (0.26 - depth / 2), rel=1e-9)
    beta = 0.85 - 0.05 * (30 / 6.894757293168361 - 4)
    assert ultimate(beam).neutral_axis == pytest.approx(depth / beta, rel=1e-9)


def test_the_cracked_section_with_bars_is_that_of_the_text_books():
    """b c2/2 = n A (d - c), stress M (d - c) n / I (any book on reinforced concrete)."""
    bar = Bar(600e-6, 0.250, 200e9, 500e6)
    beam = replace(R1, tendons=(), bars=(bar,))
    steel = 200 / 35 * bar.area
    c = (math.sqrt(steel**2 + 2 * 0.2 * steel * bar.depth) - steel) / 0.2
    inertia = 0.2 * c**3 / 3 + steel * (bar.depth - c) ** 2
    state = cracked_state(beam, 10e3)
    assert state.neutral_axis == pytest.approx(c, rel=1e-9)
    assert state.bar_stress[0] == pytest.approx(10e3 * (0.250 - c) / inertia * 200 / 35, rel=1e-9)
    assert decompression_moment(beam) == 0.0


@given(specimens())
def test_a_section_opens_before_it_cracks(specimen):
    assert decompression_moment(specimen) < cracking_moment(specimen)
    assert gross_decompression_moment(specimen) < gross_cracking_moment(specimen)


@given(specimens())
def test_concrete_without_tensile_strength_cracks_as_it_opens(specimen):
    weak = replace(specimen, concrete=replace(specimen.concrete, tensile_strength=0.0))
    assert cracking_moment(weak) == decompression_moment(weak)


@given(specimens(), st.sampled_from([R1, U1, GILBERT]))
def test_what_is_stressed_as_beams_are_opens_well_before_it_breaks(drawn, published):
    assert decompression_moment(drawn) < ultimate(drawn).moment
    assert cracking_moment(published) < ultimate(published).moment


@given(specimens())
def test_at_decompression_the_bottom_has_no_stress(specimen):
    state = uncracked_state(specimen, decompression_moment(specimen))
    assert state.concrete_bottom == pytest.approx(0.0, abs=1.0)
    more = uncracked_state(specimen, cracking_moment(specimen))
    assert more.concrete_bottom == pytest.approx(-specimen.concrete.tensile_strength, abs=1.0)


@given(specimens())
def test_up_to_decompression_a_cracked_section_is_a_whole_one(specimen):
    moment = decompression_moment(specimen)
    whole, cracked = uncracked_state(specimen, moment), cracked_state(specimen, moment)
    assert cracked.concrete_top == pytest.approx(whole.concrete_top, rel=1e-6)
    assert cracked.curvature == pytest.approx(whole.curvature, rel=1e-6)
    assert cracked.tendon_stress == pytest.approx(whole.tendon_stress, rel=1e-9)
    assert cracked.bar_stress == pytest.approx(whole.bar_stress, rel=1e-6, abs=1.0)


@given(specimens())
def test_the_elastic_section_has_the_stress_that_the_file_says(specimen):
    """Whichever way it is given: under no moment, or with no strain in the concrete."""
    rest = uncracked_state(specimen, 0.0)
    for tendon, stress, zero in zip(
        specimen.tendons, rest.tendon_stress, prestress(specimen), strict=True
    ):
        given_ = stress if tendon.stress_at == "no moment" else zero
        assert given_ == pytest.approx(tendon.stress, rel=1e-9)


@given(specimens(bond="post-tensioned unbonded"))
def test_a_tendon_without_bond_is_a_force_on_the_section(specimen):
    force = sum(t.area * s for t, s in zip(specimen.tendons, prestress(specimen), strict=True))
    whole = transformed(specimen)
    assert transformed(replace(specimen, bars=())) == gross(specimen.section)
    rest = uncracked_state(specimen, 0.0)
    mean = (rest.top_strain - rest.curvature * whole.centroid) * specimen.concrete.modulus
    assert mean * whole.area == pytest.approx(force, rel=1e-9)
    for tendon, stress in zip(specimen.tendons, rest.tendon_stress, strict=True):
        if tendon.stress_at == "no moment":
            assert stress == tendon.stress
        else:
            # Pulled while the concrete had no strain, it has lost what the concrete shortened.
            beside = rest.top_strain - rest.curvature * tendon.depth
            assert stress == pytest.approx(tendon.stress - tendon.modulus * beside, rel=1e-6)


@given(specimens(), st.floats(0.1, 10.0))
def test_a_section_of_twice_the_size_bears_eight_times_the_moment(specimen, k):
    section = specimen.section
    big = replace(
        specimen,
        section=replace(
            section,
            height=k * section.height,
            width=k * section.width,
            width_bottom=k * section.width_bottom,
            outline=tuple((k * y, k * b) for y, b in section.outline),
        ),
        tendons=tuple(replace(t, area=k**2 * t.area, depth=k * t.depth) for t in specimen.tendons),
        bars=tuple(replace(b, area=k**2 * b.area, depth=k * b.depth) for b in specimen.bars),
    )
    for moment in (decompression_moment, cracking_moment):
        assert moment(big) == pytest.approx(k**3 * moment(specimen), rel=1e-6, abs=1.0)
    one, other = ultimate(specimen), ultimate(big)
    assert other.moment == pytest.approx(k**3 * one.moment, rel=1e-6)
    assert other.neutral_axis == pytest.approx(k * one.neutral_axis, rel=1e-6)
    assert other.tendon_stress == pytest.approx(one.tendon_stress, rel=1e-6)


@given(specimens())
def test_the_moment_rises_with_the_curvature_up_to_the_ultimate(specimen):
    states = moment_curvature(specimen, points=25)
    assert len(states) == 25
    bends = [s.curvature for s in states]
    assert bends == sorted(bends)
    assert states[0].moment == pytest.approx(0.0, abs=1e-6 * states[-1].moment)
    end = ultimate(specimen)
    assert states[-1].moment == end.moment
    assert states[-1].tendon_stress == pytest.approx(end.tendon_stress, rel=1e-12)
    assert states[-1].neutral_axis == pytest.approx(end.neutral_axis, rel=1e-12)
    # The block of the ultimate state alone may bear less than the law up to it.
    least = -0.02 if specimen.concrete.law == "rectangular block" else -1e-9
    steps = [b.moment - a.moment for a, b in pairwise(states)]
    assert min(steps) >= least * end.moment


@given(specimens(), st.floats(0.05, 0.9))
def test_a_point_of_the_curve_is_the_state_under_its_moment(specimen, share):
    states = moment_curvature(specimen, points=12)
    picked = states[int(share * 10)]
    assume(picked.moment < 0.95 * states[-1].moment)
    found = state_at(specimen, picked.moment)
    assert found.curvature == pytest.approx(picked.curvature, rel=1e-6, abs=1e-9)
    assert found.tendon_stress == pytest.approx(picked.tendon_stress, rel=1e-8)
    assert found.concrete_top == pytest.approx(picked.concrete_top, rel=1e-6, abs=10.0)
