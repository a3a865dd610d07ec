"""What sines ask of an actuator, against published formulas and worked values."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.mechanics.actuator import (
    largest_travel,
    mean_flow,
    peak_acceleration,
    peak_flow,
    peak_speed,
    rated_flow_needed,
    valve_flow,
)

LITRES = 6e4
"""L/min in one m3/s."""

GALLON = 231 * 0.0254**3
"""US gallon [m3], exact by definition."""


def test_speed_and_acceleration_of_a_sine():
    """5 Hz, 4 mm peak to peak.

    amplitude * 2 pi f and amplitude * (2 pi f)^2: hydraulicspneumatics.com, "Hydraulics and
    Sinusoidal Motion".
    """
    assert peak_speed(4e-3, 5.0) == pytest.approx(62.831853e-3, rel=1e-8)
    assert peak_acceleration(4e-3, 5.0) == pytest.approx(1.97392088, rel=1e-8)
    assert peak_acceleration(4e-3, 5.0) / 9.80665 == pytest.approx(0.2012839, rel=1e-6)


@pytest.mark.parametrize(
    ("frequency", "travel"), [(1, 31.830989), (2, 15.915494), (5, 6.366198), (10, 3.183099)]
)
def test_how_far_a_speed_of_100_mm_s_reaches(frequency, travel):
    """100 mm/s over pi f; own derivation."""
    assert largest_travel(0.1, frequency) * 1e3 == pytest.approx(travel, rel=1e-7)
    assert peak_speed(largest_travel(0.1, frequency), frequency) == pytest.approx(0.1)


def test_oil_in_metric_and_in_us_units():
    """50 cm2, 4 mm, 5 Hz: own derivation. 5 in2, 0.25 in, 10 Hz: pi * 60 / 231 gal/min a unit."""
    peak, mean = peak_flow(50e-4, 4e-3, 5.0), mean_flow(50e-4, 4e-3, 5.0)
    assert peak * LITRES == pytest.approx(18.8495559, rel=1e-8)
    assert mean * LITRES == pytest.approx(12.0, rel=1e-12)
    assert mean / peak == pytest.approx(2 / math.pi)
    american = peak_flow(5 * 0.0254**2, 0.25 * 0.0254, 10.0) * 60 / GALLON
    assert american == pytest.approx(10.1999761, rel=1e-8)


def test_a_valve_passes_more_than_rated_where_more_pressure_is_left():
    """63 L/min at 7 MPa; 21 MPa of supply, 10 MPa of load: own derivation from the orifice."""
    found = valve_flow(63 / LITRES, 7e6, 21e6, 10e6)
    assert found * LITRES == pytest.approx(78.9747, rel=1e-6)
    assert valve_flow(63 / LITRES, 7e6, 21e6, 14e6) == pytest.approx(63 / LITRES)
    assert valve_flow(63 / LITRES, 7e6, 21e6, 22e6) == 0.0


@given(
    mean=st.floats(-1e7, 1.5e7),
    swing=st.floats(-2e7, 2e7),
    supply=st.floats(1e6, 3e7),
)
@example(mean=1e7, swing=0.0, supply=1e7)
def test_the_valve_needed_is_that_of_the_worst_moment_of_a_cycle(mean, swing, supply):
    """Looked for in 2001 moments of the half of the cycle in which the load rises."""
    found = rated_flow_needed(1e-3, mean, swing, supply, 7e6)
    if mean + abs(swing) > supply or mean == supply:  # the mean alone takes all there is
        assert found == math.inf
        return
    worst = 0.0
    for step in range(2001):
        phase = math.pi * (step / 2000 - 0.5)
        left = supply - mean - swing * math.sin(phase)
        if left > 1e-6 * supply:
            worst = max(worst, 1e-3 * math.cos(phase) / math.sqrt(left / 7e6))
    assert found >= worst * (1 - 1e-9)
    assert found == pytest.approx(worst, rel=2e-3)


def test_the_valve_needed_without_load_is_the_one_that_just_passes_the_peak():
    needed = rated_flow_needed(1e-3, 0.0, 0.0, 21e6, 7e6)
    assert valve_flow(needed, 7e6, 21e6, 0.0) == pytest.approx(1e-3)
