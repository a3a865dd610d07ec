"""Means of a rig that stands: what a sensor read before it was moved, and whether a rod is free."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.judging.at_rest import FRESH, MEANS, lets_go, reading_before, still, usual_step

STEP = 1e-6  # m, a transducer's resolution
NOISE = np.random.default_rng(7).normal(0.0, 3e-8, 60).astype(np.float32)


def stood(*parts: tuple[float, int]) -> np.ndarray:
    """Return means of a second [m]: values and how often each was read."""
    values = np.repeat([value for value, _ in parts], [count for _, count in parts])
    values = values.astype(np.float32)
    return values + NOISE[: len(values)]


def test_what_was_read_before_a_step_is_found_without_anybody_saying_when():
    before = reading_before(stood((1e-3, 20), (3e-3, 20)), None, STEP)
    assert before is not None
    assert before.value == pytest.approx(1e-3, abs=1e-7)
    assert before.begin < before.end <= 20


def test_the_mean_in_which_the_sensor_moved_is_no_part_of_the_reading():
    before = reading_before(stood((1e-3, 20), (1.004e-3, 1), (3e-3, 20)), None, STEP)
    assert before is not None
    assert before.value == pytest.approx(1e-3, abs=1e-7)


def test_a_gap_is_a_step_too():
    before = reading_before(stood((1e-3, 12), (np.nan, 5), (3e-3, 20)), None, STEP)
    assert before is not None
    assert before.value == pytest.approx(1e-3, abs=1e-7)


def test_where_people_came_the_reading_before_them_counts_although_they_leaned_on_it_later():
    means = stood((1e-3, 15), (1.003e-3, 10), (3e-3, 20))
    before = reading_before(means, 15, STEP)
    assert before is not None
    assert (before.begin, before.end) == (15 - MEANS, 15)
    assert before.value == pytest.approx(1e-3, abs=1e-7)


@pytest.mark.parametrize(
    "means", [np.zeros(0, np.float32), stood((np.nan, 8)), stood((np.nan, 1), (1e-3, 4))]
)
def test_without_a_value_from_before_there_is_none(means):
    assert reading_before(means, None, STEP) is None


@given(st.floats(-5e-3, 5e-3), st.floats(1e-4, 5e-3), st.integers(3, 25), st.integers(1, 25))
def test_any_step_is_found_wherever_it_lies(start, size, first, second):
    before = reading_before(stood((start, first), (start + size, second)), None, STEP)
    assert before is not None
    assert before.value == pytest.approx(start, abs=2e-7)


def test_creep_is_no_step():
    creep = (1e-3 + 2e-7 * np.arange(60)).astype(np.float32)
    before = reading_before(creep, None, STEP)
    assert before is not None
    assert before.end == 60


def test_a_sensor_stands_still_after_a_few_means_alike_and_not_while_it_is_touched():
    assert not still(stood((1e-3, FRESH - 1)), STEP)
    assert still(stood((2e-3, 1), (1e-3, FRESH)), STEP)
    assert not still(stood((1e-3, FRESH), (2e-3, 1)), STEP)
    assert not still(stood((1e-3, FRESH), (np.nan, 1)), STEP)


def test_a_quiet_sensor_is_held_to_its_resolution_and_a_noisy_one_to_its_noise():
    assert usual_step(np.zeros(10, np.float32), STEP) == pytest.approx(5 * STEP)
    noisy = np.random.default_rng(3).normal(0.0, 1e-5, 200).astype(np.float32)
    assert usual_step(noisy, STEP) > 5e-5
    assert usual_step(noisy[:1], STEP) == pytest.approx(5 * STEP)


BACK = np.linspace(2e-3, 1e-3, 11)


def test_a_rod_whose_load_stays_the_same_over_the_last_way_is_free():
    load = np.where(BACK > 1.8e-3, 1e3, 20.0)
    assert lets_go(load, BACK, 5e-4, 100.0)


@pytest.mark.parametrize(
    ("load", "stroke"),
    [
        pytest.param(np.linspace(1e3, 0.0, 11), BACK, id="still in contact"),
        pytest.param(np.zeros(11), np.linspace(2e-3, 1.9e-3, 11), id="hardly moved"),
        pytest.param(np.full(11, np.nan), BACK, id="no load"),
        pytest.param(np.zeros(0), np.zeros(0), id="nothing"),
    ],
)
def test_a_rod_of_which_that_is_not_known_is_not_free(load, stroke):
    assert not lets_go(load, stroke, 5e-4, 100.0)
