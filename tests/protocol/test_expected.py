"""What a specimen file lets one expect of a specimen: by hand, and of any beam at all."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.bending import load_point_flexibility, midspan_flexibility, shear_flexibility
from rig.mechanics.section import ultimate
from rig.mechanics.shapes import self_moment
from rig.protocol.expected import expected, midspan_deflection, rod_travel
from tests.mechanics.sections import specimens
from tests.protocol.texts import BY_SERIES, PRISM, WET, load_edited, shipped, shipped_names

PRISM_PLAN = load_edited({WET: BY_SERIES})


def test_the_rod_moves_with_the_load_points_and_the_gauge_with_the_middle():
    """Uncracked below decompression: both by the closed forms of beam theory."""
    specimen = PRISM_PLAN.specimen
    estimate = expected(specimen)
    section, modulus = specimen.section, specimen.concrete.modulus
    arm = (section.span - section.load_spacing) / 2
    low, high = 0.1 * estimate.decompression_load, 0.9 * estimate.decompression_load
    middle = midspan_deflection(estimate, high) - midspan_deflection(estimate, low)
    assert middle == pytest.approx((high - low) / estimate.stiffness)
    shear = shear_flexibility(section.width * section.height, modulus, arm)
    bend = 1 / estimate.stiffness - shear
    stiffness = midspan_flexibility(1.0, section.span, arm) / bend
    point = load_point_flexibility(stiffness, section.span, arm) + shear
    assert rod_travel(specimen, estimate, low, high) == pytest.approx((high - low) * point)
    # Thirds of the span: the load points go 20/23 as far as the middle, by bending.
    assert bend * 20 / 23 + shear == pytest.approx(point)


def test_beyond_decompression_the_cracked_section_bends_on():
    specimen = PRISM_PLAN.specimen
    estimate = expected(specimen)
    load = estimate.decompression_load
    more = midspan_deflection(estimate, load + 1e3) - midspan_deflection(estimate, load)
    assert more == pytest.approx(1e3 / estimate.cracked_stiffness)
    whole = rod_travel(specimen, estimate, load - 2e3, load + 2e3)
    halves = rod_travel(specimen, estimate, load - 2e3, load) + rod_travel(
        specimen, estimate, load, load + 2e3
    )
    assert whole == pytest.approx(halves)


@given(specimens(), st.floats(0.0, 0.9))
def test_of_any_beam_something_can_be_expected(specimen, share):
    assume(self_moment(specimen) < 0.9 * ultimate(specimen).moment)
    estimate = expected(specimen)
    load = estimate.ultimate_load
    assert 0 < load < math.inf
    bends, goes = midspan_deflection(estimate, load), rod_travel(specimen, estimate, 0, load)
    assert 0 < goes <= bends * (1 + 1e-9) < math.inf
    assert rod_travel(specimen, estimate, share * load, load) <= goes


def test_every_specimen_that_comes_along_can_be_expected():
    assert shipped(PRISM)
    for name in shipped_names("specimens"):
        plan = load_edited({WET: BY_SERIES.replace(PRISM, name)})
        assert expected(plan.specimen).ultimate_load > 0
