"""The load on the specimen behind a moving mass: how exact, how noisy, and with samples missing."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.acquire.inertia import (
    STALE,
    WINDOW,
    Inertia,
    Shown,
    Travelled,
    accelerations,
    inertia,
    taken_off,
)

MASS = 120.0  # [kg]
RANGE = 60e3  # [N] of the load cycles
SPEED = 0.1  # [m/s]


def setup(frequency: float, rate: float = 1000.0, mass: float = MASS) -> Inertia:
    return inertia(mass, rate, frequency, RANGE, SPEED, 1e-5)


def sine(frequency: float, amplitude: float, seconds: float, rate: float = 1000.0) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    # As a rig does it: from rest, growing over the first ten cycles.
    growth = np.minimum(t * frequency / 10, 1.0)
    return 0.01 + amplitude * growth * np.sin(2 * np.pi * frequency * t)


def settled(frequency: float, amplitude: float, rate: float = 1000.0) -> tuple[float, np.ndarray]:
    """Return the true amplitude of acceleration and what was found over the last two cycles."""
    found, _ = accelerations(
        setup(frequency, rate),
        Travelled(),
        sine(frequency, amplitude, 20 / frequency, rate).astype(np.float32),
    )
    return amplitude * (2 * np.pi * frequency) ** 2, found[-round(2 * rate / frequency) :]


def test_the_mass_of_the_check_value_needs_the_force_of_the_check_value() -> None:
    """120 kg, 1 mm, 5 Hz: 118.435253 N (section 7 of the checks, computed apart)."""
    true, found = settled(5.0, 1e-3)
    assert true * MASS == pytest.approx(118.435253, abs=1e-6)
    assert found.max() * MASS == pytest.approx(118.435253, rel=2e-3)
    assert -found.min() * MASS == pytest.approx(118.435253, rel=2e-3)


@pytest.mark.parametrize("rate", [500.0, 1000.0, 4000.0])
@pytest.mark.parametrize("frequency", [0.5, 1.0, 3.3, 7.0, 10.0])
def test_every_sample_is_within_one_hundredth_of_the_largest_acceleration(
    frequency: float, rate: float
) -> None:
    amplitude = 2e-3
    found, _ = accelerations(
        setup(frequency, rate), Travelled(), sine(frequency, amplitude, 20 / frequency, rate)
    )
    t = np.arange(len(found)) / rate
    wave = -amplitude * (2 * np.pi * frequency) ** 2 * np.sin(2 * np.pi * frequency * t)
    last = slice(-round(3 * rate / frequency), None)
    assert np.abs(found[last] - wave[last]).max() < 0.01 * np.abs(wave).max()


def test_noise_of_a_micrometre_costs_less_than_a_hundredth_of_a_percent_of_the_range() -> None:
    noise = np.random.default_rng(8).normal(0.0, 1e-6, 20_000)
    found, _ = accelerations(setup(5.0), Travelled(), 0.01 + noise)
    assert np.std(found[1000:]) * MASS < 1e-4 * RANGE


@pytest.mark.parametrize("frequency", [1.0, 5.0, 10.0])
def test_the_load_comes_back_from_the_cell_within_a_thousandth_of_the_range(
    frequency: float,
) -> None:
    """A motion that is no sine, with noise on both sensors: what a cracked beam makes of it."""
    generator = np.random.default_rng(3)
    t = np.arange(round(30e3 / frequency)) / 1000.0
    turn = 2 * np.pi * frequency
    stroke = 2e-3 * np.sin(turn * t) + 3e-4 * np.cos(2 * turn * t + 0.4)
    force = 33e3 + 30e3 * np.sin(turn * t)
    pull = -2e-3 * turn**2 * np.sin(turn * t) - 3e-4 * (2 * turn) ** 2 * np.cos(2 * turn * t + 0.4)
    cell = (force + MASS * pull).astype(np.float32)
    shown = np.round((stroke + generator.normal(0, 1e-6, len(t))) / 1e-6) * 1e-6
    motion, _ = accelerations(setup(frequency), Travelled(), shown)
    taken, _ = taken_off(setup(frequency), Shown(), cell, motion, (-100e3, 200e3))
    last = slice(-round(3000 / frequency), None)
    assert np.abs(MASS * pull[last]).max() > 1e-4 * RANGE
    assert np.abs(cell[last] - taken[last] - force[last]).max() < 1e-3 * RANGE


def test_under_a_fixed_cell_the_same_force_is_added() -> None:
    motion = np.full(4, 2.0)
    shown = np.array([1e3, 2e3, 3e3, 4e3], np.float32)
    above, _ = taken_off(setup(5.0), Shown(), shown, motion, (-1e5, 1e5))
    under, _ = taken_off(setup(5.0, mass=-MASS), Shown(), shown, motion, (-1e5, 1e5))
    assert above.tolist() == [240.0] * 4
    assert under.tolist() == [-240.0] * 4


def test_a_rod_that_stands_or_moves_evenly_has_no_acceleration() -> None:
    still, _ = accelerations(setup(5.0), Travelled(), np.full(3000, 0.02))
    even, _ = accelerations(setup(5.0), Travelled(), 0.02 + 1e-6 * np.arange(3000.0))
    assert np.abs(still).max() * MASS < 1e-3
    assert np.abs(even[1000:]).max() * MASS < 1e-3
    assert np.abs(even).max() * MASS < 1e-3 * RANGE  # where it sets off


@settings(max_examples=40, deadline=None)
@given(
    cuts=st.lists(st.integers(1, 700), max_size=12),
    lost=st.lists(st.tuples(st.integers(0, 2999), st.integers(1, 400)), max_size=4),
    seed=st.integers(0, 2**16),
)
def test_how_samples_are_cut_into_blocks_changes_nothing(
    cuts: list[int], lost: list[tuple[int, int]], seed: int
) -> None:
    stroke = sine(5.0, 1e-3, 3.0)
    stroke += np.random.default_rng(seed).normal(0, 1e-6, len(stroke))
    for begin, length in lost:
        stroke[begin : begin + length] = np.nan
    load = (1e4 * stroke).round().astype(np.float32)
    one = _in_blocks(stroke, load, [])
    many = _in_blocks(stroke, load, cuts)
    np.testing.assert_array_equal(one, many)


def _in_blocks(stroke: np.ndarray, load: np.ndarray, cuts: list[int]) -> np.ndarray:
    seen, shown, parts = Travelled(), Shown(), []
    bounds = [0, *np.cumsum(cuts).tolist(), len(stroke)]
    for begin, end in pairwise(bounds):
        motion, seen = accelerations(setup(5.0), seen, stroke[begin:end])
        taken, shown = taken_off(setup(5.0), shown, load[begin:end], motion, (-1e6, 1e6))
        parts.append(taken)
        if end >= len(stroke):
            break
    return np.concatenate(parts)[: len(stroke)]


def test_a_gap_in_the_stroke_is_filled_from_the_period_before() -> None:
    stroke = sine(5.0, 1e-3, 4.0)
    whole, _ = accelerations(setup(5.0), Travelled(), stroke)
    stroke[3300:3350] = np.nan
    gaps, _ = accelerations(setup(5.0), Travelled(), stroke)
    assert np.isfinite(gaps).all()
    assert np.abs(gaps - whole).max() < 0.01 * np.abs(whole).max()


def test_a_stroke_that_stays_away_leaves_the_load_unknown_after_some_periods() -> None:
    stroke = sine(5.0, 1e-3, 6.0)
    stroke[3000:] = np.nan
    found, _ = accelerations(setup(5.0), Travelled(), stroke)
    first = int(np.flatnonzero(np.isnan(found))[0])
    # The acceleration stands one period behind the stroke, and then in for itself so many times.
    assert 3000 + STALE * 200 < first < 3000 + (STALE + 1) * 200
    assert np.isnan(found[first:]).all()


def test_it_is_known_again_as_soon_as_the_stroke_has_been_back_for_a_period() -> None:
    stroke = sine(5.0, 1e-3, 8.0)
    stroke[3000:5000] = np.nan
    found, _ = accelerations(setup(5.0), Travelled(), stroke)
    unknown = np.flatnonzero(np.isnan(found))
    back = unknown[-1] + 1
    assert 5000 <= back <= 5000 + 200 + WINDOW * 1000
    assert np.isfinite(found[back:]).all()


def test_a_rod_that_no_oil_could_move_so_fast_is_not_believed() -> None:
    """A spike of the stroke, and a specimen that breaks away under it: no echo a period later."""
    spiked, stepped = sine(5.0, 1e-3, 4.0), sine(5.0, 1e-3, 4.0)
    whole, _ = accelerations(setup(5.0), Travelled(), spiked)
    spiked[3333] += 2e-3
    stepped[3333:] += 5e-3
    for stroke in (spiked, stepped):
        found, _ = accelerations(setup(5.0), Travelled(), stroke)
        assert np.abs(found - whole).max() < 0.01 * np.abs(whole).max()


def test_before_the_first_sample_the_rod_stood_still() -> None:
    stroke = np.concatenate((np.full(50, np.nan), np.full(300, 0.03)))
    found, seen = accelerations(setup(5.0), Travelled(), stroke[:50])
    assert found.tolist() == [0.0] * 50
    assert not len(seen.stroke)
    later, _ = accelerations(setup(5.0), seen, stroke[50:])
    assert np.abs(later).max() * MASS < 1e-3


def test_nothing_comes_of_nothing() -> None:
    found, seen = accelerations(setup(5.0), Travelled(), np.empty(0))
    taken, shown = taken_off(setup(5.0), Shown(1.0, 2.0), np.empty(0, np.float32), found, (0, 1))
    assert (len(found), len(taken), shown) == (0, 0, Shown(1.0, 2.0))
    assert not len(seen.stroke)


def test_a_cell_that_hangs_goes_on_looking_as_if_it_hung() -> None:
    motion, _ = accelerations(setup(5.0), Travelled(), sine(5.0, 2e-3, 4.0))
    shown = np.concatenate((np.arange(2000.0), np.full(2000, 2000.0))).astype(np.float32)
    taken, state = taken_off(setup(5.0), Shown(), shown, motion, (-1e5, 1e5))
    assert np.unique(taken[2000:]).size == 1
    assert np.unique(taken[:2000]).size > 1000
    after, _ = taken_off(setup(5.0), state, shown[:1] * 0 + 2000, motion[:1], (-1e5, 1e5))
    assert after[0] == taken[-1]


def test_a_cell_at_the_end_of_its_range_stays_there() -> None:
    shown = np.array([99.0, 100.0, 100.0, 101.0, 5.0], np.float32)
    taken, _ = taken_off(setup(5.0), Shown(), shown, np.full(5, 1.0), (-100.0, 100.0))
    assert taken.tolist() == [120.0, 0.0, 0.0, 0.0, 120.0]


def test_no_more_is_taken_off_than_a_tenth_of_the_range() -> None:
    """ISO 4965-1:2012, scope: a method may correct errors of up to 10 % of the force range."""
    shown = np.array([1.0, 2.0], np.float32)
    taken, _ = taken_off(setup(5.0), Shown(), shown, np.array([1e6, -1e6]), (-1e9, 1e9))
    assert taken.tolist() == [0.1 * RANGE, -0.1 * RANGE]


def test_a_load_whose_motion_is_unknown_is_unknown() -> None:
    taken, _ = taken_off(
        setup(5.0), Shown(), np.array([1.0, 2.0], np.float32), np.array([math.nan, 0]), (-9, 9)
    )
    assert np.isnan(taken[0])
    assert taken[1] == 0
