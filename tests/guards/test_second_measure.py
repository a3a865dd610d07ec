"""A feedback at the end of its range, and one that a second measure contradicts.

Expected frames are counted by hand from the definitions: five samples at the end of the range; as
many apart as a limit persists.
"""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guards.limits import LimitSetup, LimitState, check_limits

NAN = float("nan")
ENDS = (-20.0, 20.0)


def first_trip(setup, signals, cuts=()):
    """Feed the signals in blocks; return the first trip and the state at the end."""
    state = LimitState()
    length = len(next(iter(signals.values())))
    for start, stop in pairwise([0, *sorted(cuts), length]):
        block = {name: values[start:stop] for name, values in signals.items()}
        plain = json.loads(json.dumps(state.to_plain()))
        state, trip = check_limits(setup, LimitState.from_plain(plain), start, block)
        if trip is not None:
            return trip, state
    return None, state


def signal(*values):
    return np.array(values, np.float32)


def setup(persist=3, apart=1.0, **bounds):
    return LimitSetup(bounds, 1000.0, persist, ends=ENDS, apart=apart)


@pytest.mark.parametrize("end", [20.0, -20.0, 25.0])
def test_feedback_at_the_end_of_its_range_is_in_doubt_with_the_fifth_sample(end):
    four = signal(0, end, end, end, end, 0, 0)
    assert first_trip(setup(), {"load": four})[0] is None
    trip, _ = first_trip(setup(), {"load": signal(0, *[end] * 5, 0)})
    assert (trip.kind, trip.channel, trip.frame) == ("feedback", "load", 5)
    assert "is at the end of its range, 5 samples in a row" in trip.text


def test_a_limit_passed_at_the_end_of_the_range_is_a_feedback_in_doubt():
    beyond = {"load": signal(0, 20, 20, 20, 0)}
    trip, _ = first_trip(setup(load=(-10.0, 10.0)), beyond)
    assert (trip.kind, trip.frame) == ("feedback", 3)
    inside = {"load": signal(0, 19, 19, 19, 0)}
    trip, _ = first_trip(setup(load=(-10.0, 10.0)), inside)
    assert (trip.kind, trip.frame) == ("limit", 3)


def test_limits_wider_than_the_range_do_not_hide_its_end():
    trip, _ = first_trip(setup(load=(-99.0, 99.0)), {"load": signal(*[20] * 6)})
    assert (trip.kind, trip.frame) == ("feedback", 4)


def test_two_measures_apart_trip_as_a_limit_persists():
    load = signal(5, 5, 5, 5, 5, 5)
    signals = {"load": load, "load_2": signal(5, 7, 7, 5.5, 7, 7)}
    assert first_trip(setup(), signals)[0] is None
    signals["load_2"] = signal(5, 7, 3, 7, 5, 5)
    trip, _ = first_trip(setup(), signals)
    assert (trip.kind, trip.frame) == ("feedback", 3)
    assert trip.text == (
        "feedback in doubt: load shows 0.005 kN and load_2 0.007 kN, further apart than 0.001 kN, "
        "3 samples in a row"
    )


def test_a_difference_of_just_so_much_is_none():
    signals = {"load": signal(*[5] * 9), "load_2": signal(*[6] * 9)}
    assert first_trip(setup(), signals)[0] is None


def test_a_second_measure_that_is_missing_contradicts_nothing():
    signals = {"load": signal(*[5] * 9), "load_2": signal(*[NAN] * 9)}
    assert first_trip(setup(), signals)[0] is None


def test_nothing_is_compared_where_nobody_asks_or_no_second_measure_is_sampled():
    signals = {"load": signal(*[5] * 9), "load_2": signal(*[9] * 9)}
    assert first_trip(setup(apart=None), signals)[0] is None
    assert first_trip(setup(), {"load": signal(*[5] * 9)})[0] is None


def test_a_contradiction_names_the_trip_before_a_limit_of_the_same_frame():
    signals = {"load": signal(0, 15, 15, 15), "load_2": signal(0, 5, 5, 5)}
    trip, _ = first_trip(setup(load=(-10.0, 10.0)), signals)
    assert (trip.kind, trip.frame) == ("feedback", 3)


VALUES = st.sampled_from([0.0, 5.0, 6.0, 6.5, 15.0, 20.0, NAN])
PAIRS = st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=50)


@given(PAIRS, st.lists(st.integers(0, 50), max_size=8), st.integers(1, 5))
def test_trip_and_state_do_not_depend_on_how_samples_are_cut(pairs, cuts, persist):
    one, other = (signal(*values) for values in zip(*pairs, strict=True))
    signals = {"load": one, "load_2": other}
    asked = setup(persist, load=(-10.0, 10.0))
    whole, state = first_trip(asked, signals)
    for edges in ([cut for cut in cuts if cut <= len(one)], range(len(one))):
        cut, cut_state = first_trip(asked, signals, edges)
        assert repr(cut) == repr(whole)
        if whole is None:
            assert cut_state == state


@given(
    st.lists(st.tuples(st.sampled_from([0.0, 5.0, 6.0, 6.5]), VALUES), min_size=1, max_size=50),
    st.integers(1, 5),
)
def test_two_measures_are_apart_where_counting_sample_by_sample_says(pairs, persist):
    run, expected = 0, None
    for frame, (load, second) in enumerate(pairs):
        run = run + 1 if abs(load - second) > 1.0 else 0
        if run == persist:
            expected = frame
            break
    one, other = (signal(*values) for values in zip(*pairs, strict=True))
    trip, _ = first_trip(setup(persist), {"load": one, "load_2": other})
    assert (trip and trip.frame) == expected
