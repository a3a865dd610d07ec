"""What a static test should show: by hand from the sections, and of any beam at all."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import assume, given

from rig.mechanics.bending import midspan_flexibility, shear_flexibility
from rig.mechanics.code_stress import ultimate_by_code
from rig.mechanics.estimate import StaticEstimate, static_estimate
from rig.mechanics.rigidity import cracked_rigidity, uncracked_rigidity
from rig.mechanics.section import (
    cracking_moment,
    decompression_moment,
    state_at,
    ultimate,
    uncracked_state,
)
from rig.mechanics.shapes import load_at, self_moment
from rig.mechanics.specimen import Bar, Specimen
from tests.mechanics.sections import R1, U1, specimens

UNBONDED = "post-tensioned unbonded"


def loads(estimate: StaticEstimate) -> tuple[float, ...]:
    return (
        estimate.decompression_load,
        estimate.cracking_load,
        estimate.yield_load,
        estimate.ultimate_load,
    )


def heavy(specimen: Specimen, density: float) -> Specimen:
    return replace(specimen, concrete=replace(specimen.concrete, density=density))


def test_r1_bears_the_load_of_its_ultimate_moment():
    """225.5439 kN at M_u with shear spans of 1 m, without self weight (check section R1)."""
    found = static_estimate(R1)
    assert found.ultimate_load == pytest.approx(225.5439e3, rel=1e-6)
    assert found.cracking_load == pytest.approx(2 * 56.389268e3, rel=1e-7)
    assert found.decompression_load == pytest.approx(2 * 43.780958e3, rel=1e-7)
    assert found.span == 3.0


def test_r1_bends_uncracked_as_the_transformed_section_does():
    """1.16974996 mm by bending under P = 20 kN at each third point (check section R1)."""
    bends = 40e3 * midspan_flexibility(uncracked_rigidity(R1), 3.0, 1.0)
    assert bends == pytest.approx(1.16974996e-3, rel=1e-8)
    whole = 40e3 / static_estimate(R1).stiffness
    assert whole == pytest.approx(bends + 40e3 * shear_flexibility(0.06, 35e9, 1.0), rel=1e-12)


def test_a_beam_that_breaks_as_it_cracks_bears_no_less_than_its_cracking_load():
    thin = replace(R1, tendons=tuple(replace(t, area=t.area / 10) for t in R1.tendons))
    assert ultimate(thin).moment < cracking_moment(thin)
    found = static_estimate(thin)
    assert found.ultimate_load == pytest.approx(1.02 * found.cracking_load)
    assert all(a < b for a, b in pairwise(loads(found)))


def test_self_weight_takes_its_share_of_every_load():
    weighing = heavy(R1, 2400.0)
    less = 2 * self_moment(weighing) / 1.0
    assert less == pytest.approx(2 * 2400 * 0.06 * 9.80665 * 9 / 8, rel=1e-12)
    light, found = loads(static_estimate(R1)), loads(static_estimate(weighing))
    assert [a - b for a, b in zip(light, found, strict=True)] == pytest.approx([less] * 4)


def test_bars_beside_tendons_count():
    more = replace(R1, bars=(Bar(200e-6, 0.26, 200e9, 500e6),))
    plain, found = static_estimate(R1), static_estimate(more)
    assert found.ultimate_load > plain.ultimate_load + 2 * 0.8 * 200e-6 * 500e6 * 0.2
    assert found.stiffness > plain.stiffness
    assert found.cracked_stiffness > 1.2 * plain.cracked_stiffness


def test_a_cracked_section_is_that_of_the_text_books():
    """b c2/2 = n A (d - c); I = b c3/3 + n A (d - c)2 (any book on reinforced concrete)."""
    lower = replace(R1, tendons=R1.tendons[:1])
    steel = 195 / 35 * 300e-6
    axis = (math.sqrt(steel**2 + 2 * 0.2 * steel * 0.250) - steel) / 0.2
    inertia = 0.2 * axis**3 / 3 + steel * (0.250 - axis) ** 2
    assert cracked_rigidity(lower) == pytest.approx(35e9 * inertia, rel=1e-9)


def test_a_section_softens_towards_its_cracked_stiffness():
    """The tangent of the elastic cracked curve well above decompression."""
    service = replace(R1, concrete=replace(R1.concrete, law="points", law_points=((1.0, 35e9),)))
    at = [state_at(service, moment).curvature for moment in (95e3, 96e3)]
    assert 1e3 / (at[1] - at[0]) == pytest.approx(cracked_rigidity(R1), rel=0.1)


def test_a_beam_is_stiff_to_decompression_and_soft_from_there_to_yield():
    """With the loads together no length yields: 1.3 times the deflection at yield is left."""
    short = replace(R1, section=replace(R1.section, load_spacing=0.01))
    found = static_estimate(short)
    at_yield = found.decompression_load / found.stiffness
    at_yield += (found.yield_load - found.decompression_load) / found.cracked_stiffness
    assert found.ultimate_deflection == pytest.approx(1.3 * at_yield, rel=1e-9)


def test_without_bond_a_beam_bears_less_than_with_it_and_softens_as_well():
    loose = replace(U1, tendons=(replace(U1.tendons[0], bond=UNBONDED),))
    bonded, free = static_estimate(U1), static_estimate(loose)
    assert free.ultimate_load == pytest.approx(load_at(loose, ultimate_by_code(loose).moment))
    # The code is careful: following the tendon along the beam gives 95.36 kNm (check case U1).
    assert 0.75 * bonded.ultimate_load < free.ultimate_load < 2 * 95.364e3
    assert free.cracked_stiffness < 0.5 * free.stiffness


def test_without_bond_it_softens_evenly_up_to_nine_tenths_of_its_ultimate_moment():
    loose = replace(U1, tendons=(replace(U1.tendons[0], bond=UNBONDED),))
    end = ultimate_by_code(loose)
    opens, far = decompression_moment(loose), 0.9 * end.moment
    risen = 1100e6 + (far - opens) / (end.moment - opens) * (end.tendon_stress[0] - 1100e6)
    bent = state_at(loose, far, [risen]).curvature - uncracked_state(loose, opens).curvature
    assert cracked_rigidity(loose) == pytest.approx((far - opens) / bent, rel=1e-9)


def test_a_law_that_is_stiffer_than_the_modulus_stiffens_no_cracked_beam():
    """A parabola begins with 2 x 50 MPa over 0.002, 50 GPa; the file says 15."""
    (tendon,) = U1.tendons
    soft = replace(
        U1,
        concrete=replace(U1.concrete, modulus=15e9),
        tendons=(replace(tendon, bond=UNBONDED, area=800e-6, stress=1200e6),),
    )
    assert cracked_rigidity(soft) == uncracked_rigidity(soft)


@given(specimens())
def test_the_loads_of_any_beam_rise_in_order(specimen):
    assume(self_moment(specimen) < 0.9 * ultimate(specimen).moment)
    found = static_estimate(specimen)
    assert found.decompression_load >= 0
    assert all(a < b for a, b in pairwise(loads(found)))
    assert 0 < found.cracked_stiffness <= found.stiffness
    assert found.ultimate_load / found.stiffness < found.ultimate_deflection < math.inf


@given(specimens(bond=UNBONDED))
def test_the_loads_of_any_beam_without_bond_rise_in_order(specimen):
    assume(self_moment(specimen) < 0.9 * ultimate_by_code(specimen).moment)
    found = static_estimate(specimen)
    assert found.decompression_load >= 0
    assert all(a < b for a, b in pairwise(loads(found)))
    assert 0 < found.cracked_stiffness <= found.stiffness
    assert 0 < cracked_rigidity(specimen) <= uncracked_rigidity(specimen)


def test_a_beam_that_its_own_weight_opens_is_open_from_the_first_load():
    """Decompression and cracking under self weight alone; the loads still rise."""
    weights = [1.02 * decompression_moment(R1), 1.05 * cracking_moment(R1)]
    for moment in weights:
        density = moment * 8 / 9 / 0.06 / 9.80665
        found = static_estimate(heavy(R1, density))
        assert found.decompression_load == 0.0
        assert all(a < b for a, b in pairwise(loads(found)))
        left = 2 * (ultimate(R1).moment - moment)
        assert found.ultimate_load == pytest.approx(left, rel=1e-9)
