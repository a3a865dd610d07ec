"""Cycles in loads that nobody's command explains: after rests and ramps, at any level."""

from __future__ import annotations

import numpy as np
import pytest

from rig.acquire.extract import ExtractionSetup
from rig.channels import Channel
from rig.replay.counted import rows_of_samples

CHANNELS = (Channel("load", "N", 0.5, -5e5, 5e5), Channel("midspan", "m", 1e-8, -0.1, 0.1))
STIFFNESS = 5e7  # N/m
NOISE = 50.0  # N


def cycles(rate: float, frequency: float, count: int, low: float, high: float) -> np.ndarray:
    time = np.arange(round(count / frequency * rate)) / rate
    return (low + high) / 2 - (high - low) / 2 * np.cos(2 * np.pi * frequency * time)


def ramp(rate: float, seconds: float, low: float, high: float) -> np.ndarray:
    return np.linspace(low, high, round(seconds * rate))


def counted(load: np.ndarray, rate: float, piece: int = 50_000) -> list[tuple[int, int]]:
    """Return begin and end of all cycles that are found in a load with noise."""
    noisy = load + np.random.default_rng(4).normal(0.0, NOISE, len(load))
    values = np.stack((noisy, noisy / STIFFNESS)).astype(np.float32)
    pieces = (values[:, i : i + piece] for i in range(0, values.shape[1], piece))
    whole = float(values[0].max() - values[0].min())
    found = rows_of_samples(pieces, ExtractionSetup(CHANNELS, rate), None, 0, whole)
    return [pair for _, rows in found for pair in zip(rows.begin, rows.end, strict=True)]


def at_rest_first(rate: float) -> list[np.ndarray]:
    return [np.zeros(round(20 * rate)), 9e3 + cycles(rate, 4.0, 160, 0.0, 83e3)]


def ramp_first(rate: float) -> list[np.ndarray]:
    return [ramp(rate, 14.0, 0.0, 6e3), cycles(rate, 4.0, 66, 6e3, 30e3)]


def two_levels(rate: float) -> list[np.ndarray]:
    first, second = cycles(rate, 4.0, 60, 23e3, 63e3), cycles(rate, 4.0, 90, 53e3, 83e3)
    return [ramp(rate, 2.0, 0.0, 23e3), first, ramp(rate, 8.0, 23e3, 53e3), second]


def lower_and_back(rate: float) -> list[np.ndarray]:
    first, second = cycles(rate, 10.0, 125, 46e3, 72e3), cycles(rate, 10.0, 116, 16e3, 42e3)
    between = ramp(rate, 5.0, 46e3, 16e3)
    return [ramp(rate, 1.0, 0.0, 46e3), first, between, second, between[::-1], first]


def a_rest_between(rate: float) -> list[np.ndarray]:
    first, second = cycles(rate, 0.2, 30, 16e3, 43e3), cycles(rate, 0.2, 40, 48e3, 105e3)
    rest = np.full(round(62 * rate), 16e3)
    return [ramp(rate, 5.0, 0.0, 16e3), first, rest, ramp(rate, 13.0, 16e3, 48e3), second]


def slow_ones(rate: float) -> list[np.ndarray]:
    return [np.full(round(30 * rate), 9e3), cycles(rate, 0.01, 20, 9e3, 92e3)]


CASES = {
    at_rest_first: 160,
    ramp_first: 66,
    two_levels: 150,
    lower_and_back: 366,
    a_rest_between: 70,
    slow_ones: 20,
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_cycles_are_counted_whatever_lies_before_and_between_them(case):
    parts = case(200.0)
    found = counted(np.concatenate(parts), 200.0)
    # At either end of a stretch a cycle may not be whole, nor where the level changes.
    most = 2 * sum(bool(np.ptp(part)) for part in parts)
    assert CASES[case] - most <= len(found) <= CASES[case] + most
    ends = np.array(found)
    assert (ends[1:, 0] >= ends[:-1, 1]).all(), "a sample belongs to two cycles"


@pytest.mark.parametrize("piece", [777, 50_000])
def test_how_samples_come_does_not_show(piece):
    load = np.concatenate(lower_and_back(200.0))
    assert counted(load, 200.0, piece) == counted(load, 200.0, len(load))


def test_a_rest_with_noise_or_a_ramp_alone_holds_no_cycle():
    assert counted(np.concatenate((np.zeros(5000), ramp(200.0, 60.0, 0.0, 9e4))), 200.0) == []


@pytest.mark.nights
@pytest.mark.parametrize("seed", range(40))
def test_cycles_are_counted_in_loads_of_any_make(seed):
    rng = np.random.default_rng(seed)
    rate = float(rng.choice([20, 50, 200, 1000]))
    frequency = rate / float(rng.choice([50, 200, 1000]))
    parts, expected, level = [], 0, 0.0
    for _ in range(rng.integers(1, 4)):
        parts.append(np.full(round(rng.uniform(0.5, 100) * rate), level))
        low = rng.uniform(5e3, 60e3)
        parts.append(ramp(rate, rng.uniform(0.5, 20), level, low))
        count = int(rng.integers(60, 200))
        parts.append(cycles(rate, frequency, count, low, low + rng.uniform(20e3, 60e3)))
        expected, level = expected + count, low
    found = counted(np.concatenate(parts), rate)
    assert abs(len(found) - expected) <= 2 * len(parts)
