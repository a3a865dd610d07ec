"""Calibration points, what they say of a channel, uncertainty and class."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.acquire.calibration import (
    CLASSES,
    Errors,
    combined_uncertainty,
    comparison,
    hysteresis,
    lowest_force,
    machine_class,
    shown_values,
    true_values,
)

POINTS = ((0.0, 0.0), (50e3, 50.1e3), (100e3, 100.3e3))


@pytest.mark.parametrize(
    ("shown", "true"),
    [(0, 0), (25e3, 25.05e3), (50e3, 50.1e3), (75e3, 75.2e3), (110e3, 110.34e3), (-1e3, -1.002e3)],
)
def test_between_points_the_line_is_straight_and_beyond_them_it_goes_on(shown, true) -> None:
    assert float(true_values(POINTS, shown)) == pytest.approx(true, rel=1e-12)
    assert float(shown_values(POINTS, true)) == pytest.approx(shown, rel=1e-12)


def test_without_points_all_is_as_it_is_shown() -> None:
    samples = np.array([1.0, math.nan, -3.0], np.float32)
    np.testing.assert_array_equal(true_values((), samples), samples.astype(np.float64))


def test_a_missing_sample_stays_missing() -> None:
    assert np.isnan(true_values(POINTS, np.array([math.nan]))[0])


def test_one_point_is_no_line() -> None:
    with pytest.raises(ValueError, match="a line needs two points, not 1"):
        true_values(((0.0, 1.0),), 2.0)
    with pytest.raises(ValueError, match="needs two points to lie on a line, not 1"):
        comparison(((0.0, 1.0),))


RISING = st.lists(st.floats(0.1, 50.0), min_size=2, max_size=6).map(lambda x: np.cumsum(x).tolist())


@given(RISING, st.data(), st.floats(-100, 400))
def test_there_and_back_is_where_it_was(shown, data, value) -> None:
    steps = data.draw(
        st.lists(st.floats(0.1, 50.0), min_size=len(shown), max_size=len(shown)), label="true"
    )
    points = tuple(zip(shown, np.cumsum(steps).tolist(), strict=True))
    there = true_values(points, value)
    assert float(shown_values(points, there)) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(RISING, st.floats(-50, 300), st.floats(1e-3, 10))
def test_what_shows_more_is_more(shown, value, more) -> None:
    points = tuple((at, 2 * at + math.sin(at) / 100) for at in shown)
    assert float(true_values(points, value + more)) > float(true_values(points, value))


def test_errors_are_what_was_shown_minus_what_was_true() -> None:
    found = comparison(POINTS)
    assert found.errors == pytest.approx((0.0, -100.0, -300.0))
    assert found.worst == pytest.approx(300.0)
    # The best line through (0, 50.1, 100.3) over (0, 50, 100), by hand: residuals 50/3 and 100/3.
    slope = np.polyfit([0, 50.1e3, 100.3e3], [0, 50e3, 100e3], 1)
    off = np.abs(np.polyval(slope, [0, 50.1e3, 100.3e3]) - [0, 50e3, 100e3]) / slope[0]
    assert found.linearity == pytest.approx(off.max() / 100.3e3, rel=1e-9)


def test_a_straight_line_of_another_slope_has_errors_and_no_curvature() -> None:
    found = comparison(((0.0, 0.0), (50.0, 55.0), (100.0, 110.0)))
    assert found.worst == pytest.approx(10.0)
    assert found.linearity == pytest.approx(0.0, abs=1e-12)


def test_hysteresis_is_the_largest_difference_at_a_true_value() -> None:
    rising = ((0.0, 0.0), (49.0, 50.0), (100.0, 100.0))
    falling = ((0.5, 0.0), (50.5, 50.0), (100.0, 100.0))
    assert hysteresis(rising, falling) == pytest.approx(1.5)
    with pytest.raises(ValueError, match="no true value in common"):
        hysteresis(((0.0, 0.0), (1.0, 1.0)), ((5.0, 5.0), (6.0, 6.0)))


def test_uncertainties_add_as_squares() -> None:
    """JCGM 100: 0.4 kN at k = 2, a step of 10 N, noise of 5 N, a zero shift of 30 N; by hand."""
    by_hand = 2 * math.sqrt(200.0**2 + 10.0**2 / 12 + 5.0**2 + 30.0**2 / 3)
    assert combined_uncertainty(400.0, 10.0, 5.0, 30.0) == pytest.approx(by_hand, rel=1e-12)
    assert combined_uncertainty(400.0) == pytest.approx(400.0)


# From memory, as the figures of the module are: ISO 7500-1, not compared with the standard.
FROM_MEMORY = [
    (0.5, 0.5, 0.5, 0.75, 0.05, 0.25),
    (1.0, 1.0, 1.0, 1.5, 0.1, 0.5),
    (2.0, 2.0, 2.0, 3.0, 0.2, 1.0),
    (3.0, 3.0, 3.0, 4.5, 0.3, 1.5),
]


@pytest.mark.parametrize("row", FROM_MEMORY, ids=str)
def test_a_machine_at_the_figures_of_a_class_is_of_it_and_beyond_them_of_the_next(row) -> None:
    name, *percent = row
    q, b, v, zero, step = (p / 100 for p in percent)
    at = Errors(q, b, zero, step, v)
    assert machine_class(at) == name
    following = {0.5: 1.0, 1.0: 2.0, 2.0: 3.0, 3.0: None}[name]
    for worse in ("indication", "repeatability", "zero", "resolution", "reversibility"):
        beyond = replace(at, **{worse: getattr(at, worse) * 1.001})
        assert machine_class(beyond) == following, worse


def test_where_only_rising_forces_were_compared_reversibility_says_nothing() -> None:
    assert machine_class(replace(CLASSES[1.0], reversibility=None)) == 1.0


def test_the_lowest_force_is_where_a_step_is_the_allowed_share() -> None:
    assert lowest_force(10.0, CLASSES[1.0].resolution) == pytest.approx(2000.0)
