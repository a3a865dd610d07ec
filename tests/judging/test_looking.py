"""Judges of slow stages, the full-rate plan and the table of states."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.control.full_rate import Pieces, RecentSamples, wanted_cycles
from rig.judging.looking import AllOf, Averaged, LoadReaches
from rig.protocol.plan import FullRate
from rig.samples import Cycles, SampleBlock


def blocks(load: np.ndarray, cuts: list[int]):
    """Cut a load signal into blocks."""
    values = np.asarray(load, np.float32)[None, :]
    start = 0
    for cut in [*cuts, len(load)]:
        stop = min(start + cut, len(load))
        if stop > start:
            yield SampleBlock(start, 1000.0, ("load",), values[:, start:stop])
        start = stop


def decided(judge, load, cuts):
    """Return the frames at which a judge decides, looking block by block."""
    frames = []
    for block in blocks(load, cuts):
        look = judge.look(block, block.values[0])
        judge = look.judge
        frames += [d.frame for d in look.decisions]
    return frames, judge


def test_a_load_is_reached_with_its_third_sample_in_a_row():
    load = np.array([0, 5, 5, 0, 5, 5, 5, 5, 0], float)
    assert decided(LoadReaches("x", 5.0, rising=True), load, [])[0] == [7]


@given(cuts=st.lists(st.integers(1, 9), max_size=30), seed=st.integers(0, 50))
def test_when_a_load_is_reached_does_not_depend_on_the_blocks(cuts, seed):
    load = np.random.default_rng(seed).normal(0, 1, 120)
    judge = LoadReaches("x", 0.8, rising=True)
    assert decided(judge, load, cuts)[0][:1] == decided(judge, load, [])[0][:1]


@given(cuts=st.lists(st.integers(1, 9), max_size=30))
def test_means_of_a_slow_stage_do_not_depend_on_the_blocks(cuts):
    load = np.arange(137.0)
    _, judge = decided(AllOf((Averaged(0, 10),)), load, cuts)
    samples = judge.judges[0].samples()
    np.testing.assert_array_equal(samples[0], np.arange(13) * 10 + 4.5)
    np.testing.assert_array_equal(samples[1], samples[0])


def test_first_cycles_and_thirty_a_decade_are_wanted():
    pieces = wanted_cycles(FullRate(first=100, per_decade=30, cycles=5), 11_000_000)
    numbers = [n for a, b in pieces for n in range(a, b + 1)]
    assert numbers[:100] == list(range(1, 101))
    assert len(numbers) == len(set(numbers))
    assert max(b - a for a, b in pieces) < 20
    # 10^6 begins a decade: its five cycles are there, the sixth is not
    assert {1_000_000, 1_000_004} <= set(numbers)
    assert 1_000_005 not in numbers
    assert numbers[-1] <= 11_000_000


def test_recent_samples_give_back_a_stretch_over_several_blocks():
    recent = RecentSamples(0.05, 1000.0)
    signal = np.arange(200.0)
    for block in blocks(signal, [30, 40, 50, 60]):
        recent.add(block)
    first, values = recent.cut(140, 190)
    assert first == 140
    np.testing.assert_array_equal(values[0], np.arange(140, 190))


def test_a_piece_is_complete_with_its_last_cycle_and_parted_where_cycling_stops():
    def rows(a, b):
        number = np.arange(a, b + 1)
        return Cycles({"number": number}, number * 10, number * 10 + 10, number * 10 + 12)

    pieces = Pieces(((1, 4), (8, 9), (11, 11)))
    assert pieces.complete(rows(1, 3)) == []
    assert pieces.complete(rows(4, 8)) == [(1, 10, 50)]
    assert pieces.interrupted() == (8, 80, 90)
    assert pieces.interrupted() is None
    assert pieces.complete(rows(9, 12)) == [(9, 90, 100), (11, 110, 120)]
