"""Load and net deflection belong together: what is in doubt, and what a specimen may do.

Expected frames are counted by hand from the definitions.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guards.following import FollowSetup, FollowState, follow
from rig.guards.jump import BEFORE, JumpState, find_jump

RATE = 1000.0
STIFFNESS = 100e6  # N/m
NOISE = 40.0, 1e-6  # of load [N] and net deflection [m]
SETUP = FollowSetup(
    RATE,
    load=4 * NOISE[0],
    deflection=4 * NOISE[1],
    soft=STIFFNESS / 3,
    stiff=3 * STIFFNESS,
    contact=1e3,
    drift=0.5e3,
)


def noisy(load, bent, seed=1):
    """Return a load and a net deflection with noise, the same seed giving the same."""
    random = np.random.default_rng(seed)
    load = np.asarray(load, float) + random.normal(0, NOISE[0], len(load))
    bent = np.asarray(bent, float) + random.normal(0, NOISE[1], len(bent))
    return load.astype(np.float32), bent.astype(np.float32)


def doubts(load, bent, cuts=(), setup=SETUP):
    """Feed samples in blocks; return what was in doubt, up to the first fault."""
    state, found = FollowState(), []
    edges = [0, *sorted(cuts), len(load)]
    for start, stop in pairwise(edges):
        state, more = follow(setup, state, start, load[start:stop], bent[start:stop])
        found += more
        if any(doubt.action == "fault" for doubt in more):
            break
    return found


def faults(*signals, **more):
    return [d for d in doubts(*signals, **more) if d.action == "fault"]


def ramp(seconds, to):
    """Return a load that rises to so much [N]."""
    return np.linspace(0, to, round(seconds * RATE))


def test_a_load_that_follows_the_specimen_is_not_in_doubt():
    load = np.concatenate((ramp(4, 40e3), np.full(4000, 40e3), ramp(4, 40e3)[::-1]))
    assert doubts(*noisy(load, load / STIFFNESS)) == []


@pytest.mark.parametrize("bends", [1 / 3, 3.0])
def test_a_specimen_three_times_as_soft_or_stiff_as_expected_is_not_in_doubt(bends):
    load = np.concatenate((ramp(4, 60e3), ramp(2, 60e3)[::-1]))
    assert doubts(*noisy(load, load / STIFFNESS * bends)) == []


def test_creep_and_yielding_at_a_load_that_stays_are_not_in_doubt():
    load = np.full(10_000, 40e3)
    assert doubts(*noisy(load, 0.4e-3 + ramp(10, 2e-3))) == []


def test_a_specimen_that_cracks_or_breaks_is_not_in_doubt():
    load = np.concatenate((ramp(2, 60e3), np.full(2000, 20e3)))
    bent = np.concatenate((ramp(2, 0.6e-3), np.linspace(0.6e-3, 3e-3, 2000)))
    assert doubts(*noisy(load, bent)) == []


def test_one_false_sample_of_the_load_is_not_in_doubt():
    load, bent = noisy(np.full(3000, 5e3), np.full(3000, 5e-5))
    load[1500] += 200e3
    assert doubts(load, bent) == []


def test_a_flat_load_is_in_doubt_once_the_specimen_has_bent_without_it():
    load, bent = noisy(ramp(4, 40e3), ramp(4, 0.4e-3))
    load[2000:] = load[2000]
    (doubt,) = faults(load, bent)
    # After 0.1 s; by then it has bent by 10 um, and 4 um + 2 x 160 N / 33 N/um are 13.6 um.
    assert 2100 <= doubt.frame <= 2165
    assert doubt.text == f"the load stays the same at {load[2000] / 1e3:.5g} kN while " + (
        "net deflection moves by 0.0136 mm"
    )


def test_a_load_that_is_the_same_for_less_than_a_tenth_of_a_second_is_not_flat():
    load, bent = noisy(ramp(4, 40e3), ramp(4, 1.6e-3))  # 0.4 um/ms
    load[2000:2080] = load[2000]
    assert faults(load, bent) == []
    load[2000:2120] = load[2000]
    assert faults(load, bent)


def test_a_flat_load_on_a_specimen_that_stays_as_it_is_tells_nothing():
    load, bent = noisy(np.full(5000, 20e3), np.full(5000, 2e-4))
    load[1000:] = load[1000]
    assert faults(load, bent) == []


def test_a_cell_without_noise_may_stand_still_while_the_specimen_creeps():
    quiet = np.full(3000, 50e3, np.float32)
    bent = noisy(quiet, ramp(3, 1e-3))[1]
    assert faults(quiet, bent)
    assert faults(quiet, bent, setup=replace(SETUP, lively=False, creep=1.1e-3)) == []


@pytest.mark.nights
def test_a_cell_without_noise_is_flat_where_the_specimen_bends_by_more_than_it_creeps():
    quiet = replace(SETUP, lively=False, creep=0.1e-3)
    bent = noisy(ramp(120, 0.0), ramp(120, 1.2e-3))[1]  # 10 um a second
    (doubt,) = faults(np.full(len(bent), 50e3, np.float32), bent, setup=quiet)
    assert doubt.frame == pytest.approx((0.1e-3 + SETUP.unloaded_bend) / 10e-6 * RATE, rel=0.05)
    assert doubt.text.startswith("the load stays the same at 50 kN while net deflection moves by")


def test_a_specimen_that_creeps_slowly_for_minutes_under_a_cell_without_noise_is_sound():
    quiet = replace(SETUP, lively=False, creep=0.1e-3)
    bent = noisy(ramp(300, 0.0), ramp(300, 0.3e-3))[1]  # 1 um a second
    assert faults(np.full(len(bent), 50e3, np.float32), bent, setup=quiet) == []


def test_a_specimen_that_bends_before_the_load_rises_is_in_doubt():
    load, bent = noisy(np.zeros(3000), np.concatenate((np.zeros(2000), ramp(1, 0.5e-3))))
    (doubt,) = faults(load, bent)
    # 13.6 um at 0.5 um/ms: seen against 10 ms and more before.
    assert 2027 <= doubt.frame <= 2045
    assert doubt.text.startswith("net deflection grows while the load does not rise")


def test_a_load_that_falls_as_the_specimen_bends_has_the_wrong_sign():
    load = -ramp(2, 20e3)
    (doubt,) = faults(*noisy(load, -load / STIFFNESS))
    assert doubt.text.startswith("the load falls while net deflection grows; look at the polarity")


def test_a_load_that_swings_while_nothing_bends_is_in_doubt():
    n = np.arange(4000)
    load = 10e3 * np.sin(2 * np.pi * 2 * n / RATE)
    (doubt,) = faults(*noisy(load, np.zeros(4000)))
    assert doubt.text.startswith("the load changes while net deflection stays the same")
    assert doubt.frame < 100


def test_a_load_that_drifts_while_nothing_bends_is_told_and_stops_nothing():
    load = 10e3 + ramp(60, 2e3)
    found = doubts(*noisy(load, np.full(60_000, 1e-4)))
    assert {doubt.action for doubt in found} == {"finding"}
    # Told when it has moved by over 0.5 kN and what a mean of a second cannot explain: 0.4 kN.
    assert 14_000 <= found[0].frame <= 20_000
    assert found[0].text.startswith("the load has moved by 0.5")


def test_a_missing_sample_hides_its_mean_and_no_more():
    load, bent = noisy(np.full(4000, 5e3), np.full(4000, 5e-5))
    load[::400] = np.nan
    assert doubts(load, bent) == []


@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.integers(1, 2999), max_size=12),
    st.sampled_from(["flat", "lonely", "swing", "drift", "sound"]),
)
def test_what_is_in_doubt_does_not_depend_on_how_samples_are_cut(seed, cuts, kind):
    n = np.arange(3000)
    load = {"lonely": np.zeros(3000), "drift": 5e3 + n * 2.0}.get(kind, 5e3 + n * 4.0)
    if kind == "swing":
        load = 5e3 + 12e3 * np.sin(n / 80)
    bent = {"lonely": n * 2e-8, "sound": load / STIFFNESS}.get(kind, np.full(3000, 5e-5))
    if kind == "flat":
        bent = load / STIFFNESS
    load, bent = noisy(load, bent, seed)
    if kind == "flat":
        load[1500:] = load[1500]
    assert doubts(load, bent, cuts)[:1] == doubts(load, bent)[:1]


def jumps(load, bent, cuts=()):
    """Feed samples in blocks; return the frames at which jumps were knowable."""
    state, frames = JumpState(), []
    for start, stop in pairwise([0, *sorted(cuts), len(load)]):
        state, doubt = find_jump(SETUP, state, start, load[start:stop], bent[start:stop])
        frames += [doubt.frame] if doubt is not None else []
    return frames


def cycling(seconds=2.0):
    n = np.arange(round(seconds * RATE))
    load = 40e3 + 35e3 * np.sin(2 * np.pi * 4 * n / RATE)
    return noisy(load, load / STIFFNESS)


def test_a_load_that_jumps_while_deflection_goes_on_is_known_three_samples_later():
    for by in (20e3, -20e3):
        load, bent = cycling()
        load[1030:] += np.float32(by)
        assert jumps(load, bent) == [1032]


def test_a_sign_that_changes_is_a_jump_also_where_the_rod_moves_at_once():
    load, bent = cycling()
    load[1030:] *= -1
    bent[1031:] += np.float32(1e-4) * np.arange(1, len(bent) - 1030)
    assert jumps(load, bent) == [1032]


def test_cycling_and_spikes_are_no_jumps():
    load, bent = cycling()
    load[500] += 30e3
    load[900:902] -= 30e3
    load[1200] = np.nan
    assert jumps(load, bent) == []


def test_a_specimen_that_breaks_in_one_sample_is_no_jump_of_its_load():
    load, bent = cycling()
    for left in (5e3, -1.2e3):  # what hangs on the cell may be left of it
        load[1030:] = left
        bent[1030:] += np.float32(0.5e-3)
        assert jumps(load, bent) == []


@given(st.integers(BEFORE + 1, 1990), st.lists(st.integers(1, 1999), max_size=12))
def test_a_jump_is_known_at_the_same_frame_however_samples_are_cut(at, cuts):
    load, bent = cycling()
    load[at:] += np.float32(25e3)
    assert jumps(load, bent, cuts)[:1] == [at + 2]


@pytest.mark.parametrize("cuts", [(), tuple(range(20, 5000, 20))], ids=["one block", "ticks"])
def test_how_far_it_bends_counts_from_where_the_load_began_to_stand_still(cuts):
    load, bent = noisy(ramp(5, 40e3), np.concatenate((ramp(2.5, 1.6e-3), np.full(2500, 1.6e-3))))
    load[:2500] = noisy(ramp(2.5, 160e3), bent[:2500])[0]
    load[20:40] = load[20]  # not for long
    load[2499:] = load[2499]
    assert faults(load, bent, cuts) == []


def test_a_load_that_stands_still_as_deflection_lacks_a_sample_is_flat_all_the_same():
    load, bent = noisy(ramp(5, 200e3), ramp(5, 2e-3))
    load[2500:] = load[2500]
    bent[2490:2510] = np.nan
    (doubt,) = faults(load, bent)
    assert doubt.frame < 2800
