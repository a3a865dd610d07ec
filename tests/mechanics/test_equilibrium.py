"""Strains of a section under a moment: shared examples, and what holds of every section."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.equilibrium import Strains, axial_of, moment_of, prestrains, solve
from rig.mechanics.laws import concrete_stress, steel_stress
from rig.mechanics.section import moment_curvature, ultimate
from rig.mechanics.shapes import pieces, width_at
from rig.mechanics.specimen import Specimen
from tests.mechanics.sections import R1, STRAND, U1, ZERO, specimens, strand


def tendon_stress(specimen: Specimen, strains: Strains, layer: int = 0) -> float:
    tendon = specimen.tendons[layer]
    strain = prestrains(specimen)[layer] - strains.at(tendon.depth)
    return float(steel_stress(tendon.law, tendon.modulus, strain))


def test_u1_under_no_moment_is_shortened_by_its_tendon():
    """U1 of the shared check values (own solution): top 2.682002e-5, at the tendon 1.878354e-4."""
    rest = solve(U1, 0.0)
    assert rest.top == pytest.approx(2.682002e-5, rel=1e-6)
    assert rest.at(0.190) == pytest.approx(1.878354e-4, rel=1e-6)
    assert tendon_stress(U1, rest) == pytest.approx(1100e6, rel=1e-12)


@pytest.mark.parametrize("at", ["no moment", ZERO])
def test_a_strand_without_stress_under_no_moment_has_none_beside_a_stressed_one(at):
    mixed = replace(U1, tendons=(strand(400e-6, 0.190, at=at), strand(100e-6, 0.150, 0.0)))
    rest = solve(mixed, 0.0)
    assert rest.at(0.150) > 1e-4
    assert tendon_stress(mixed, rest, 1) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(("moment", "mpa"), [(40e3, 1114.383), (50e3, 1122.067), (55e3, 1131.419)])
def test_the_bonded_tendon_of_u1_rises_with_the_moment(moment, mpa):
    """U1 of the shared check values (own solution), column of the bonded tendon."""
    assert tendon_stress(U1, solve(U1, moment)) == pytest.approx(mpa * 1e6, abs=600)


@pytest.mark.parametrize(
    ("held", "kilonewtonmetres", "millimetres"),
    [
        (1656.889, 103.35337, 81.8698),
        (1646.040, 102.82344, 81.3337),
        (1497.317, 95.36391, 73.98505),
    ],
)
def test_u1_at_its_ultimate_with_the_stress_of_a_tendon_without_bond(
    held, kilonewtonmetres, millimetres
):
    """U1; structuralcodes 0.7.2 gives 95.363914 kNm with a fixed stress of 1497.3165 MPa."""
    end = ultimate(U1, [held * 1e6])
    assert end.moment == pytest.approx(kilonewtonmetres * 1e3, rel=2e-6)
    assert end.neutral_axis == pytest.approx(millimetres * 1e-3, rel=2e-6)


def test_u1_bonded_at_its_ultimate():
    """structuralcodes 0.7.2 (marin): 103.353368 kNm."""
    end = ultimate(U1)
    assert end.moment == pytest.approx(103.353368e3, rel=1e-8)
    assert end.neutral_axis == pytest.approx(81.8698e-3, rel=1e-6)
    assert end.tendon_stress[0] == pytest.approx(1656.889e6, rel=1e-6)
    assert end.part == "concrete"


def by_strips(specimen: Specimen, strains: Strains, strips: int = 4000) -> tuple[float, float]:
    """Return force and moment of concrete and steel, the concrete in thin strips."""
    step = specimen.section.height / strips
    y = (np.arange(strips) + 0.5) * step
    width = np.zeros(strips)
    for piece in pieces(specimen.section):
        inside = (y >= piece.top) & (y <= piece.bottom)
        width[inside] = width_at(piece, y[inside])
    stress = concrete_stress(specimen.concrete, strains.at(y))
    force, moment = np.sum(stress * width * step), -np.sum(stress * width * y * step)
    for i, tendon in enumerate(specimen.tendons):
        pull = tendon.area * tendon_stress(specimen, strains, i)
        force, moment = force - pull, moment + pull * tendon.depth
    for bar in specimen.bars:
        stress = -bar.modulus * strains.at(bar.depth)
        pull = bar.area * float(np.clip(stress, -bar.yield_stress, bar.yield_stress))
        force, moment = force - pull, moment + pull * bar.depth
    return float(force), float(moment)


@given(specimens(), st.floats(-5e-4, 3e-3), st.floats(-0.01, 0.02))
def test_exact_integration_is_what_thin_strips_come_near_to(specimen, top, bend):
    height = specimen.section.height
    strains = Strains(top, bend / height)
    force, moment = by_strips(specimen, strains)
    scale = specimen.concrete.strength * height * specimen.section.width
    assert axial_of(specimen, strains) == pytest.approx(force, abs=2e-3 * scale)
    assert moment_of(specimen, strains) == pytest.approx(moment, abs=2e-3 * scale * height)


@given(specimens(), st.floats(0.0, 0.9))
def test_what_is_solved_is_in_equilibrium(specimen, share):
    moment = share * ultimate(specimen).moment
    strains = solve(specimen, moment)
    scale = ultimate(specimen).moment / specimen.section.height
    assert axial_of(specimen, strains) == pytest.approx(0.0, abs=1e-6 * scale)
    assert moment_of(specimen, strains) == pytest.approx(moment, abs=1e-6 * scale)
    assert strains.at(0.0) == strains.top


@given(specimens())
def test_stress_under_no_moment_is_what_the_file_says(specimen):
    rest = solve(specimen, 0.0)
    for i, tendon in enumerate(specimen.tendons):
        if tendon.stress_at == "no moment":
            assert tendon_stress(specimen, rest, i) == pytest.approx(tendon.stress, rel=1e-9)
        else:
            assert prestrains(specimen)[i] == pytest.approx(
                prestrains(replace(specimen, tendons=specimen.tendons[::-1]))[-1 - i], rel=1e-12
            )


@given(specimens(), st.floats(0.0, 0.9))
def test_a_tendon_held_at_the_stress_it_has_changes_nothing(specimen, share):
    moment = share * ultimate(specimen).moment
    bonded = solve(specimen, moment)
    held = [tendon_stress(specimen, bonded, i) for i in range(len(specimen.tendons))]
    free = solve(specimen, moment, held)
    assert free.top == pytest.approx(bonded.top, rel=1e-6, abs=1e-10)
    height = specimen.section.height
    assert free.at(height) == pytest.approx(bonded.at(height), rel=1e-6, abs=1e-10)


@given(specimens(), st.lists(st.floats(-0.2, 1.3), min_size=1, max_size=6))
def test_an_array_of_moments_has_the_strains_of_its_numbers(specimen, shares):
    moments = np.array(shares) * ultimate(specimen).moment
    many = solve(specimen, moments)
    for i, moment in enumerate(moments):
        one = solve(specimen, float(moment))
        assert many.top[i] == pytest.approx(one.top, rel=1e-9, abs=1e-12, nan_ok=True)
        assert many.curvature[i] == pytest.approx(one.curvature, rel=1e-9, abs=1e-11, nan_ok=True)


def test_moments_and_held_stresses_broadcast():
    moments, held = np.array([[30e3], [50e3]]), np.array([[1100e6, 1200e6, 1300e6]])
    found = solve(U1, moments, [held])
    assert found.top.shape == found.curvature.shape == (2, 3)
    assert found.top[1, 2] == pytest.approx(solve(U1, 50e3, [1300e6]).top, rel=1e-9)
    # More pull in the tendon bends the section back.
    assert np.all(np.diff(found.curvature, axis=1) < 0)


@pytest.mark.nights
@given(specimens())
def test_beyond_the_ultimate_nothing_balances(specimen):
    end = ultimate(specimen).moment
    assert np.isnan(solve(specimen, 1.5 * end).top)
    assert np.isnan(solve(specimen, np.array([0.1 * end, 1.5 * end])).top).tolist() == [False, True]


def test_a_concrete_that_weakens_is_followed_to_the_largest_moment():
    """Hognestad's shape: a parabola to 50 MPa at .002, then straight down to half at .004."""
    rise = [(e, 50e6 * (2 * e / 0.002 - (e / 0.002) ** 2)) for e in np.linspace(0, 0.002, 9)]
    points = (*((float(e), float(s)) for e, s in rise), (0.004, 25e6))
    law = replace(U1.concrete, law="points", law_points=points, ultimate_strain=0.004)
    weak = replace(U1, concrete=law)
    peak = max(moment_curvature(weak, 200), key=lambda state: state.moment)
    assert ultimate(weak).moment < 0.99 * peak.moment
    assert 0.002 < peak.top_strain < 0.004
    near = solve(weak, 0.9999 * peak.moment)
    assert near.top < peak.top_strain
    assert axial_of(weak, near) == pytest.approx(0.0, abs=1e-3)
    assert np.isnan(solve(weak, 1.001 * peak.moment).top)


def test_without_any_steel_that_bears_no_moment_balances():
    loose = replace(U1, tendons=())
    assert np.isnan(solve(loose, 1e3).top)
    assert solve(loose, 0.0).top == 0.0


def test_a_prestress_that_crushes_the_concrete_has_no_equilibrium():
    crushed = replace(U1, tendons=(replace(U1.tendons[0], area=4e-3),))
    assert np.isnan(prestrains(crushed)[0])
    assert np.isnan(ultimate(crushed).moment)


def test_a_tendon_at_its_ultimate_strain_ends_the_section_before_the_concrete():
    """Own equilibrium by hand: 20 mm2 at .035 bear 1860 MPa, the lever is nearly the depth."""
    thin = replace(R1, tendons=(replace(R1.tendons[0], area=20e-6),))
    end = ultimate(thin)
    assert end.part == "tendon"
    assert end.tendon_stress[0] == pytest.approx(1860e6, rel=1e-9)
    assert end.top_strain < thin.concrete.ultimate_strain
    pull = 20e-6 * 1860e6
    assert 0.97 * pull * 0.25 < end.moment < pull * 0.25
    strain = prestrains(thin)[0] - (end.top_strain - end.top_strain / end.neutral_axis * 0.25)
    assert strain == pytest.approx(STRAND.ultimate_strain, rel=1e-9)
    assert solve(thin, 0.999 * end.moment).top < end.top_strain
    assert np.isnan(solve(thin, 1.001 * end.moment).top)
