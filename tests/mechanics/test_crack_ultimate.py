"""What discrete cracks bear at most: the section with bond, plain formulas, and their bounds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.bond_laws import BondLaw, ConstantBond, ribbed, transmission
from rig.mechanics.crack_ultimate import ultimate_at_crack
from rig.mechanics.discrete import at_crack
from rig.mechanics.equilibrium import makeup
from rig.mechanics.laws import steel_stress
from rig.mechanics.section import UNBONDED, decompression_moment, state_at, ultimate
from rig.mechanics.shapes import load_at
from rig.mechanics.specimen import Specimen, SteelLaw
from tests.mechanics.sections import R1, U1, specimens

WIRE = 0.0127
LAWS: list[BondLaw] = [transmission(4.0e6), ribbed(50e6)]


@pytest.mark.parametrize(("beam", "most"), [(U1, 103.35337), (R1, 112.771961)])
@pytest.mark.parametrize("bond", LAWS)
def test_close_cracks_that_have_lost_all_bond_bear_what_a_section_with_bond_does(
    beam: Specimen, most: float, bond: BondLaw
):
    """Check section R1 and case U1: 112.771961 and 103.35337 kNm, also by structuralcodes."""
    found = ultimate_at_crack(beam, 0.2, bond, 0.2, WIRE)
    assert found.moment / 1e3 == pytest.approx(most, abs=5e-5)
    end = ultimate(beam)
    assert found.neutral_axis == pytest.approx(end.neutral_axis, rel=1e-6)
    assert found.tendon_stress == pytest.approx(end.tendon_stress, rel=1e-6)


def test_close_cracks_without_bond_end_with_the_block_of_the_code():
    """Force and moment of a block of 0.85 f over beta1 c by hand (ACI 318, 22.2.2)."""
    block = replace(U1.concrete, law="rectangular block", ultimate_strain=0.003)
    beam, tendon = replace(U1, concrete=block), U1.tendons[0]
    found = ultimate_at_crack(beam, 0.2, LAWS[0], 0.2, WIRE)
    force = tendon.area * found.tendon_stress[0]
    depth = force / (0.85 * block.strength * beam.section.width)
    beta1 = 0.85 - 0.05 * (block.strength / 6.894757e6 - 4)
    assert found.neutral_axis == pytest.approx(depth / beta1, rel=1e-5)
    assert found.moment == pytest.approx(force * (tendon.depth - depth / 2), rel=1e-5)


@pytest.mark.nights
@given(specimens(), st.sampled_from(LAWS), st.floats(0.2, 1.0))
def test_any_close_cracks_without_bond_end_as_the_section(
    heavy: Specimen, bond: BondLaw, part: float
):
    """Whatever ends it, by any law of concrete and steel; without the curve of self weight."""
    beam = replace(heavy, concrete=replace(heavy.concrete, density=0.0))
    apart = part * min(beam.section.height, beam.section.load_spacing)
    end = ultimate(beam)
    assume(end.moment > decompression_moment(beam))
    found = ultimate_at_crack(beam, apart, bond, apart, WIRE)
    assert found.moment == pytest.approx(end.moment, rel=1e-5)
    assert found.tendon_stress == pytest.approx(end.tendon_stress, rel=1e-4)


@pytest.mark.nights
@given(specimens(), st.sampled_from(LAWS), st.floats(0.0, 0.9))
def test_its_section_is_in_equilibrium_with_what_its_tendons_bear(
    beam: Specimen, bond: BondLaw, part: float
):
    """The moment of a section whose loose tendons are held at the stress at the crack."""
    assume(ultimate(beam).moment > decompression_moment(beam))
    found = ultimate_at_crack(beam, part * beam.section.span, bond, None, WIRE)
    assume(not math.isnan(found.moment))
    half = beam.section.height / 2
    held = [
        s if t.depth >= half else None
        for s, t in zip(found.tendon_stress, beam.tendons, strict=True)
    ]
    crushed = ultimate(beam, held)
    # Where a tendon tears the concrete is not at its end yet, and the section bears less.
    assert found.moment <= crushed.moment * (1 + 1e-6)
    # The formula of a strand or wire ends below its grade.
    layers = makeup(beam).layers[: len(beam.tendons)]
    ends = [float(steel_stress(t.law, t.modulus, np.array(t.rupture))) for t in layers]
    torn = any(s >= 0.9999 * end for s, end in zip(found.tendon_stress, ends, strict=True))
    assert found.moment == pytest.approx(crushed.moment, rel=1e-6) or torn


@pytest.mark.parametrize("bond", LAWS)
@pytest.mark.parametrize("beam", [R1, U1])
def test_a_crack_bears_less_as_bond_is_lost(beam: Specimen, bond: BondLaw):
    """While concrete ends it; at full bond it bears more than a section with bond."""
    found = ultimate_at_crack(beam, np.linspace(0.05, 2.9, 40), bond, None, WIRE)
    assert np.all(np.diff(found.moment) <= 1e-4 * found.moment[0])
    assert np.all(np.diff(found.tendon_stress[0]) <= 1e-4 * found.tendon_stress[0][0])
    assert ultimate_at_crack(beam, 0.0, bond, None, WIRE).moment > 1.02 * ultimate(beam).moment


@pytest.mark.parametrize("bond", LAWS)
@pytest.mark.parametrize("length", [0.0, 0.3, 2.2])
def test_a_load_that_a_crack_bears_lies_below_its_ultimate(bond: BondLaw, length: float):
    most = float(load_at(U1, ultimate_at_crack(U1, length, bond, None, WIRE).moment))
    below, above = (at_crack(U1, share * most, length, bond, None, WIRE) for share in (0.99, 1.001))
    assert 0.97 * 50e6 < below.concrete_top <= 50e6
    assert math.isnan(above.concrete_top)


def test_a_pulled_in_tendon_leaves_what_its_bond_bears():
    """Even bond u tau l, and the section with just that stress (plain formulas)."""
    tau, length = 6e6, 2.7
    bears = 4 / WIRE * tau * (3.0 - length) / 2
    found = ultimate_at_crack(U1, length, ConstantBond(tau), None, WIRE)
    assert found.tendon_stress[0] == pytest.approx(bears, rel=1e-9)
    assert found.moment == pytest.approx(ultimate(U1, [bears]).moment, rel=1e-9)


def test_a_weak_tendon_tears_at_its_crack_sooner_than_in_a_section():
    """Its strain gathers where it is free; with more length the concrete crushes first."""
    brittle = replace(U1.tendons[0], law=SteelLaw("bilinear", 1640e6, 1700e6, 0.012))
    beam = replace(U1, tendons=(brittle,))
    found = ultimate_at_crack(beam, np.array([0.0, 0.05, 1.0]), LAWS[0], None, WIRE)
    assert found.tendon_stress[0][:2] == pytest.approx(1700e6)
    assert np.all(np.diff(found.moment[:2]) > 0)
    assert found.tendon_stress[0][2] < 1700e6
    state = state_at(beam, 0.9999 * found.moment[0], [1700e6])
    assert state.concrete_top < 50e6
    assert found.moment[2] == pytest.approx(ultimate(beam, [found.tendon_stress[0][2]]).moment)


def test_nothing_holds_a_crack_over_the_whole_span():
    """No bond is left of a pre-tensioned tendon; an anchored one has no need of any."""
    assert math.isnan(ultimate_at_crack(U1, 3.0, LAWS[0], None, WIRE).moment)
    loose = replace(U1, tendons=(replace(U1.tendons[0], bond=UNBONDED),))
    found = ultimate_at_crack(loose, np.array([0.0, 3.0]), LAWS[0], None, WIRE)
    assert found.moment[0] == found.moment[1]
    assert 0.7 * ultimate(U1).moment < found.moment[0] < 95.364e3


def test_a_section_that_crushes_before_it_opens_has_no_crack():
    """Too much prestress for a little concrete: what a beam with bond bears, at any length."""
    much = replace(U1, tendons=(replace(U1.tendons[0], area=1800e-6),))
    assert ultimate(much).moment < decompression_moment(much)
    found = ultimate_at_crack(much, np.array([0.0, 1.0]), LAWS[0], None, WIRE)
    assert found.moment == pytest.approx(ultimate(much).moment, rel=1e-6)
