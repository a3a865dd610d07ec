"""Load correction against a simulated servo whose gain is known exactly."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.judging.corrected import DEADBAND, SHORT_FOR
from rig.judging.correction import (
    AUTHORITY,
    UPWARD_STEP,
    Adjustment,
    Correction,
    allowed_for,
    built_up_again,
    correct,
    correction_from,
    settled,
    start_correction,
)
from rig.samples import Flag
from tests.judging.loads import (
    AMPLITUDE,
    MEAN,
    RANGE,
    SOFTNESS,
    UPPER,
    Night,
    Servo,
    follow,
    rows,
)

UNUSABLE = (Flag.GAP, Flag.LONG_GAP, Flag.SPIKE, Flag.CORRECTED, Flag.AFTER_END)
LOWERING = (Flag.SHORT, Flag.OVERLOAD)
STEP = UPWARD_STEP * RANGE


def restored(state: Correction) -> Correction:
    """Return the state as a restart point brings it back."""
    return correction_from(json.loads(json.dumps(asdict(state))))


def unflagged(gain: float, state: Correction) -> tuple[Correction, list[str]]:
    """Let the correction work against a gain whose cycles are not flagged; return what it told."""
    told = []
    for _ in range(150):
        state, _, change = correct(state, rows([state.mean], [gain * state.amplitude]))
        told += [change.told] if change is not None and change.told else []
    return state, told


def test_a_shortfall_within_the_authority_is_taken_away_as_quickly_as_the_load_may_rise():
    night = follow(Servo(gain=0.97), 60)
    # 1.5 % of range: five cycles to know it, five for 1 %, two to settle; then the rest.
    assert UPPER - night.upper[10] <= 0.0054 * RANGE
    assert night.upper[21] == pytest.approx(UPPER, abs=DEADBAND * RANGE)
    assert night.upper[-1] == pytest.approx(UPPER, abs=DEADBAND * RANGE)


@given(gain=st.floats(0.951, 1.04), offset=st.floats(-0.02, 0.02), seed=st.integers(0, 99))
def test_the_load_rises_by_a_five_hundredth_of_range_a_cycle_and_never_over_101_per_cent(
    gain, offset, seed
):
    servo = Servo(gain=gain, offset=offset * RANGE, noise=2e-4 * RANGE)
    night = follow(servo, 80, seed=seed)
    assert max(np.diff(night.upper)) <= STEP + 1e-6
    # What it commands itself is never too high: only the servo's first cycles may be.
    assert max(night.upper[20:]) <= 1.01 * UPPER
    assert abs(night.upper[-1] - UPPER) <= 2 * DEADBAND * RANGE


def test_too_high_a_load_is_taken_back_in_one_step():
    state, row, change = correct(
        start_correction(MEAN, AMPLITUDE), rows([MEAN + 2e3] * 5, [AMPLITUDE] * 5)
    )
    assert row == 4
    assert change == Adjustment(pytest.approx(MEAN - 2e3), AMPLITUDE)
    assert state.mean == change.mean


@pytest.mark.parametrize(("gain", "words"), [(0.6, "fall short"), (1.9, "stay too high")])
def test_the_authority_ends_at_a_tenth_of_the_range_and_says_so_once(gain, words):
    state, told = unflagged(gain, start_correction(MEAN, AMPLITUDE))
    sign = 1 if gain < 1 else -1
    assert state.amplitude == pytest.approx(AMPLITUDE + sign * AUTHORITY * RANGE)
    assert len([text for text in told if "end of its authority" in text]) == 1
    assert words in "".join(told)


@given(mean=st.floats(-0.3, 0.3), amplitude=st.floats(-0.3, 0.3), cycles=st.integers(5, 40))
def test_neither_load_is_ever_commanded_beyond_the_authority(mean, amplitude, cycles):
    state = start_correction(MEAN, AMPLITUDE)
    for _ in range(cycles):
        reached = state.mean + mean * RANGE, state.amplitude + amplitude * RANGE
        state, _, _ = correct(state, rows([reached[0]], [reached[1]]))
        for sign in (1, -1):
            off = state.mean + sign * state.amplitude - MEAN - sign * AMPLITUDE
            assert abs(off) <= AUTHORITY * RANGE * (1 + 1e-9)


def test_the_authority_lies_about_the_settled_command_and_its_end_is_told_anew():
    first, told = unflagged(0.6, start_correction(MEAN, AMPLITUDE))
    again = settled(first)
    assert not again.saturated
    second, more = unflagged(0.6, again)
    assert second.amplitude == pytest.approx(AMPLITUDE + 2 * AUTHORITY * RANGE)
    assert [sum("end of its authority" in text for text in texts) for texts in (told, more)] == [
        1,
        1,
    ]


@pytest.mark.parametrize("growing", [0.0101, 0.02, 0.034])
def test_nothing_is_raised_while_net_deflection_grows_more_than_one_per_cent_in_fifty(growing):
    servo = Servo(gain=lambda cycle: 1.0 if cycle < 120 else 0.96, growth=growing)
    night = follow(servo, 250)
    assert night.state.amplitude == AMPLITUDE
    assert [text for text in night.told if "specimen softens" in text] == night.told
    assert len(night.told) == 1
    slow = follow(Servo(gain=servo.gain, growth=0.0095), 250)
    assert slow.upper[-1] == pytest.approx(UPPER, abs=DEADBAND * RANGE)
    assert slow.told == []


def test_while_a_specimen_softens_the_load_falls_by_what_the_servo_loses_and_comes_back_after():
    # Two fifths of its stiffness in 1000 cycles are 2.6 % in 50; a servo of a fifth of its
    # bandwidth (4 of 20 Hz) loses 1.2 % of the amplitude by it: 0.6 % of range.
    def reach(cycle: int) -> float:
        left = 1 - 0.4 * min(max(cycle - 80, 0), 240) / 1000
        return 1 / (1 + 0.04 / left) ** 0.5

    def night(cycles: int) -> Night:
        return follow(Servo(gain=reach, growth=0.026, grows_until=320), cycles)

    settled_before, soft, after = night(80), night(320), night(420)
    assert soft.state.amplitude == settled_before.state.amplitude
    lost = AMPLITUDE * (1 - reach(320) / reach(0))
    assert UPPER - soft.upper[-1] <= lost + DEADBAND * RANGE
    assert after.upper[-1] == pytest.approx(UPPER, abs=DEADBAND * RANGE)
    assert max(after.upper) <= 1.001 * UPPER


def test_a_load_that_falls_while_the_specimen_softens_hides_no_softening():
    # Net deflection stays the same: it softens by as much as the load falls short.
    servo = Servo(gain=lambda cycle: 1 - 0.0003 * max(cycle - 120, 0), growth=0.015)
    assert follow(servo, 250).state.amplitude == AMPLITUDE


def test_what_nobody_knows_of_the_deflection_raises_nothing_and_lowers_all_the_same():
    for gain, moves in ((0.97, False), (1.03, True)):
        night = follow(Servo(gain=lambda c, g=gain: 1.0 if c < 60 else g, blind_from=60), 120)
        assert (night.state.amplitude != AMPLITUDE) is moves


def test_a_rise_under_way_ends_where_the_specimen_begins_to_soften():
    servo = Servo(gain=lambda cycle: 1.0 if cycle < 60 else 0.951, steps_at=62, step=0.05)
    night = follow(servo, 100)
    raised = (night.state.amplitude - AMPLITUDE) / STEP
    # Without the step it would go on; three cycles of five must show it.
    assert 1 <= raised <= 3


@given(share=st.floats(0.951, 0.999), lasts=st.integers(1, 11))
def test_a_shortfall_that_goes_as_suddenly_as_it_came_leaves_no_cycle_above_101_per_cent(
    share, lasts
):
    servo = Servo(gain=lambda cycle: share if 60 <= cycle < 60 + lasts else 1.0)
    night = follow(servo, 100)
    assert max(night.upper) <= 1.01 * UPPER
    assert night.upper[-1] == pytest.approx(UPPER, abs=DEADBAND * RANGE)


def test_a_load_that_comes_back_by_itself_ends_a_rise():
    # From the third short cycle on it is to be raised by five steps; a fifth comes back each cycle.
    servo = Servo(gain=lambda cycle: 1 - 0.04 * max(min(1, (67 - cycle) / 5), 0) * (cycle >= 60))
    assert max(follow(servo, 90).upper) <= UPPER + 4 * STEP


@pytest.mark.parametrize("flag", UNUSABLE)
def test_cycles_that_cannot_be_trusted_are_never_corrected_on(flag):
    for gain in (0.9, 1.1):
        state, row, _ = correct(
            start_correction(MEAN, AMPLITUDE),
            rows([MEAN] * 49, [gain * AMPLITUDE] * 49, flags=[int(flag)] * 49),
        )
        assert row is None
        assert state.pairs == ()


@pytest.mark.parametrize("flag", LOWERING)
def test_short_cycles_and_overloads_lower_the_load_and_raise_nothing(flag):
    for gain, moves in ((0.94, False), (1.06, True)):
        state, _, change = correct(
            start_correction(MEAN, AMPLITUDE),
            rows([MEAN] * 49, [gain * AMPLITUDE] * 49, flags=[int(flag)] * 49),
        )
        assert (change is not None) is moves
        assert state.amplitude <= AMPLITUDE


@given(
    flags=st.lists(st.sampled_from([0, *map(int, UNUSABLE), *map(int, LOWERING)]), max_size=60),
    gain=st.floats(0.8, 0.999),
)
def test_whatever_is_flagged_no_flagged_cycle_raises_the_load(flags, gain):
    state = start_correction(MEAN, AMPLITUDE)
    good = 0
    for flag in flags:
        before = state.mean + state.amplitude
        state, _, _ = correct(state, rows([MEAN], [gain * AMPLITUDE], flags=[flag]))
        good = 0 if flag in map(int, LOWERING) else good + (flag == 0)
        if state.mean + state.amplitude > before and flag:
            # Only a rise that five good cycles asked for may go on past a change of command.
            assert flag == int(Flag.CORRECTED)
            assert good >= 5


def test_a_load_that_stays_short_is_told_once_with_the_reason_and_again_after_it_was_well():
    short = rows([MEAN] * 60, [0.94 * AMPLITUDE] * 60, flags=[int(Flag.SHORT)] * 60)
    state, row, change = correct(start_correction(MEAN, AMPLITUDE), short)
    assert row == SHORT_FOR - 1
    assert change is not None
    assert "cycles under 95 % of range" in change.told
    assert not change.moves
    state, _, change = correct(state, short)
    assert change is None
    state, _, _ = correct(state, rows([MEAN] * 9, [AMPLITUDE] * 9))
    _, _, change = correct(state, short)
    assert change is not None
    assert "short for 50 cycles" in change.told


def test_one_bad_cycle_in_five_moves_nothing():
    amplitudes = [AMPLITUDE, AMPLITUDE, 0.5 * AMPLITUDE, AMPLITUDE, AMPLITUDE]
    _, row, _ = correct(start_correction(MEAN, AMPLITUDE), rows([MEAN] * 5, amplitudes))
    assert row is None


@given(cuts=st.lists(st.integers(1, 30), min_size=1, max_size=40), seed=st.integers(0, 99))
def test_the_first_change_does_not_depend_on_how_rows_are_cut(cuts, seed):
    random = np.random.default_rng(seed)
    n = sum(cuts)
    mean = MEAN + random.normal(0, 100, n)
    amplitude = AMPLITUDE * np.linspace(1.0, random.uniform(0.93, 1.03), n)
    opening = 1e-3 * (1 + random.uniform(0, 0.02) * np.linspace(0, 1, n))
    flags = random.choice([0, 0, 0, 0, 0, int(Flag.SPIKE), int(Flag.SHORT)], n)
    whole = rows(mean, amplitude, opening, flags)
    begun = built_up_again(start_correction(MEAN, AMPLITUDE), int(random.integers(0, 400)))
    expected = correct(begun, whole)
    state, start = begun, 0
    for cut in cuts:
        state, row, change = correct(restored(state), whole.part(start, start + cut))
        if row is not None:
            assert (start + row, change) == expected[1:]
            assert state == expected[0]
            return
        start += cut
    assert expected[1] is None
    assert state == expected[0]


def test_a_build_up_drops_a_rise_and_keeps_how_soft_the_specimen_was():
    night = follow(Servo(gain=0.96), 8)
    assert any(night.state.rise)
    again = built_up_again(night.state, 200)
    assert not any(again.rise)
    assert again.softness == night.state.softness
    assert (again.mean, again.amplitude) == (night.state.mean, night.state.amplitude)
    state, row, _ = correct(again, rows([MEAN] * 12, [0.96 * AMPLITUDE] * 12))
    assert (row, state.pairs) == (None, ())


def test_a_restart_point_of_an_earlier_version_can_be_read():
    plain = asdict(start_correction(MEAN, AMPLITUDE)) | {"pairs": [[MEAN, AMPLITUDE]]}
    for name in ("softness", "rise", "short", "held"):
        del plain[name]
    state = correction_from(plain | {"ranges": [1e-3, 1e-3]})
    assert state.pairs == ((MEAN, AMPLITUDE, 1.0),)
    assert state.softness == ()


def test_targets_stay_what_they_were():
    state, _, _ = correct(
        start_correction(MEAN, AMPLITUDE), rows([MEAN] * 30, [0.95 * AMPLITUDE] * 30)
    )
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


@pytest.mark.parametrize(("softer", "told"), [(0.0, 1), (0.05, 0)])
def test_what_had_to_be_added_is_told_once_where_the_specimen_is_as_it_was(softer, told):
    """A servo loses 4 % of its gain; a specimen that has softened meanwhile explains it."""
    night = follow(Servo(), 80)
    state, texts = settled(night.state), []
    softness = (1 + softer) * SOFTNESS
    for reach in np.linspace(1.0, 0.96, 400):
        mean, amplitude = np.full(1, state.mean), np.full(1, reach * state.amplitude)
        state, _, change = correct(state, rows(mean, amplitude, 2 * amplitude * softness))
        texts += [change.told] if change and change.told else []
        state = correction_from(json.loads(json.dumps(asdict(state))))
    assert 2 * (state.amplitude - AMPLITUDE) > 0.03 * RANGE
    assert len([t for t in texts if "look at the oil, at valve and servo gain" in t]) == told
    assert len(texts) == told


def test_nothing_is_said_of_what_is_added_before_the_baseline():
    night = follow(Servo(gain=0.95), 300)
    assert 2 * (night.state.amplitude - AMPLITUDE) > 0.03 * RANGE
    assert night.told == []
