"""The watch over load and net deflection, where mid-span itself may be at fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.guards.following import FollowSetup
from rig.judging.load_watch import LoadWatch
from rig.samples import FloatArray, SampleBlock
from tests.guards.test_following import RATE, SETUP, STIFFNESS, noisy, ramp


def watched(
    load: FloatArray, bent: FloatArray, *, led: bool, setup: FollowSetup = SETUP
) -> tuple[str, tuple[str, ...]]:
    """Return why a slow loading is stopped, and what else is told up to then."""
    watch, told = LoadWatch(), ()
    for first in range(0, len(load), 20):
        values = np.array([load[first : first + 20], bent[first : first + 20]], np.float32)
        block = SampleBlock(first, RATE, ("load", "midspan"), values)
        watch = watch.looked(setup, block, values[1], slowly=True, led=led)
        told += watch.told
        if watch.trip is not None:
            return watch.trip.text, told
    return "", told


def dying(at: int) -> tuple[FloatArray, FloatArray]:
    """Return a sound loading whose mid-span shows the very same from a sample on."""
    load, bent = noisy(ramp(5, 40e3), ramp(5, 40e3) / STIFFNESS)
    bent[at:] = bent[at]
    return load, bent


def test_a_dead_midspan_that_only_watches_is_told_once_and_stops_nothing() -> None:
    why, told = watched(*dying(2000), led=False)
    assert why == ""
    assert told == ("midspan stays the same while the load changes; look at its sensor",)


def test_a_dead_midspan_that_leads_the_rod_stops_it() -> None:
    why, _ = watched(*dying(2000), led=True)
    assert "the load changes while net deflection stays the same" in why


def test_a_midspan_without_noise_stands_still_where_nothing_bends() -> None:
    quiet = replace(SETUP, lively_bend=False)
    why, told = watched(*dying(2000), led=False, setup=quiet)
    assert "the load changes while net deflection stays the same" in why
    assert told == ()


@pytest.mark.parametrize("led", [False, True])
def test_a_load_that_changes_over_a_live_midspan_stops_it(led: bool) -> None:
    load, bent = noisy(ramp(5, 40e3), np.zeros(5000))
    why, told = watched(load, bent, led=led)
    assert "the load changes while net deflection stays the same" in why
    assert told == ()


def test_it_is_told_again_of_a_midspan_that_was_mended_and_died_again() -> None:
    load, bent = dying(1500)
    sound = noisy(ramp(5, 40e3), ramp(5, 40e3) / STIFFNESS)[1]
    bent[3000:4000] = sound[3000:4000]
    bent[4000:] = sound[3999]
    why, told = watched(load, bent, led=False)
    assert why == ""
    assert len(told) == 2


def seconded(
    load: FloatArray, second: FloatArray, bent: FloatArray, block: int = 20
) -> tuple[str, tuple[str, ...]]:
    """Return why a slow loading with a second measure is stopped, and what else is told."""
    watch, told = LoadWatch(), ()
    for first in range(0, len(load), block):
        three = [x[first : first + block] for x in (load, bent, second)]
        values = np.array(three, np.float32)
        samples = SampleBlock(first, RATE, ("load", "midspan", "load_2"), values)
        watch = watch.looked(SETUP, samples, values[1], slowly=True, led=False)
        told += watch.told
        if watch.trip is not None:
            return watch.trip.text, told
    return "", told


@pytest.mark.parametrize("block", [20, 600, 5000])
def test_a_midspan_that_stays_while_two_measures_of_load_change_is_told_and_stops_nothing(
    block: int,
) -> None:
    load, bent = noisy(ramp(5, 40e3), np.zeros(5000))
    second, _ = noisy(ramp(5, 40e3), np.zeros(5000), seed=2)
    why, told = seconded(load, second, bent, block)
    assert why == ""
    assert told == ("midspan stays where load and load_2 both change; look at its sensor",)


@pytest.mark.parametrize("block", [20, 600, 5000])
def test_a_load_that_changes_while_the_second_measure_and_midspan_stay_stops_it(
    block: int,
) -> None:
    load, bent = noisy(ramp(5, 40e3), np.zeros(5000))
    second, _ = noisy(np.zeros(5000), np.zeros(5000), seed=2)
    why, told = seconded(load, second, bent, block)
    assert "feedback in doubt: the load changes while net deflection stays the same" in why
    assert not any("load_2" in text for text in told)
