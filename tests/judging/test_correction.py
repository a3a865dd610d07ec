"""Load correction against a simulated servo whose gain is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.judging.correction import (
    AUTHORITY,
    UPWARD_STEP,
    Correction,
    allowed_for,
    correct,
    start_correction,
)
from rig.samples import Cycles, Flag

MEAN, AMPLITUDE = 50e3, 40e3


def rows(mean, amplitude, opening=None, flags=None):
    """Return cycle rows with given mean and amplitude arrays [N]."""
    mean, amplitude = np.asarray(mean, float), np.asarray(amplitude, float)
    n = len(mean)
    frames = np.arange(n, dtype=np.int64)
    opening = np.full(n, 1e-3) if opening is None else np.asarray(opening, float)
    return Cycles(
        {
            "load_max": (mean + amplitude).astype(np.float32),
            "load_min": (mean - amplitude).astype(np.float32),
            "deflection_max": opening.astype(np.float32),
            "deflection_min": np.zeros(n, np.float32),
            "flags": np.zeros(n, np.uint16) if flags is None else flags,
        },
        frames * 200,
        frames * 200 + 200,
        frames * 200 + 210,
    )


def follow(gain: float, cycles: int, offset: float = 0.0) -> list[tuple[float, float]]:
    """Let the correction work against a servo of constant gain; return loads reached."""
    state = start_correction(MEAN, AMPLITUDE)
    reached = []
    for _ in range(cycles):
        mean, amplitude = state.mean + offset, state.amplitude * gain
        reached.append((mean, amplitude))
        state, _, _ = correct(state, rows([mean], [amplitude]))
    return reached


def test_an_amplitude_shortfall_within_the_authority_is_taken_away():
    mean, amplitude = follow(gain=0.97, cycles=200)[-1]
    assert amplitude == pytest.approx(AMPLITUDE, abs=0.0025 * 2 * AMPLITUDE)
    assert mean == pytest.approx(MEAN, abs=0.0025 * 2 * AMPLITUDE)


def test_upper_load_rises_by_at_most_a_five_hundredth_of_the_range_a_step():
    uppers = [m + a for m, a in follow(gain=0.95, cycles=200)]
    assert max(np.diff(uppers)) <= UPWARD_STEP * 2 * AMPLITUDE + 1e-6


def test_too_high_a_load_is_taken_back_in_one_step():
    state, row, change = correct(
        start_correction(MEAN, AMPLITUDE), rows([MEAN + 2e3] * 5, [AMPLITUDE] * 5)
    )
    assert row == 4
    assert change is not None
    assert change.mean == pytest.approx(MEAN - 2e3)
    assert state.mean == change.mean


def test_the_authority_ends_at_a_tenth_of_the_range_and_says_so_once():
    state = start_correction(MEAN, AMPLITUDE)
    told = 0
    for _ in range(1000):
        state, _, change = correct(state, rows([state.mean], [0.6 * state.amplitude]))
        told += bool(change and change.saturated)
    assert state.amplitude == pytest.approx(AMPLITUDE + AUTHORITY * 2 * AMPLITUDE)
    assert told == 1


def test_no_upward_step_while_the_opening_grows_more_than_one_per_cent_in_fifty_cycles():
    state = start_correction(MEAN, AMPLITUDE)
    opening = 1e-3 * 1.001 ** np.arange(400)
    settled, _, _ = correct(state, rows([MEAN] * 60, [AMPLITUDE] * 60, opening[:60]))
    after, row, change = correct(
        settled, rows([MEAN] * 100, [0.96 * AMPLITUDE] * 100, opening[60:160])
    )
    assert row is None
    assert change is None
    assert after.amplitude == AMPLITUDE


def test_flagged_cycles_are_never_corrected_on():
    flags = np.full(50, int(Flag.SPIKE), np.uint16)
    state, row, _ = correct(
        start_correction(MEAN, AMPLITUDE), rows([MEAN] * 50, [0.9 * AMPLITUDE] * 50, flags=flags)
    )
    assert row is None
    assert state.pairs == ()


def test_one_bad_cycle_in_five_moves_nothing():
    amplitudes = [AMPLITUDE, AMPLITUDE, 0.5 * AMPLITUDE, AMPLITUDE, AMPLITUDE]
    _, row, _ = correct(start_correction(MEAN, AMPLITUDE), rows([MEAN] * 5, amplitudes))
    assert row is None


@given(cuts=st.lists(st.integers(1, 30), min_size=1, max_size=40), seed=st.integers(0, 99))
def test_the_first_change_does_not_depend_on_how_rows_are_cut(cuts, seed):
    random = np.random.default_rng(seed)
    n = sum(cuts)
    mean = MEAN + random.normal(0, 100, n)
    amplitude = AMPLITUDE * np.linspace(1.0, random.uniform(0.97, 1.03), n)
    opening = 1e-3 * (1 + random.uniform(0, 0.02) * np.linspace(0, 1, n))
    whole = rows(mean, amplitude, opening)
    expected = correct(start_correction(MEAN, AMPLITUDE), whole)
    state, start = start_correction(MEAN, AMPLITUDE), 0
    for cut in cuts:
        state, row, change = correct(state, whole.part(start, start + cut))
        if row is not None:
            assert (start + row, change) == expected[1:]
            return
        start += cut
    assert expected[1] is None
    assert state == expected[0]


def test_targets_stay_what_they_were():
    state = start_correction(MEAN, AMPLITUDE)
    assert isinstance(state, Correction)
    state, _, _ = correct(state, rows([MEAN] * 30, [0.95 * AMPLITUDE] * 30))
    assert (state.target_mean, state.target_amplitude) == (MEAN, AMPLITUDE)


def test_a_moving_mass_is_allowed_for_until_something_is_corrected_and_not_twice() -> None:
    state = allowed_for(start_correction(MEAN, AMPLITUDE), 0.95)
    assert (state.mean, state.amplitude) == (MEAN, pytest.approx(0.95 * AMPLITUDE))
    assert allowed_for(state, 0.92) == state
    corrected, _, change = correct(
        start_correction(MEAN, AMPLITUDE), rows([MEAN] * 5, [1.05 * AMPLITUDE] * 5)
    )
    assert change is not None
    assert allowed_for(corrected, 0.95) == corrected
