"""What samples lose of a sine, against worked values, and against the extraction itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.acquire import extremes
from rig.acquire.extremes import refined
from rig.acquire.rounding import rounding_step
from rig.mechanics import sampling
from rig.mechanics.sampling import (
    mean_loss,
    parabola_loss,
    range_error,
    samples_needed,
    vertex_noise,
    window,
    worst_loss,
)

LOSSES = [
    (8, 7.61205, 2.55046),
    (10, 4.89435, 1.63684),
    (16, 1.92147, 0.64131),
    (20, 1.23117, 0.41073),
    (32, 0.48153, 0.16056),
    (50, 0.19733, 0.06578),
    (64, 0.12045, 0.04015),
    (100, 0.04934, 0.01645),
    (200, 0.01234, 0.00411),
]


@pytest.mark.parametrize(("samples", "worst", "mean"), LOSSES)
def test_what_the_largest_sample_lies_below_the_top(samples, worst, mean):
    """Percent of the amplitude: own derivation, computed apart and by brute force to 1e-9."""
    assert worst_loss(samples) * 100 == pytest.approx(worst, abs=6e-6)
    assert mean_loss(samples) * 100 == pytest.approx(mean, abs=6e-6)


@pytest.mark.parametrize("samples", [8, 20, 50])
def test_the_losses_are_those_of_sampled_sines(samples):
    phases = np.linspace(0, 2 * np.pi / samples, 20001)
    tops = np.cos(phases[:, None] + 2 * np.pi / samples * np.arange(samples)).max(axis=1)
    assert 1 - tops.min() == pytest.approx(worst_loss(samples), rel=1e-6)
    assert 1 - tops.mean() == pytest.approx(mean_loss(samples), rel=1e-3)


@pytest.mark.parametrize(
    ("loss", "samples"), [(0.05, 10), (0.01, 23), (0.005, 32), (0.002, 50), (0.001, 71)]
)
def test_the_fewest_samples_for_a_loss(loss, samples):
    """Own derivation, computed apart."""
    assert samples_needed(loss) == samples
    assert worst_loss(samples) <= loss < worst_loss(samples - 1)


@given(st.integers(1, 100_000))
def test_the_fewest_samples_hold_at_the_very_loss_they_have(samples):
    assert samples_needed(worst_loss(samples)) == samples


@pytest.mark.parametrize(
    ("samples", "loss", "digits"),
    [(8, 0.8471, 4), (10, 0.3535, 4), (16, 0.0550, 4), (20, 0.0226, 4), (50, 0.00058, 5)],
)
def test_a_parabola_through_three_samples_loses_far_less(samples, loss, digits):
    """Percent of the amplitude: own derivation, computed apart."""
    assert round(parabola_loss(samples) * 100, digits) == loss


def test_the_window_is_that_of_the_extraction():
    assert sampling.HALF_WINDOW == extremes.HALF_WINDOW
    assert [window(n) for n in (20, 50, 250, 1000)] == [3, 7, 35, 143]


@pytest.mark.parametrize("points", [3, 7, 35, 143])
def test_the_noise_of_a_vertex_is_that_of_a_least_squares_parabola(points):
    half = points // 2
    t = np.arange(-half, half + 1.0)
    weights = np.linalg.pinv(np.stack((np.ones_like(t), t, t * t), axis=1))[0]
    assert vertex_noise(points) == pytest.approx(math.sqrt(float(weights @ weights)), rel=1e-9)


def measured(samples: int, noise: float, resolution: float) -> float:
    """Return two standard deviations of the range of 2000 cycles, as it is extracted and kept."""
    rng = np.random.default_rng(7)
    cycles = 2000
    # Off the grid of samples, as no rig's frequency is a whole part of its rate.
    t = np.arange(cycles * samples) * (1 + 1e-5) / samples
    signal = 0.5 * np.sin(2 * np.pi * t) + noise * rng.standard_normal(len(t))
    signal = (np.rint(signal / resolution) * resolution).astype(np.float32)
    starts = np.arange(0, cycles * samples, samples, dtype=np.int64)
    lengths = np.full(cycles, samples, dtype=np.int64)
    high, low, _ = refined(signal[None], starts, lengths, np.zeros(1))
    step = rounding_step(resolution)
    ranges = np.rint(high[0] / step) * step - np.rint(low[0] / step) * step
    return 2 * float(np.std(ranges))


@pytest.mark.parametrize(
    ("samples", "noise", "resolution"),
    [
        (50, 0.01, 1e-3),
        (250, 0.01, 1e-3),
        (250, 1e-3, 1e-3),
        (1000, 2e-3, 1e-4),
        (250, 1e-3, 2e-3),
    ],
)
def test_what_is_foretold_scatters_as_what_is_extracted(samples, noise, resolution):
    """Within a sixth: the window is not always centred on the top."""
    found = range_error(1.0, samples, noise, resolution)
    foretold = math.hypot(found.noise, found.resolution)
    assert measured(samples, noise, resolution) == pytest.approx(foretold, rel=0.17)


def test_steps_that_noise_does_not_cross_stand_in_full():
    coarse, fine = range_error(1.0, 200, 0.0, 0.02), range_error(1.0, 200, 0.02, 0.02)
    assert coarse.resolution > 2.5 * fine.resolution
    assert coarse.largest == "resolution"
    assert coarse.resolution >= measured(200, 0.0, 0.02)
    # An even step, and one of a quarter of it in which a cycle's values are kept; by hand.
    steps = math.hypot(0.02, 0.02 / 4) / math.sqrt(12)
    assert coarse.resolution == pytest.approx(2 * math.sqrt(2) * steps)


def test_all_errors_together_and_the_largest_of_them():
    error = range_error(100.0, 200, 0.0, 0.0, uncertainty=0.4)
    assert error.calibration == pytest.approx(4e-3)
    assert error.total == pytest.approx(4e-3 + parabola_loss(200))
    assert error.largest == "calibration"
    assert range_error(1.0, 8, 0.0, 0.0).largest == "sampling"
