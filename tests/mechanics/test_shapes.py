"""Outlines of sections against formulas of geometry, and self weight by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.shapes import (
    gross,
    load_at,
    moment_under,
    pieces,
    self_moment,
    self_weight,
    shear_span,
    width_at,
)
from rig.mechanics.specimen import Concrete, Section, Specimen
from tests.mechanics.sections import outlines, specimens


def outline(*points: tuple[float, float], height: float) -> Section:
    return Section("general", height, points[0][1], points[0][1], 3.0, 1.0, points)


def test_a_trapezoid_has_the_properties_of_the_formula():
    """Area (a + b) h/2, centroid h (a + 2b) / 3(a + b), I = h3 (a2 + 4ab + b2) / 36(a + b)."""
    a, b, h = 0.12, 0.30, 0.4
    found = gross(Section("trapezoid", h, a, b, 3.0, 1.0))
    assert found.area == pytest.approx((a + b) * h / 2, rel=1e-12)
    assert found.centroid == pytest.approx(h * (a + 2 * b) / (3 * (a + b)), rel=1e-12)
    inertia = h**3 * (a**2 + 4 * a * b + b**2) / (36 * (a + b))
    assert found.inertia == pytest.approx(inertia, rel=1e-12)
    assert found.bottom_modulus(h) == pytest.approx(inertia / (h - found.centroid), rel=1e-12)


def test_a_t_beam_is_the_sum_of_two_rectangles():
    """Flange 600 x 100, web 200 x 300 mm: parallel axes by hand."""
    found = gross(outline((0.0, 0.6), (0.1, 0.6), (0.1, 0.2), (0.4, 0.2), height=0.4))
    assert found.area == pytest.approx(0.12, rel=1e-12)
    assert found.centroid == pytest.approx((0.06 * 0.05 + 0.06 * 0.25) / 0.12, rel=1e-12)
    inertia = 0.6 * 0.1**3 / 12 + 0.2 * 0.3**3 / 12 + 2 * 0.06 * 0.1**2
    assert found.inertia == pytest.approx(inertia, rel=1e-12)


def test_a_step_in_the_outline_is_no_slice():
    assert len(pieces(outline((0.0, 0.6), (0.1, 0.6), (0.1, 0.2), (0.4, 0.2), height=0.4))) == 2


def test_an_outline_keeps_its_first_and_last_width_beyond_its_ends():
    short = gross(outline((0.1, 0.3), (0.2, 0.1), height=0.5))
    whole = gross(outline((0.0, 0.3), (0.1, 0.3), (0.2, 0.1), (0.5, 0.1), height=0.5))
    assert short == whole


@given(outlines())
def test_a_section_by_height_has_the_properties_of_thin_strips(section):
    strips = 20_000
    area = first = second = 0.0
    step = section.height / strips
    slices = pieces(section)
    for i in range(strips):
        y = (i + 0.5) * step
        width = next(float(width_at(p, y)) for p in slices if p.top <= y <= p.bottom)
        area, first, second = (
            area + width * step,
            first + width * step * y,
            second + y**2 * (width * step),
        )
    found = gross(section)
    assert found.area == pytest.approx(area, rel=1e-3)
    assert found.centroid == pytest.approx(first / area, rel=1e-3)
    assert found.inertia == pytest.approx(second - first**2 / area, rel=2e-3)


def test_self_weight_bends_by_w_l2_over_8():
    """1.44 N/mm over 3000 mm: 1.62 kNm, of 200 x 300 mm at 2447.3 kg/m3."""
    concrete = Concrete(50e6, 35e9, 4e6, 24e3 / 9.80665, "parabola-rectangle", 0.002, 0.0035)
    specimen = Specimen("beam", Section("rectangle", 0.3, 0.2, 0.2, 3.0, 1.0), concrete, ())
    assert self_weight(specimen) == pytest.approx(1440.0, rel=1e-12)
    assert self_moment(specimen) == pytest.approx(1620.0, rel=1e-12)
    assert shear_span(specimen.section) == 1.0
    assert load_at(specimen, 21_620.0) == pytest.approx(40e3, rel=1e-12)


@given(specimens(), st.floats(-1e6, 1e6))
def test_actuator_loads_and_section_moments_go_both_ways(specimen, load):
    assert load_at(specimen, moment_under(specimen, load)) == pytest.approx(load, abs=1e-6)
