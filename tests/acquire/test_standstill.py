"""The end of a motion is found in noisy samples: time and travel after the event."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.acquire.standstill import came_to_rest, crossed, goes_to

RATE = 1000.0


def moved(speed: float, *, stops: float, after, noise: float = 0.0, seed: int = 1):
    """Return two seconds of a motion [m] at a speed [m/s] that ends at a time [s].

    `after` gives the position from then on, counted from where it stopped.
    """
    time = np.arange(2000) / RATE
    going = speed * np.minimum(time, stops)
    left = time > stops
    going[left] += after(time[left] - stops)
    return np.random.default_rng(seed).normal(going, noise) if noise else going


def stays(since):
    return 0.0 * since


def springs_back(since):
    return -2e-4 * (1 - np.exp(-since / 0.008))


def goes_away(since):
    return -1e-3 * since


@pytest.mark.parametrize("after", [stays, springs_back, goes_away])
@pytest.mark.parametrize("speed", [5e-4, 1e-3])
@pytest.mark.parametrize("took", [0.002, 0.03, 0.5])
@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(s, marks=pytest.mark.nights) for s in range(1, 5))]
)
def test_time_and_travel_are_found_whatever_follows(after, speed, took, seed):
    position = moved(speed, stops=1.0 + took, after=after, noise=1e-6, seed=seed)
    found = came_to_rest(position, 1000.0, RATE)
    assert found is not None
    assert found.speed == pytest.approx(speed, rel=0.05)
    # Noise may hide some milliseconds: never more of them missing than added.
    assert -0.005 <= found.time - took <= 0.012
    assert -2.0e-6 <= found.travel - speed * took <= 4.0e-6


def test_without_noise_it_is_exact_within_a_sample():
    found = came_to_rest(moved(1e-3, stops=1.0205, after=goes_away), 1000.0, RATE)
    assert found.time == pytest.approx(0.0205, abs=2.1e-3)
    assert found.travel == pytest.approx(20.5e-6, abs=1.1e-6)


def test_a_motion_upwards_is_measured_upwards():
    found = came_to_rest(-moved(1e-3, stops=1.03, after=stays, noise=1e-6), 1000.0, RATE)
    assert found.speed == pytest.approx(-1e-3, rel=0.05)
    assert found.travel == pytest.approx(30e-6, abs=4e-6)


def test_what_stood_still_or_is_not_known_has_no_travel():
    still = moved(0.0, stops=1.0, after=stays, noise=1e-6)
    assert came_to_rest(still, 1000.0, RATE) is None
    assert came_to_rest(still[:0], 0.0, RATE) is None
    gone = moved(1e-3, stops=1.03, after=stays)
    assert came_to_rest(gone, 5.0, RATE) is None
    gone[1000:] = math.nan
    assert came_to_rest(gone, 1000.0, RATE) is None


def test_a_bound_is_met_where_the_line_meets_it_not_where_noise_does():
    signal = np.random.default_rng(3).normal(np.arange(2000) * 8.0, 40.0)
    assert crossed(signal, 8000.0, 1003.0, RATE) == pytest.approx(1000.0, abs=4.0)
    assert crossed(signal, 8000.0, 998.0, RATE) == pytest.approx(1000.0, abs=4.0)
    assert math.isnan(crossed(signal, 80_000.0, 1000.0, RATE))
    assert math.isnan(crossed(0.0 * signal, 8000.0, 1000.0, RATE))
    assert math.isnan(crossed(signal[:5], 8.0, 4.0, RATE))


def test_a_signal_that_goes_on_evenly_is_foretold():
    signal = np.random.default_rng(4).normal(np.arange(300) * 8.0, 40.0)
    now, then = goes_to(signal, 0.3, RATE)
    assert now == pytest.approx(299 * 8.0, abs=20.0)
    assert then == pytest.approx(599 * 8.0, rel=0.02)
    assert all(map(math.isnan, goes_to(signal[:5], 0.3, RATE)))


def test_what_moves_with_it_tells_the_way_of_the_rod():
    load = moved(1e-3, stops=1.03, after=goes_away) * 1.5e8  # [N] on a stiff beam
    found = came_to_rest(load, 1000.0, RATE).as_way(1e-3)
    assert found.travel == pytest.approx(30e-6, abs=2e-6)
    assert found.speed == 1e-3
