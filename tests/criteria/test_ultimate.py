"""The end of a static test, and the first crack, on curves known in closed form.

Falls, times and the thirtieth of the span are common practice, no source.
"""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.criteria.crack import CrackSetup, CrackState, first_crack
from rig.criteria.ultimate import UltimateSetup, UltimateState, watch_ultimate

RATE = 100.0
SETUP = UltimateSetup(RATE, span=0.9, least=500.0)


def feed(function, setup, state, load, deflection, cuts=(), first=1000):
    """Feed in blocks, each from a state that was written and read; stop at the first result."""
    edges = [0, *sorted(c for c in cuts if c <= len(load)), len(load)]
    force, bent = load.astype(np.float32), deflection.astype(np.float32)
    for start, stop in pairwise(edges):
        state = type(state).from_plain(json.loads(json.dumps(state.to_plain())))
        state, found = function(setup, state, first + start, force[start:stop], bent[start:stop])
        if found is not None:
            return state, found
    return state, None


def ended(load, deflection=None, cuts=()):
    bent = np.linspace(0, 5e-3, len(load)) if deflection is None else deflection
    return feed(watch_ultimate, SETUP, UltimateState(), load, bent, cuts)[1]


def loading(top=20e3, frames=1000):
    return np.linspace(0, top, frames)


def test_a_drop_under_ten_percent_goes_on():
    assert ended(np.concatenate((loading(), np.full(2000, 18.2e3)))) is None


def test_a_fall_of_a_fifth_ends_the_test_when_it_was_kept_for_five_seconds():
    slope = np.linspace(20e3, 15.9e3, 400)
    load = np.concatenate((loading(), np.full(10, 20e3), slope, np.full(1000, 15.9e3)))
    end = ended(load)
    # 500 samples at or under 16 kN, the first counted on the curve itself.
    first = int(np.argmax((load <= 16e3) & (np.arange(len(load)) > 1000)))
    assert (end.kind, end.frame) == ("fall", 1000 + first + 499)
    assert end.peak_load == pytest.approx(20e3, rel=0.005)


def test_a_fall_that_recovers_within_five_seconds_goes_on():
    down = np.linspace(20e3, 15e3, 100)
    load = np.concatenate((loading(), down, np.full(400, 15e3), np.full(600, 17e3)))
    assert ended(load) is None


def test_a_tendon_break_ends_the_test_at_once():
    load = np.concatenate((loading(), np.full(100, 13e3)))
    end = ended(load)
    # Three samples show that it is no spike.
    assert (end.kind, end.frame) == ("break", 1000 + 1002)
    assert end.peak_load == pytest.approx(20e3, rel=0.005)


def test_the_same_fall_over_a_second_is_no_break():
    load = np.concatenate((loading(), np.linspace(20e3, 13e3, 100), np.full(300, 13e3)))
    assert ended(load) is None


@pytest.mark.parametrize("spike", [0.0, -50e3, 90e3, np.nan])
def test_two_wild_samples_neither_end_the_test_nor_make_its_peak(spike):
    load = loading()
    load[800:802] = spike
    assert ended(load) is None
    end = ended(np.concatenate((load, np.full(10, 5e3))))
    assert end.peak_load == pytest.approx(20e3, rel=0.005)


def test_a_thirtieth_of_the_span_ends_the_test():
    bent = np.linspace(0, 41e-3, 1001)
    load = np.full(1001, 10e3)
    end = ended(load, bent)
    # 0.9 m / 30 = 30 mm, passed at sample 732 (30/41 of 1000); the third confirms it.
    assert (end.kind, end.frame) == ("deflection", 1000 + 734)


def test_nothing_is_judged_under_the_contact_load():
    load = np.concatenate((np.full(100, 400.0), np.zeros(1000)))
    assert ended(load) is None


def test_the_peak_deflection_is_the_one_at_the_peak():
    load = np.concatenate((loading(), np.full(100, 5e3)))
    end = ended(load)
    assert end.peak_deflection == pytest.approx(5e-3 * 999 / 1099, rel=1e-3)
    assert end.peak_frame == 1000 + 999


@pytest.mark.nights
@settings(max_examples=30)
@given(
    st.lists(st.tuples(st.integers(1, 200), st.floats(0, 25e3)), min_size=1, max_size=8),
    st.lists(st.integers(0, 1600), max_size=20),
    st.integers(0, 99),
)
def test_the_end_does_not_depend_on_how_samples_are_cut(pieces, cuts, seed):
    rng = np.random.default_rng(seed)
    load = np.concatenate([np.full(n, level) for n, level in pieces])
    load += rng.normal(0, 50, len(load))
    load[rng.random(len(load)) < 0.02] = np.nan
    bent = np.linspace(0, 35e-3, len(load))
    quick = UltimateSetup(RATE, span=0.9, least=500.0, fall_for=0.5)
    whole = feed(watch_ultimate, quick, UltimateState(), load, bent)
    for edges in (cuts, range(0, len(load), 3)):
        cut = feed(watch_ultimate, quick, UltimateState(), load, bent, edges)
        assert repr(cut[1]) == repr(whole[1])
        if whole[1] is None:
            assert repr(cut[0].to_plain()) == repr(whole[0].to_plain())


def test_a_break_and_a_fall_that_span_blocks_end_at_the_same_frame():
    broken = np.concatenate((loading(), np.full(100, 13e3)))
    fallen = np.concatenate((loading(), np.linspace(20e3, 15e3, 100), np.full(600, 15e3)))
    for load in (broken, fallen):
        assert ended(load, cuts=range(len(load))) == ended(load)


CRACK = CrackSetup(RATE, least=2e3)
CRACKING, SLOPE, KEPT = 10e3, 1e8, 0.3


def bilinear(frames=6000, top=0.30e-3, bedding=0.0):
    """Return load and deflection: SLOPE [N/m] to CRACKING, KEPT times that after it."""
    bent = np.linspace(0, top, frames)
    knee = CRACKING / SLOPE
    load = SLOPE * np.minimum(bent, knee) + KEPT * SLOPE * np.maximum(bent - knee, 0)
    return load, bent + bedding * (1 - np.exp(-load / 500))


def cracked(load, bent, cuts=(), setup=CRACK):
    return feed(first_crack, setup, CrackState(), load, bent, cuts)


@pytest.mark.parametrize("noise", [0.0, 20.0, 60.0])
def test_the_first_crack_lies_at_the_five_percent_offset_of_a_bilinear_curve(noise):
    load, bent = bilinear()
    rng = np.random.default_rng(5)
    load = load + rng.normal(0, noise, len(load))
    bent = bent + rng.normal(0, noise / SLOPE / 2, len(bent))
    _, crack = cracked(load, bent)
    # Closed form: k d = P (1 - r)/(0.95 - r), and the load is 0.95 of that.
    expected = 0.95 * CRACKING * (1 - KEPT) / (0.95 - KEPT)
    assert crack.load == pytest.approx(expected, rel=0.01)
    assert crack.seen < crack.frame <= crack.seen + 5 * CRACK.group


def test_a_load_that_falls_with_the_crack_is_found_as_well():
    load, bent = bilinear()
    at = int(np.argmax(load >= CRACKING))
    load[at:] -= 0.2 * CRACKING
    _, crack = cracked(load, bent)
    assert at <= crack.seen - 1000 <= at + 2 * CRACK.group
    assert crack.load < CRACKING


def test_bedding_at_the_start_is_no_crack():
    load, bent = bilinear(top=0.09e-3, bedding=0.03e-3)
    assert cracked(load, bent)[1] is None


def test_noise_under_a_small_load_is_no_crack():
    # A prism as stiff as 255 kN/mm, bent by 0.2 mm/min from the load at which it is seated, so that
    # the line has few points at first; 1.4 um of noise, at 1 kHz.
    setup, bent = CrackSetup(1000.0, least=4.6e3), np.arange(4.1e-6, 60e-6, 3.3e-9)
    rng = np.random.default_rng(7)
    for _ in range(40):
        load = 255e6 * bent + rng.normal(0, 40, len(bent))
        noisy = bent + rng.normal(0, 1.4e-6, len(bent))
        assert cracked(load, noisy, setup=setup)[1] is None


def test_a_linear_curve_loaded_held_and_unloaded_has_no_crack():
    bent = np.concatenate(
        (np.linspace(0, 0.1e-3, 2000), np.full(1000, 0.1e-3), np.linspace(0.1e-3, 0, 2000))
    )
    rng = np.random.default_rng(6)
    load = SLOPE * bent + rng.normal(0, 50, len(bent))
    assert cracked(load, bent)[1] is None


@pytest.mark.nights
@settings(max_examples=25)
@given(st.lists(st.integers(0, 6000), max_size=20), st.integers(0, 99))
def test_the_first_crack_does_not_depend_on_how_samples_are_cut(cuts, seed):
    load, bent = bilinear()
    load = load + np.random.default_rng(seed).normal(0, 40, len(load))
    whole, cut = cracked(load, bent), cracked(load, bent, cuts)
    assert cut[1] == whole[1]
    assert cut[1] is not None


@pytest.mark.parametrize(("points", "found"), [(2, False), (3, True)])
def test_a_first_crack_takes_three_points_in_a_row(points, found):
    load, bent = bilinear(top=0.09e-3)
    begin = 500 * CRACK.group
    load[begin : begin + points * CRACK.group] *= 0.9
    crack = cracked(load, bent)[1]
    assert (crack is not None) is found
    assert not found or crack.seen == 1000 + begin + CRACK.group - 1
    # A resume between the points goes on counting them.
    assert cracked(load, bent, range(begin, begin + 4 * CRACK.group, CRACK.group))[1] == crack
