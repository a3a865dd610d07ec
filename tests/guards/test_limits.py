"""Limits: what persists trips, at the frame that completes it, however the samples are cut.

Expected frames are counted by hand from the definition: the `persist`-th bad sample in a row.
"""

import json
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guards.learned import LearnedSetup, combine, learned_bounds
from rig.guards.limits import LimitSetup, LimitState, check_limits

NAN = float("nan")


def signal(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float32)


def first_trip(setup, signals, cuts=()):
    """Feed the signals in blocks; return the first trip and the state at the end."""
    length = len(next(iter(signals.values())))
    edges = [0, *sorted(cuts), length]
    state = LimitState()
    for start, stop in pairwise(edges):
        block = {name: values[start:stop] for name, values in signals.items()}
        plain = json.loads(json.dumps(state.to_plain()))
        state, trip = check_limits(setup, LimitState.from_plain(plain), start, block)
        if trip is not None:
            return trip, state
    return None, state


def at_1khz(persist=3, feedback="load", **bounds):
    return LimitSetup(bounds, 1000.0, persist, feedback)


@pytest.mark.parametrize("spike", [99.0, -99.0, NAN, math.inf])
def test_two_samples_outside_do_not_trip_but_three_do_at_the_third(spike):
    setup = at_1khz(load=(-10.0, 10.0))
    assert first_trip(setup, {"load": signal(0, spike, spike, 0, spike, spike, 0)})[0] is None
    trip, _ = first_trip(setup, {"load": signal(0, spike, spike, 0, spike, spike, spike, 0)})
    assert (trip.kind, trip.channel, trip.frame) == ("limit", "load", 6)
    assert np.array_equal(trip.value, spike, equal_nan=True)


def test_a_run_of_missing_and_excess_samples_mixed_persists_as_one():
    trip, _ = first_trip(at_1khz(load=(-10.0, 10.0)), {"load": signal(0, NAN, 99, -99, 0)})
    assert (trip.kind, trip.frame, trip.bound) == ("limit", 3, -10.0)


def test_a_value_on_the_bound_is_inside():
    assert first_trip(at_1khz(1, load=(0.0, 10.0)), {"load": signal(0, 10, 0)})[0] is None


def test_a_value_on_the_bound_is_inside_also_beside_one_that_is_not():
    values = signal(10, NAN, 10, 99, 0, NAN, 0)
    assert first_trip(at_1khz(2, load=(0.0, 10.0)), {"load": values})[0] is None


def test_the_text_names_channel_value_bound_unit_and_persistence():
    trip, _ = first_trip(at_1khz(load=(0.0, 24e3)), {"load": signal(*[25e3] * 3)})
    assert trip.text == "load 25 kN is above its limit 24 kN, 3 samples in a row"


@given(st.floats(1e-6, 1e6))
def test_a_sample_that_equals_its_limit_is_not_beyond_it(bound):
    setup = LimitSetup({"deflection": (-bound, bound)}, 1000.0, feedback="")
    trip, _ = first_trip(setup, {"deflection": signal(*[bound] * 9, *[-bound] * 9)})
    assert trip is None


def test_a_value_just_beyond_its_limit_does_not_read_as_the_limit():
    setup = LimitSetup({"deflection": (-1e-3, 2.3e-3)}, 1000.0, feedback="")
    trip, _ = first_trip(setup, {"deflection": signal(*[2.30002e-3] * 3)})
    assert trip.text.startswith("deflection 2.30002")
    assert trip.text.endswith(" mm is above its limit 2.3 mm, 3 samples in a row")


def test_the_earliest_frame_over_all_channels_wins():
    signals = {"load": signal(0, 0, 9, 9, 9), "stroke": signal(0, 9, 9, 9, 0)}
    trip, _ = first_trip(at_1khz(load=(-1.0, 1.0), stroke=(-1.0, 1.0)), signals)
    assert (trip.channel, trip.frame) == ("stroke", 3)


def test_ties_go_by_the_order_of_the_bounds():
    signals = {"load": signal(9, 9, 9), "stroke": signal(9, 9, 9)}
    trip, _ = first_trip(at_1khz(stroke=(-1.0, 1.0), load=(-1.0, 1.0)), signals)
    assert trip.channel == "stroke"


@pytest.mark.parametrize(("rate", "samples"), [(1000.0, 6), (200.0, 5), (5000.0, 26)])
def test_feedback_is_lost_after_more_than_5_ms_and_at_least_5_samples(rate, samples):
    setup = LimitSetup({}, rate)
    gone = [NAN] * samples
    assert first_trip(setup, {"load": signal(0, *gone[1:], 0, *gone[1:])})[0] is None
    trip, _ = first_trip(setup, {"load": signal(0, *gone)})
    assert (trip.kind, trip.frame) == ("feedback", samples)


def test_missing_samples_are_counted_over_a_resume_between_any_two():
    gone = {"load": signal(0, *[NAN] * 6, 0), "stroke": signal(*[0] * 8)}
    setup = at_1khz(1000, stroke=(-1.0, 1.0))
    trip, _ = first_trip(setup, gone, range(8))
    assert (trip.kind, trip.frame) == ("feedback", 6)
    stale = {"load": np.zeros(300, np.float32), "stroke": np.full(300, NAN, np.float32)}
    trip, _ = first_trip(setup, stale, range(300))
    assert (trip.kind, trip.frame) == ("stale", 249)


def test_lost_feedback_trips_as_a_limit_when_the_persistence_is_shorter():
    trip, _ = first_trip(at_1khz(3, load=(-1.0, 1.0)), {"load": signal(0, *[NAN] * 10)})
    assert (trip.kind, trip.frame) == ("limit", 3)


def test_lost_feedback_is_named_so_when_the_persistence_is_as_long_or_longer():
    for persist in (6, 20):
        trip, _ = first_trip(at_1khz(persist, load=(-1.0, 1.0)), {"load": signal(*[NAN] * 30)})
        assert (trip.kind, trip.frame) == ("feedback", 5)


def test_a_limited_channel_is_stale_after_250_ms_when_its_persistence_is_longer():
    signals = {"load": np.zeros(600, np.float32), "stroke": np.full(600, NAN, np.float32)}
    setup = at_1khz(1000, stroke=(-1.0, 1.0))
    trip, _ = first_trip(setup, signals)
    assert (trip.kind, trip.channel, trip.frame) == ("stale", "stroke", 249)


def test_a_limited_channel_without_signal_is_refused():
    with pytest.raises(ValueError, match="stroke is limited but not sampled"):
        check_limits(at_1khz(stroke=(0.0, 1.0)), LimitState(), 0, {"load": signal(0)})


def test_a_run_that_tripped_before_does_not_trip_again_once_it_has_ended():
    setup = at_1khz(load=(-1.0, 1.0))
    state, trip = check_limits(setup, LimitState(), 0, {"load": signal(0, 9, 9, 9, 9)})
    assert trip.frame == 3
    _, trip = check_limits(setup, state, 5, {"load": signal(0, 9, 9, 0)})
    assert trip is None


def test_the_state_given_is_left_as_it_was():
    state = LimitState({"load": 2}, {})
    check_limits(at_1khz(load=(-1.0, 1.0)), state, 5, {"load": signal(9, 0)})
    assert state == LimitState({"load": 2}, {})


LEVELS = st.sampled_from([0.0, 0.0, 0.5, 9.0, -9.0, NAN])


def random_runs(rng, length):
    """Return runs of 1 to 7 samples, each inside, outside or missing."""
    levels = rng.choice([0.0, 0.0, 0.5, 9.0, NAN], length)
    return np.repeat(levels, rng.integers(1, 8, length))[:length].astype(np.float32)


@given(
    st.integers(0, 2**32 - 1), st.integers(1, 60), st.lists(st.integers(0, 60)), st.integers(1, 9)
)
def test_trip_and_state_do_not_depend_on_how_samples_are_cut(seed, length, cuts, persist):
    rng = np.random.default_rng(seed)
    signals = {"load": random_runs(rng, length), "stroke": random_runs(rng, length)}
    setup = LimitSetup({"stroke": (-1.0, 1.0), "load": (-1.0, 1.0)}, 200.0, persist)
    whole, state = first_trip(setup, signals)
    for edges in ([c for c in cuts if c <= length], range(length)):
        cut, cut_state = first_trip(setup, signals, edges)
        assert repr(cut) == repr(whole)
        if whole is None:
            assert cut_state == state


@given(st.lists(LEVELS, min_size=1, max_size=40), st.integers(1, 5))
def test_a_limit_trips_where_counting_sample_by_sample_says(values, persist):
    run, expected = 0, None
    for frame, value in enumerate(values):
        run = 0 if -1 <= value <= 1 else run + 1
        if run == persist:
            expected = frame
            break
    setup = at_1khz(persist, feedback="", load=(-1.0, 1.0))
    trip, _ = first_trip(setup, {"load": signal(*values)})
    assert (trip and trip.frame) == expected


def test_learned_bounds_follow_common_practice():
    # Half of lower to 105 % of upper; twice the settled deflection; stroke 1.5 mm beyond the
    # settled one and the deflection allowed: 3.0 + (2 - 1) * 0.4 + 1.5 = 4.9 mm. No source.
    bounds = learned_bounds(LearnedSetup(), 2e3, 20e3, 0.4e-3, 3.0e-3, 2.5e-3)
    assert bounds["load"] == pytest.approx((1e3, 21e3))
    assert bounds["deflection"] == pytest.approx((-math.inf, 0.8e-3))
    assert bounds["stroke"] == pytest.approx((1.0e-3, 4.9e-3))


def test_what_is_not_measured_or_not_armed_has_no_learned_bound():
    setup = LearnedSetup(load_low=None, load_high=None)
    assert set(learned_bounds(setup, 2e3, 20e3, 0.4e-3)) == {"deflection"}


def test_combined_bounds_are_the_tighter_of_each_side():
    fixed = {"load": (-1.0, 25.0), "pressure": (0.0, 9.0)}
    both = combine(fixed, {"load": (1.0, 30.0), "stroke": (0.0, 2.0)})
    assert both == {"load": (1.0, 25.0), "pressure": (0.0, 9.0), "stroke": (0.0, 2.0)}
