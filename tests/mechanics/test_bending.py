"""Closed forms of four-point bending against published values and against plain integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.bending import (
    constant_moment_deflection,
    crack_deflection,
    crack_rotation,
    draped_camber,
    end_rotation_flexibility,
    load_for_moment,
    load_point_flexibility,
    midspan_flexibility,
    modulus_of_rupture,
    moment,
    parabolic_camber,
    relative_deflection,
    shear_flexibility,
    straight_camber,
    weight_deflection,
)

EI = 35e9 * 4.5e-4
"""200 x 300 mm, 35 GPa."""

LBF, IN, PSI = 4.4482216152605, 0.0254, 6894.757293168361


@pytest.mark.parametrize(
    ("load", "span", "a", "mid", "point", "bending"),
    [
        (40e3, 3.0, 1.0, 1.216931217e-3, 1.058201058e-3, 20e3),
        (30e3, 2.4, 0.85, 0.4853769841e-3, 0.4357936508e-3, 12.75e3),
    ],
)
def test_elastic_deflections_match_beam_theory(load, span, a, mid, point, bending):
    """Values of the package indeterminatebeam 2.4.0; formulas in any table of beams."""
    assert load * midspan_flexibility(EI, span, a) == pytest.approx(mid, rel=1e-9)
    assert load * load_point_flexibility(EI, span, a) == pytest.approx(point, rel=1e-9)
    assert moment(load, a) == pytest.approx(bending)
    assert load_for_moment(bending, a) == pytest.approx(load)


def test_supports_rotate_and_mid_span_sinks_below_the_load_points():
    """Slope P a (L - a) / (2 EI), kappa s2 / 8 (any table of beams): 0.001269841, 0.158730 mm."""
    assert 40e3 * end_rotation_flexibility(EI, 3.0, 1.0) == pytest.approx(1.26984127e-3, rel=1e-8)
    curvature = 20e3 / EI
    assert curvature == pytest.approx(1.269841270e-3, rel=1e-9)
    assert relative_deflection(curvature, 1.0) == pytest.approx(0.158730159e-3, rel=1e-8)


def test_at_third_points_the_load_points_sink_20_of_23_parts():
    """5 P L3 / 162 EI over 23 P L3 / 648 EI (civilengcalculations.com, beam10)."""
    share = load_point_flexibility(EI, 3.0, 1.0) / midspan_flexibility(EI, 3.0, 1.0)
    assert share == pytest.approx(20 / 23, rel=1e-12)


def test_shear_adds_a_quarter_to_a_short_prism():
    """ASTM C1609 (from memory): 1 + (216/115)(1 + nu)(h/L)^2 at third points, nu = 0.2."""
    bend = midspan_flexibility(35e9 * 0.15**4 / 12, 0.45, 0.15)
    shear = shear_flexibility(0.15**2, 35e9, 0.15)
    assert shear / bend == pytest.approx(0.2504347826, rel=1e-9)
    assert shear / bend == pytest.approx(216 / 115 * 1.2 * (0.15 / 0.45) ** 2, rel=1e-9)
    assert 30e3 * (shear + bend) == pytest.approx(0.0410857e-3, rel=1e-5)
    slender = shear_flexibility(0.06, 35e9, 1.0) / midspan_flexibility(EI, 3.0, 1.0)
    assert slender == pytest.approx(0.02253913, rel=1e-6)


def test_weight_sinks_and_a_straight_tendon_lifts():
    """5 w L4 / 384 EI = 0.0964285714 mm, P e L2 / 8 EI = 3.142857 mm (any table of beams)."""
    assert weight_deflection(1440.0, EI, 3.0) == pytest.approx(0.0964285714e-3, rel=1e-9)
    assert straight_camber(440e3, 0.1, EI, 3.0) == pytest.approx(3.142857e-3, rel=1e-6)


def test_a_handbook_girder_has_its_camber():
    """Hicks, Handbook of Civil Engineering Calculations, 2nd ed., p. 2.66: inputs from there.

    36 ft, 40,000 in4, 4000 psi at release, 340 lb/ft, 430 kip, 8.8 in.
    """
    span, inertia = 36 * 12 * IN, 40_000 * IN**4
    stiffness = 145**1.5 * 33 * math.sqrt(4000) * PSI * inertia
    pull, arm = 430e3 * LBF, 8.8 * IN
    assert weight_deflection(340 * LBF / (12 * IN), stiffness, span) / IN == pytest.approx(
        0.088149, abs=5e-7
    )
    cambers = [f(pull, arm, stiffness, span) / IN for f in (straight_camber, draped_camber)]
    assert cambers == pytest.approx([0.605582, 0.515866], abs=5e-7)
    assert parabolic_camber(pull, arm, stiffness, span) / IN == pytest.approx(0.504651, abs=5e-7)


def test_a_prism_broken_between_the_loads_has_f_l_over_b_d2():
    """ASTM C78 (sample of a published calculation): 5150 lb, 18 in, 6 x 6 in give 429.167 psi."""
    found = modulus_of_rupture(5150 * LBF, 18 * IN, 6 * IN, 6 * IN)
    assert found / PSI == pytest.approx(429.167, abs=5e-4)
    # EN 12390-5 (from memory) is the same formula: 4 MPa exactly.
    assert modulus_of_rupture(30e3, 0.45, 0.15, 0.15) == pytest.approx(4.0e6, rel=1e-12)
    assert modulus_of_rupture(28e3, 0.45, 0.15, 0.15, 0.2) == pytest.approx(3.733333e6, rel=1e-6)


def test_a_fracture_a_little_outside_the_loads_counts_where_it_is():
    """ASTM C78, 3 F a / (b d2): a = 5.5 in gives 393.4028 psi, 140 mm 3.484444 MPa."""
    found = modulus_of_rupture(5150 * LBF, 18 * IN, 6 * IN, 6 * IN, 5.5 * IN)
    assert found / PSI == pytest.approx(393.4028, abs=5e-5)
    assert modulus_of_rupture(28e3, 0.45, 0.15, 0.15, 0.14) == pytest.approx(3.484444e6, rel=1e-6)


def test_a_fracture_far_outside_the_loads_is_discarded():
    """ASTM C78: more than 5 % of the span outside, here 5.1 in from the support."""
    assert modulus_of_rupture(5150 * LBF, 18 * IN, 6 * IN, 6 * IN, 5.11 * IN) > 0
    with pytest.raises(ValueError, match=r"0\.127 m .* from 0\.1295 m on; discard"):
        modulus_of_rupture(5150 * LBF, 18 * IN, 6 * IN, 6 * IN, 0.127)


def test_one_crack_bends_the_beam_about_its_tip():
    """Rigid halves: theta = w / (h - x), theta L / 4 at mid-span, theta a / 2 at a load point."""
    turn = crack_rotation(0.2e-3, 0.3, 0.06)
    assert crack_deflection(turn, 1.5) == pytest.approx(0.625e-3, rel=1e-12)
    assert crack_deflection(turn, 1.0) == pytest.approx(0.416667e-3, rel=1e-6)
    # EN 14651 (from memory) has 0.85 of the mouth opening in a prism of 500 and 150 mm.
    assert crack_deflection(crack_rotation(1.0, 0.147, 0.0), 0.25) == pytest.approx(0.85, rel=1e-3)


def integrated(curvature, span: float) -> float:
    """Return mid-span deflection by virtual work, the half span in fine steps."""
    x = (np.arange(20_000) + 0.5) * span / 40_000
    return float((curvature(x) * x).sum() * span / 40_000)


@given(st.floats(0.05, 0.5), st.floats(0.3, 20.0))
def test_deflections_are_the_virtual_work_of_their_curvature(share: float, span: float):
    a = share * span
    bent = integrated(lambda x: np.minimum(x, a) / 2 / EI, span)
    assert midspan_flexibility(EI, span, a) == pytest.approx(bent, rel=1e-5)
    level = integrated(lambda x: np.where(x >= a, 1e-3, 0.0), span)
    assert constant_moment_deflection(1e-3, span, a) == pytest.approx(level, rel=1e-3, abs=1e-9)
    weighed = integrated(lambda x: x * (span - x) / 2 / EI, span)
    assert weight_deflection(1.0, EI, span) == pytest.approx(weighed, rel=1e-6)
    apart = span - 2 * a
    below = midspan_flexibility(EI, span, a) - load_point_flexibility(EI, span, a)
    assert below == pytest.approx(relative_deflection(a / 2 / EI, apart), rel=1e-6, abs=1e-16)


def test_arrays_of_loads_bend_as_each_load_does():
    loads = np.array([0.0, 10e3, 20e3])
    assert moment(loads, 1.0).tolist() == [0.0, 5e3, 10e3]
    assert weight_deflection(loads, EI, 3.0)[2] == weight_deflection(20e3, EI, 3.0)
