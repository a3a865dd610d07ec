"""Sensor health: flat, saturated, missing, spiking. Expected frames are counted by hand."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guards.health import HealthSetup, HealthState, check_health, check_spikes, half_cycle

NAN = float("nan")
RANGES = {"load": (-10.0, 10.0), "midspan": (-10.0, 10.0)}


def feed(setup, signals, cuts=()):
    length = len(next(iter(signals.values())))
    edges = [0, *sorted(cuts), length]
    state, found = HealthState(), []
    for start, stop in pairwise(edges):
        block = {name: values[start:stop] for name, values in signals.items()}
        state = HealthState.from_plain(json.loads(json.dumps(state.to_plain())))
        state, more = check_health(setup, state, start, block)
        found += more
    return found, state


def moving(frames=400):
    return np.sin(np.arange(frames) * 2 * np.pi / 40).astype(np.float32)


def seen(found):
    return [(f.kind, f.action, f.channel, f.frame) for f in found]


def test_flat_feedback_while_cycling_is_a_fault_after_half_a_cycle():
    load = moving()
    load[100:] = load[100]
    setup = HealthSetup(RANGES, 200.0, flat_after=half_cycle(200.0, 5.0))
    found, _ = feed(setup, {"load": load, "midspan": moving()})
    assert seen(found) == [("flat", "fault", "load", 120)]


def test_a_flat_watching_channel_pauses():
    midspan = moving()
    midspan[100:] = midspan[100]
    setup = HealthSetup(RANGES, 200.0, flat_after=20)
    found, _ = feed(setup, {"load": moving(), "midspan": midspan})
    assert seen(found) == [("flat", "pause", "midspan", 120)]


def test_a_constant_channel_is_not_flat_while_nothing_cycles():
    still = np.zeros(400, np.float32)
    assert feed(HealthSetup(RANGES, 200.0), {"load": still, "midspan": still})[0] == []


def test_a_channel_that_need_not_move_is_not_flat():
    setup = HealthSetup(RANGES, 200.0, moving=("load",), flat_after=20)
    found, _ = feed(setup, {"load": moving(), "midspan": np.zeros(400, np.float32)})
    assert found == []


@pytest.mark.parametrize("end", [10.0, -10.0, 11.0])
def test_saturated_is_five_samples_in_a_row_at_the_end_of_the_range(end):
    load = moving()
    load[50:54] = load[100:105] = end
    found, _ = feed(HealthSetup(RANGES, 200.0), {"load": load, "midspan": moving()})
    assert seen(found) == [("saturated", "fault", "load", 104)]


def test_missing_over_a_second_pauses_for_a_watching_channel():
    midspan = moving()
    midspan[10:210] = NAN
    setup = HealthSetup(RANGES, 200.0)
    assert feed(setup, {"load": moving(), "midspan": midspan})[0] == []
    midspan[210] = NAN
    found, _ = feed(setup, {"load": moving(), "midspan": midspan})
    assert seen(found) == [("missing", "pause", "midspan", 210)]


def test_the_sixth_spike_within_an_hour_warns_once():
    setup = HealthSetup(RANGES, 1.0)
    spaced = [0, 1000, 2000, 3000, 3500, 3601]
    assert check_spikes(setup, HealthState(), spaced, [False] * len(spaced))[1] == ()
    frames = [0, 1000, 2000, 3000, 3500, 3600, 3601]
    _, found = check_spikes(setup, HealthState(), frames, [False] * 5 + [True] * 2)
    assert seen(found) == [("spiking", "warn", "", 3600)]


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 80)), st.integers(5, 9))
def test_findings_and_state_do_not_depend_on_how_samples_are_cut(seed, cuts, need):
    rng = np.random.default_rng(seed)
    levels = rng.choice([0.0, 1.0, 2.0, 10.0, NAN], 80)
    load = np.repeat(levels, rng.integers(1, 12, 80))[:80].astype(np.float32)
    setup = HealthSetup(RANGES, 6.0, flat_after=need)
    signals = {"load": load, "midspan": load[::-1].copy()}
    whole, state = feed(setup, signals)
    for edges in (cuts, range(80)):
        cut, cut_state = feed(setup, signals, edges)
        assert seen(cut) == seen(whole)
        assert repr(cut_state.to_plain()) == repr(state.to_plain())


@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.integers(5, 9))
def test_flat_is_found_where_counting_sample_by_sample_says(seed, length, need):
    rng = np.random.default_rng(seed)
    values = np.repeat(rng.integers(0, 2, length), rng.integers(1, 8, length))[:length]
    run, expected = 0, []
    for frame in range(1, length):
        run = run + 1 if values[frame] == values[frame - 1] else 0
        if run == need:
            expected = [frame]
            break
    setup = HealthSetup({"load": (-10.0, 10.0)}, 100.0, flat_after=need)
    found, _ = feed(setup, {"load": values.astype(np.float32)})
    assert [f.frame for f in found] == expected


def test_spikes_are_counted_over_a_resume_and_told_once():
    setup, state, told = HealthSetup(RANGES, 1.0), HealthState(), []
    for frame in range(0, 800, 100):
        state = HealthState.from_plain(json.loads(json.dumps(state.to_plain())))
        state, found = check_spikes(setup, state, [frame], [False])
        told += seen(found)
    assert told == [("spiking", "warn", "", 500)]
