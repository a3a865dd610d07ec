"""Errors of what is read from a cycle, against exact signals, by samples a cycle and noise.

The closed forms are elementary. N samples a cycle miss the top of a sine by up to
1 - cos(pi/N) of its amplitude and on average by 1 - (N/pi) sin(pi/N). The slope of the
least-squares line through a loop a sin(x), b sin(x - lag) is (a/b) cos(lag); white noise of
standard deviation s ranges on the deflection divides it by 1 + 8 s^2. The loop's area is
pi a b sin(lag), that of the polygon through N points on it sin(2 pi/N) / (2 pi/N) of it.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.samples import Cycles, SampleArray
from tests.acquire.rigs import Sine, in_blocks, start

PERCENT = 0.01
BITS = 2.0**-14  # stiffness and energy are kept to 14 bits: half a unit of the last of them
SWEEP = 0.005  # further samples a cycle, so that 200 cycles sweep all phases between samples


def measured(sine: Sine) -> tuple[SampleArray, Cycles]:
    values = sine.values()
    rows = in_blocks(values, [], start(sine))[1]
    assert len(rows) >= sine.cycles - 3
    assert not rows["flags"].any()
    return values, rows


def raw_tops(values: SampleArray, rows: Cycles) -> np.ndarray:
    load = values[0].astype(float)
    return np.array([load[a:b].max() for a, b in zip(rows.begin, rows.end, strict=True)])


# Worst and mean loss in % of the amplitude.
LOSSES = {
    10: (4.89435, 1.63684),
    20: (1.23117, 0.41073),
    50: (0.19733, 0.06578),
    100: (0.04934, 0.01645),
    200: (0.01234, 0.00411),
}


@pytest.mark.parametrize("n", LOSSES)
def test_the_largest_sample_misses_the_top_as_the_closed_form_says(n: int) -> None:
    """The figures of LOSSES, the closed form and a sweep of the phase agree."""
    worst, mean = LOSSES[n]
    assert 1 - math.cos(math.pi / n) == pytest.approx(worst * PERCENT, abs=5e-8)
    assert 1 - n / math.pi * math.sin(math.pi / n) == pytest.approx(mean * PERCENT, abs=5e-8)
    sine = Sine(n + SWEEP, 403)
    loss = 1 - (raw_tops(*measured(sine)) - sine.mean) / (sine.range_ / 2)
    assert loss.max() == pytest.approx(worst * PERCENT, rel=0.03)
    assert loss.mean() == pytest.approx(mean * PERCENT, rel=0.03)


@pytest.mark.parametrize("n", [20, 50, 100])
def test_of_few_samples_the_refined_maximum_beats_the_largest(n: int) -> None:
    sine = Sine(n + SWEEP, 403)
    values, rows = measured(sine)
    top = sine.mean + sine.range_ / 2
    refined = np.abs(rows["load_max"].astype(float) - top)
    raw = np.abs(raw_tops(values, rows) - top)
    assert refined.max() < raw.max() / 4
    assert refined.mean() < raw.mean() / 2


@pytest.mark.parametrize("n", [50, 100, 200, 250])
def test_of_noisy_samples_the_refined_maximum_beats_the_largest(n: int) -> None:
    sine = Sine(n + 0.05, 603, noise=0.005)
    values, rows = measured(sine)
    top = sine.mean + sine.range_ / 2
    refined = rows["load_max"].astype(float) - top
    raw = raw_tops(values, rows) - top
    assert abs(refined.mean()) < raw.mean() / 5
    assert np.sqrt(np.mean(refined**2)) < np.sqrt(np.mean(raw**2)) / 1.5


@pytest.mark.parametrize("lag", [0.0, 0.05, 0.098, 0.15, 0.3])
def test_without_noise_every_maximum_is_within_0_02_percent_of_range_at_50_samples(
    lag: float,
) -> None:
    """At any phase between the samples, of load and of net deflection, above and below."""
    sine = Sine(50 + SWEEP, 403, lag=lag)
    _, rows = measured(sine)
    for name, mean, range_ in (
        ("load", sine.mean, sine.range_),
        ("deflection", sine.deflection_mean, sine.deflection_range),
    ):
        for end, sign in (("max", 0.5), ("min", -0.5)):
            error = rows[f"{name}_{end}"].astype(float) - (mean + sign * range_)
            assert np.abs(error).max() < 0.02 * PERCENT * range_


def test_bias_with_noise_of_0_5_percent_is_below_0_1_percent_of_range_at_200_samples() -> None:
    sine = Sine(200.3, 2103, noise=0.005)
    values, rows = measured(sine)
    assert len(rows) >= 2000
    top = sine.mean + sine.range_ / 2
    bias = float(np.mean(rows["load_max"].astype(float) - top)) / sine.range_
    assert abs(bias) < 0.1 * PERCENT
    # The largest sample fails the same demand, so this is no demand that anything meets.
    assert (raw_tops(values, rows).mean() - top) / sine.range_ > 0.2 * PERCENT


@pytest.mark.parametrize("n", [20, 50, 100, 200, 250])
def test_a_linear_spring_has_its_own_stiffness_and_loses_no_energy(n: int) -> None:
    sine = Sine(n + 0.37, 60, lag=0.0)
    _, rows = measured(sine)
    stiffness = sine.range_ / sine.deflection_range
    assert np.abs(rows["stiffness"].astype(float) / stiffness - 1).max() < BITS + 1e-6
    # Of the work done on the spring in half a cycle.
    assert np.abs(rows["energy"]).max() < 1e-6 * sine.range_ * sine.deflection_range


@pytest.mark.parametrize("n", [20, 50, 100, 200, 250])
@pytest.mark.parametrize("lag", [0.02, 0.1, 0.5, -0.1])
def test_a_lagging_loop_has_the_slope_and_the_area_of_the_closed_form(n: int, lag: float) -> None:
    sine = Sine(n, 40, lag=lag)
    _, rows = measured(sine)
    slope = sine.range_ / sine.deflection_range * math.cos(lag)
    assert np.abs(rows["stiffness"].astype(float) / slope - 1).max() < BITS + 1e-6
    area = math.pi * sine.range_ / 2 * sine.deflection_range / 2 * math.sin(lag)
    chords = math.sin(2 * math.pi / n) / (2 * math.pi / n)
    # Samples are float32: of an area so thin only a part in 1e5 is certain.
    assert np.abs(rows["energy"].astype(float) / (area * chords) - 1).max() < BITS + 1e-5
    assert abs(float(rows["energy"].mean()) / area - 1) < 7 / n**2 + BITS + 1e-5


# Samples a cycle: bounds in % of range, of the bias of maximum and minimum by noise 0, 0.1 and
# 0.5 % of range, and of the scatter of one maximum as a share of the noise.
BOUNDS = {
    20: ((0.02, 0.05, 0.35), 1.15),
    50: ((0.02, 0.02, 0.15), 0.75),
    100: ((0.02, 0.02, 0.10), 0.50),
    200: ((0.02, 0.02, 0.10), 0.35),
    250: ((0.02, 0.02, 0.10), 0.32),
}
NOISES = (0.0, 0.001, 0.005)


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("n", BOUNDS)
def test_errors_by_samples_a_cycle_and_noise_stay_within_the_table(n: int, noise: float) -> None:
    biases, scatter = BOUNDS[n]
    sine = Sine(n + 0.05, 603, noise=noise, lag=0.1, seed=3)
    _, rows = measured(sine)
    columns = (
        ("load", sine.mean, sine.range_),
        ("deflection", sine.deflection_mean, sine.deflection_range),
    )
    for name, mean, range_ in columns:
        for end, sign in (("max", 0.5), ("min", -0.5)):
            error = (rows[f"{name}_{end}"].astype(float) - mean - sign * range_) / range_
            assert abs(error.mean()) < biases[NOISES.index(noise)] * PERCENT
            assert error.std() < scatter * noise + 0.01 * PERCENT
    slope = sine.range_ / sine.deflection_range * math.cos(sine.lag) / (1 + 8 * noise**2)
    area = math.pi / 4 * sine.range_ * sine.deflection_range * math.sin(sine.lag)
    # Whole samples make a cycle up to half a sample short or long: an error of the order 1/N^2.
    stiffness, energy = (float(rows[name].mean()) for name in ("stiffness", "energy"))
    assert abs(stiffness / slope - 1) < 0.02 * PERCENT + 0.1 / n**2
    assert abs(energy / area - 1) < noise + 7 / n**2 + BITS


def test_frequency_and_time_follow_from_crossings_between_samples() -> None:
    """Whole samples would give 1/50 of a cycle; a straight line between two gives (pi/N)^2/6."""
    sine = replace(Sine(50.37, 203), lag=0.0)
    _, rows = measured(sine)
    exact = 1000.0 / sine.spc
    assert np.abs(rows["frequency"].astype(float) / exact - 1).max() < 2e-3
    assert float(rows["frequency"].mean()) == pytest.approx(exact, rel=1e-4)
    times = (2 * np.pi * np.arange(1, len(rows) + 1) - sine.phase - 2 * np.pi) / (2 * np.pi)
    assert np.abs(rows["time"] - times * sine.spc / 1000).max() < 0.25e-3
