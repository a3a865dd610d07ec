"""What holds of any beam that loses bond, by both models: order, no jumps, units."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.bond_laws import BondLaw, ribbed, transmission
from rig.mechanics.crack import Cracks, crack_at, loose_tendons
from rig.mechanics.crack_ultimate import ultimate_at_crack
from rig.mechanics.debonding import curves
from rig.mechanics.discrete import at_crack
from rig.mechanics.section import decompression_moment
from rig.mechanics.shapes import load_at
from rig.mechanics.slipping import slipped
from rig.mechanics.smeared import debonded
from rig.mechanics.specimen import Specimen
from rig.mechanics.whole_concrete import whole_concrete
from tests.mechanics.drawn_sections import drawn
from tests.mechanics.sections import R1, U1, specimens
from tests.mechanics.test_across import SI, US, read_again

WIRE = 0.0127
LAWS: list[BondLaw] = [transmission(4.0e6), ribbed(50e6)]


def one_layer(drawn: Specimen) -> Specimen:
    """Return a beam with nothing in it but its lowest tendons, and without weight."""
    light = replace(drawn.concrete, density=0.0)
    return replace(drawn, concrete=light, tendons=drawn.tendons[:1], bars=())


def rises(values: object, within: float) -> bool:
    """Tell whether values rise with their place, but for a share of the largest."""
    known = np.asarray(values)
    return bool(np.all(np.diff(known) >= -within * np.abs(known).max()))


@pytest.mark.nights
@given(specimens(), st.sampled_from(LAWS), st.floats(0.3, 0.95))
def test_as_bond_is_lost_a_crack_opens_and_its_tendon_bears_less(
    drawn: Specimen, bond: BondLaw, share: float
):
    beam = one_layer(drawn)
    lengths = np.linspace(0.0, beam.section.load_spacing, 9)
    least = np.nanmin(ultimate_at_crack(beam, lengths, bond, None, WIRE).moment)
    assume(share * least > 1.02 * decompression_moment(beam))
    found = at_crack(beam, load_at(beam, share * least), lengths, bond, None, WIRE)
    assert not np.any(np.isnan(found.opening))
    # Bond is tabulated: to some thousandths where hardly any is left.
    assert rises(found.opening, 1e-3)
    assert rises(-np.asarray(found.tendon_stress[0]), 1e-3)


@pytest.mark.nights
@given(specimens(), st.sampled_from(LAWS), st.floats(0.0, 1.0))
def test_a_crack_opens_with_the_load(drawn: Specimen, bond: BondLaw, part: float):
    beam = one_layer(drawn)
    length = part * beam.section.load_spacing
    first, most = decompression_moment(beam), ultimate_at_crack(beam, length, bond, None, WIRE)
    assume(most.moment > 1.1 * first > 0)
    moments = first + np.linspace(0.01, 0.97, 9) * (most.moment - first)
    found = at_crack(beam, load_at(beam, moments), length, bond, None, WIRE)
    # At a single load of a drawn beam a search may still come to no end.
    opening = np.asarray(found.opening)
    known = ~np.isnan(opening)
    assert known.sum() >= 7
    assert rises(opening[known], 1e-6)


@pytest.mark.parametrize("bond", LAWS)
@pytest.mark.parametrize("beam", [R1, U1])
def test_no_load_is_without_an_end_where_steel_begins_to_yield(beam: Specimen, bond: BondLaw):
    first, most = decompression_moment(beam), ultimate_at_crack(beam, 0.0, bond, None, WIRE).moment
    moments = first + np.linspace(0.01, 0.99, 60) * (most - first)
    found = at_crack(beam, load_at(beam, moments), 0.0, bond, None, WIRE)
    assert np.all(np.diff(found.opening) > 0)
    stress, knee = np.asarray(found.tendon_stress[0]), beam.tendons[0].law.yield_stress
    assert stress.min() < knee < stress.max()


def test_no_load_is_without_an_end_where_a_second_layer_hardly_slips():
    """Just above decompression the slip of an upper layer begins flat."""
    beam = next(islice(drawn(1, (0.03, 0.2)), 7, None))
    bond, apart = LAWS[0], 0.8 * beam.section.height
    first, most = decompression_moment(beam), ultimate_at_crack(beam, 0.0, bond, apart, WIRE)
    moments = first + np.array([0.019, 0.02, 0.021, 0.022]) * (most.moment - first)
    found = at_crack(beam, load_at(beam, moments), 0.0, bond, apart, WIRE)
    assert np.all(np.diff(found.opening) > 0)


def test_the_bond_takes_the_energy_of_a_tendon_that_yields():
    """By the two straight lines of its law: the integral of the strain gained over the stress."""
    beam, numbers = U1, loose_tendons(U1)
    concrete, (tendon,) = whole_concrete(beam, numbers), beam.tendons
    strain = np.linspace(0.007, 0.02, 27)
    none = np.zeros_like(strain)
    load = np.full_like(strain, load_at(beam, 1.5 * decompression_moment(beam)))
    crack = crack_at(beam, concrete, Cracks(LAWS[0], None, WIRE), load, none)
    law, knee = tendon.law, tendon.law.yield_stress / tendon.modulus
    hard = (law.ultimate - law.yield_stress) / (law.ultimate_strain - knee)
    stress = np.minimum(tendon.modulus * strain, law.yield_stress + hard * (strain - knee))
    far = concrete.far(crack.front, (stress - concrete.stress)[:, None])[:, 0]
    begun = concrete.strain[0] + far / tendon.modulus
    until, after = np.minimum(strain, knee) - begun, np.maximum(strain, knee) - begun
    steel = tendon.modulus * until**2 / 2 + hard * (after**2 - (knee - begun) ** 2) / 2
    gives = concrete.answer(0) * (stress - concrete.stress[0] - far) ** 2 / 2
    energy = slipped(crack, strain[:, None]).energy[:, 0]
    np.testing.assert_allclose(energy, steel + gives, rtol=1e-9)
    assert np.all(np.diff(energy) > 0)


@pytest.mark.parametrize("bond", LAWS)
@pytest.mark.parametrize("beam", [R1, U1])
def test_nothing_jumps_where_a_crack_opens(beam: Specimen, bond: BondLaw):
    """Closed and open cracks meet at decompression: what rises there goes on from where it is."""
    moments = np.linspace(0.98, 1.02, 41) * decompression_moment(beam)
    loads = load_at(beam, moments)
    crack, smeared = at_crack(beam, loads, 0.4, bond, None, WIRE), debonded(beam, loads, 2.0)
    for found in (crack, smeared):
        for values in (found.concrete_top, found.deflection, found.tendon_stress[0]):
            step = np.diff(values)
            assert np.all(step > 0)
            assert step.max() < 1.3 * step.min()
    assert np.all(np.diff(crack.opening) >= 0)
    assert np.count_nonzero(crack.opening) in {20, 21}


@pytest.mark.endurance
@given(specimens(), st.floats(0.4, 0.8), st.sampled_from(["even", "ribbed"]))
def test_curves_of_a_file_in_us_units_are_those_of_the_file_in_si(
    drawn: Specimen, share: float, kind: str
):
    one, other = read_again(drawn, SI), read_again(drawn, US)
    assume(one is not None and other is not None)
    assert one is not None
    assert other is not None
    upper = share * float(load_at(one, ultimate_at_crack(one, 0.0, LAWS[0]).moment))
    assume(upper > 0)
    told = []
    for beam in (one, other):
        concrete = beam.concrete
        even = transmission(concrete.tensile_strength)
        law = even if kind == "even" else ribbed(concrete.strength)
        told.append(curves(beam, 0.1 * upper, upper, 4, Cracks(law, None, WIRE)))
    for here, there in zip(*told, strict=True):
        for name in ("tendon_stress", "concrete_top", "deflection", "ultimate_moment", "opening"):
            if (values := getattr(here, name)) is not None:
                scale = np.nanmax(np.abs(values), initial=1e-6)
                again = getattr(there, name)
                np.testing.assert_allclose(again, values, rtol=1e-5, atol=1e-5 * scale)
