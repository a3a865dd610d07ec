"""What a specimen file lets one expect of a specimen: by hand, and of any beam at all."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.bending import load_point_flexibility, midspan_flexibility, shear_flexibility
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon
from rig.protocol.expected import expected, midspan_deflection, rod_travel
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


LAWS = st.sampled_from(
    [SteelLaw("power", preset="strand-270"), SteelLaw("bilinear", 1.6e9, 1.8e9, 0.035)]
)


@st.composite
def specimens(draw: st.DrawFn) -> Specimen:
    """Draw a beam between a small prism and a bridge girder, with tendons or with bars only."""
    height = draw(st.floats(0.1, 1.5))
    width, bottom = draw(st.floats(0.1, 1.0)), draw(st.floats(0.1, 1.0))
    span = height * draw(st.floats(4.0, 25.0))
    depth = height * draw(st.floats(0.3, 0.95))
    area = width * height * draw(st.floats(5e-4, 0.02))
    shape = "rectangle" if bottom == width else "trapezoid"
    tendon = Tendon(
        area, depth, 195e9, "pre-tensioned", draw(st.floats(0, 1.2e9)), "no moment", draw(LAWS)
    )
    only_bars = draw(st.booleans())
    strength = draw(st.floats(20e6, 90e6))
    return Specimen(
        "drawn",
        Section(shape, height, width, bottom, span, span * draw(st.floats(0.05, 0.6))),
        Concrete(strength, 35e9, 4e6, 2400.0, "rectangular block", 0.002, 0.003),
        () if only_bars else (tendon,),
        (Bar(area, depth, 200e9, 500e6),) if only_bars else (),
    )


def test_a_beam_without_tendons_carries_what_its_bars_do():
    """A h f_y lever of the stress block by hand: 200 x 300 mm, 600 mm2 at 260 mm, 500 MPa."""
    section = Section("rectangle", 0.3, 0.2, 0.2, 3.0, 1.0)
    concrete = Concrete(30e6, 33e9, 2.9e6, 2400.0, "rectangular block", 0.002, 0.0035)
    beam = Specimen("bars", section, concrete, (), (Bar(600e-6, 0.26, 200e9, 500e6),))
    pull = 600e-6 * 500e6
    lever = 0.26 - pull / (30e6 * 0.2) / 2
    assert expected(beam).ultimate_load == pytest.approx(2 * pull * lever / 1.0, rel=1e-6)
    assert expected(beam).decompression_load <= 0


@given(specimens(), st.floats(0.0, 0.9))
def test_of_any_beam_something_can_be_expected(specimen, share):
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
