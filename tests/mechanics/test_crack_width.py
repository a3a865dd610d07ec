"""Crack widths and stiffness of codes against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.crack_width import (
    PLAIN,
    bischoff_inertia,
    branson_inertia,
    crack_width,
    cracked_share,
    eurocode_inertia,
    strain_difference,
    tension_height,
    widest_spacing,
)


def test_a_worked_example_has_its_crack_width():
    """EC2 Worked Examples, example 7.3 (inputs as reproduced in a public test): 0.184 mm.

    400 x 600 mm, cover 40, six bars of 24 mm at 548 mm, n = 15; structuralcodes 0.7.2
    (ec2_2004) gives the same digits as here.
    """
    axis, stress = 0.23786146, 234.29134e6
    high = tension_height(0.6, 0.548, axis)
    assert high == pytest.approx(0.120712846, rel=1e-7)
    ratio = 2712e-6 / (0.4 * high)
    assert ratio == pytest.approx(0.05616635, rel=1e-6)
    spacing = widest_spacing(0.04, 0.024, ratio)
    assert spacing == pytest.approx(0.208641359, rel=1e-7)
    longer = strain_difference(stress, 200e9, ratio, 0.3e6 * 30 ** (2 / 3), 15.0, 0.6)
    assert longer == pytest.approx(8.864073e-4, rel=1e-6)
    assert crack_width(spacing, longer) == pytest.approx(0.184941e-3, abs=5e-10)
    # The same with the effective height of 130 mm that another reader of the example took.
    assert widest_spacing(0.04, 0.024, 0.05215385) == pytest.approx(0.2142301, rel=1e-6)


def test_small_cases_have_the_digits_of_a_public_library():
    """structuralcodes 0.7.2, ec2_2004; the fourth is a test of the library blue-prints."""
    assert widest_spacing(0.03, 0.012, 0.02) == pytest.approx(0.204, rel=1e-12)
    longer = strain_difference(250e6, 200e9, 0.02, 2.9e6, 6.06)
    assert longer == pytest.approx(9.24852e-4, rel=1e-6)
    assert crack_width(0.204, longer) == pytest.approx(0.18866981e-3, rel=1e-6)
    assert strain_difference(400e6, 200e9, 0.02, 2.5e6, 200 / 30, 0.6) == pytest.approx(
        0.001575, rel=1e-9
    )
    assert widest_spacing(0.03, 0.007, 0.01, PLAIN) == pytest.approx(0.340, rel=1e-12)


def test_concrete_takes_no_more_than_four_tenths_of_the_strain():
    assert strain_difference(100e6, 200e9, 0.005, 3e6, 6.0) == pytest.approx(0.6 * 100e6 / 200e9)


def test_effective_inertias_have_their_text_book_values():
    """Branson, Bischoff, EN 1992-1-1 (7.18) with beta 0.5; values by independent computation.

    Gross 450e6, cracked 120e6 mm4, cracking moment over moment 20/35.
    """
    whole, cracked, ratio = 450e-6, 120e-6, 20 / 35
    assert branson_inertia(whole, cracked, ratio) == pytest.approx(181_574_344.0e-12, rel=1e-9)
    assert bischoff_inertia(whole, cracked, ratio) == pytest.approx(157_781_753.1e-12, rel=1e-9)
    share = cracked_share(ratio, 1.0)
    assert share == pytest.approx(0.8367347, rel=1e-7)
    assert eurocode_inertia(whole, cracked, share) == pytest.approx(136_321_483.8e-12, rel=1e-8)
    # blue-prints, test of (7.19).
    assert cracked_share(200e6, 400e6) == 0.875


@given(st.floats(0.01, 0.9), st.floats(0.0, 3.0))
def test_stiffness_lies_between_cracked_and_whole(part: float, ratio: float):
    """Up to its cracking moment a beam is whole by all three."""
    found = np.array(
        [
            branson_inertia(1.0, part, ratio),
            bischoff_inertia(1.0, part, ratio),
            eurocode_inertia(1.0, part, cracked_share(ratio, 1.0, repeated=False)),
        ]
    )
    assert np.all((found >= part * (1 - 1e-12)) & (found <= 1 + 1e-12))
    if ratio >= 1:
        assert found == pytest.approx(1.0)


def test_arrays_of_moments_have_their_stiffness_one_by_one():
    ratios = np.array([2.0, 1.0, 0.5, 0.0])
    one_by_one = [branson_inertia(4.0, 1.0, float(r)) for r in ratios]
    assert branson_inertia(4.0, 1.0, ratios).tolist() == one_by_one
