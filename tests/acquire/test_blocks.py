"""However the stream is cut, the rows are the same bit for bit, and they follow the rule."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionState, begin, extract
from rig.samples import Flag, SampleArray
from tests.acquire.rigs import RATE, SETUP, Sine, bits, block_of, in_blocks, start


@st.composite
def streams(draw: st.DrawFn) -> SampleArray:
    """Load and deflection with noise, drift, growth, steps, missing samples and spikes."""
    spc = draw(st.floats(7.0, 260.0))
    seed = draw(st.integers(0, 2**16))
    frames = draw(st.integers(50, 2500))
    rng = np.random.default_rng(seed)
    x = np.arange(frames)
    frequency = 1 + draw(st.sampled_from([0.0, 0.2])) * np.sin(x / 300)
    angle = draw(st.floats(-3, 3)) + 2 * np.pi * np.cumsum(frequency) / spc
    growth = draw(st.sampled_from([0.0, 0.0, 0.3, -0.5]))
    amplitude = 6000 * (1 + growth * x / frames)
    mean = 8000 + draw(st.sampled_from([0.0, 0.0, 3000.0, 9000.0])) * x / frames
    noise = draw(st.sampled_from([0.0, 0.005, 0.03]))
    load = mean + amplitude * np.sin(angle) + noise * 12e3 * rng.standard_normal(frames)
    net = load / 3e7 + 1e-5 * np.cos(angle) + noise * 4e-4 * rng.standard_normal(frames)
    support = 1e-7 * rng.standard_normal(frames)
    values = np.stack((load, net + support, support)).astype(np.float32)
    for _ in range(draw(st.integers(0, 3))):
        values[rng.integers(3), rng.integers(frames)] += draw(st.sampled_from([-1, 1])) * 5e3
    for _ in range(draw(st.integers(0, 3))):
        at, length = rng.integers(frames), draw(st.integers(1, 40))
        values[rng.integers(3), at : at + length] = np.nan
    if draw(st.integers(0, 9)) == 0:
        values[:, : draw(st.integers(0, 600))] = np.nan
    return values


CUT = {"values": streams(), "cuts": st.lists(st.integers(1, 2500), max_size=12)}


def assert_cuts_change_no_bit(values: SampleArray, cuts: list[int]) -> None:
    whole_state, whole = in_blocks(values, [], start())
    cut_state, cut = in_blocks(values, cuts, start())
    assert bits(cut) == bits(whole)
    assert json.dumps(cut_state.to_plain()) == json.dumps(whole_state.to_plain())


@pytest.mark.nights
@given(**CUT)
@settings(max_examples=30)
def test_cuts_change_no_bit(values: SampleArray, cuts: list[int]) -> None:
    assert_cuts_change_no_bit(values, cuts)


@pytest.mark.nights
@pytest.mark.endurance
@given(**CUT)
@settings(max_examples=2000)
def test_cuts_change_no_bit_of_many_streams(values: SampleArray, cuts: list[int]) -> None:
    assert_cuts_change_no_bit(values, cuts)


@pytest.mark.parametrize("length", [1, 7, 1000, 100_000])
@pytest.mark.parametrize("spc", [23.7, 200.3])
@pytest.mark.endurance
def test_blocks_of_any_length_give_the_same_bits(length: int, spc: float) -> None:
    values = Sine(spc, 4000 / spc, noise=0.005).values()
    values[0, 1500:1503] = np.nan
    values[0, 2000] += 9000
    whole = in_blocks(values, [], start())[1]
    assert len(whole) > 4000 / spc - 4
    assert bits(in_blocks(values, list(range(length, 4000, length)), start())[1]) == bits(whole)


@given(values=streams(), head=st.integers(1, 2500), cut=st.integers(1, 2500))
@settings(max_examples=25)
def test_a_shorter_block_from_the_old_state_is_as_if_the_longer_had_never_been(
    values: SampleArray, head: int, cut: int
) -> None:
    cut = min(cut, values.shape[1] - 1)
    state, _ = in_blocks(values[:, :cut], [], start())
    before = json.dumps(state.to_plain())
    block = block_of(values[:, cut:], cut)
    extract(SETUP, state, block, net_deflection(block))
    assert json.dumps(state.to_plain()) == before
    short = block.head(min(head, block.frames))
    after, rows = extract(SETUP, state, short, net_deflection(short))
    clean = ExtractionState.from_plain(json.loads(before))
    expected_state, expected = extract(SETUP, clean, short, net_deflection(short))
    assert bits(rows) == bits(expected)
    assert after.to_plain() == expected_state.to_plain()


def test_the_state_keeps_nothing_of_the_callers_buffer() -> None:
    values = Sine(200, 10.5, noise=0.005).values()
    expected = in_blocks(values, [1100], start())[1]
    first = block_of(values[:, :1100].copy())
    state, rows = extract(SETUP, start(), first, net_deflection(first))
    first.values[:] = 0
    rest = block_of(values[:, 1100:], 1100)
    _, more = extract(SETUP, state, rest, net_deflection(rest))
    assert rows["load_max"].tolist() + more["load_max"].tolist() == expected["load_max"].tolist()


def test_a_row_is_known_just_when_its_last_needed_sample_has_come() -> None:
    values = Sine(50, 8, noise=0.005).values()
    rows = in_blocks(values, [], start())[1]
    for i, known in enumerate(rows.known):
        assert len(in_blocks(values[:, :known], [], start())[1]) == i + 1
        assert len(in_blocks(values[:, : known - 1], [], start())[1]) == i


def by_the_rule(load: SampleArray, middle: float, span: float) -> list[int]:
    """Crossings found sample by sample, as the definition reads; spikes 20 % of range, 1 kN."""
    found: list[int] = []
    armed, cycle, gap = False, [], 0
    for i in range(1, len(load) - 1):
        jump = max(0.2 * span, 1000.0)
        sides = load[i] - load[i - 1], load[i] - load[i + 1]
        lone = not np.isnan(sides).any()
        spike = lone and (min(sides) > jump or max(sides) < -jump)
        valid = not np.isnan(load[i]) and not spike
        if not np.isnan(load[i]):
            if gap and (not found or gap > 0.1 * (i - found[-1])):
                armed = False
            gap = 0
        else:
            gap += 1
        if valid and armed and load[i] >= middle:
            if found:
                known = [x for x in cycle if x is not None]
                missing = sum(x is None for x in cycle)
                if known and max(known) > min(known) and missing <= 0.05 * (i - found[-1]):
                    middle, span = (max(known) + min(known)) / 2, max(known) - min(known)
            found.append(i)
            armed, cycle = False, []
        else:
            armed = armed or (valid and load[i] < middle - 0.1 * span)
        if np.isnan(load[i]):
            cycle.append(None)
        elif not spike:
            cycle.append(float(load[i]))
    return found


def assert_cycles_begin_by_the_rule(values: SampleArray) -> None:
    state = begin(8000.0, 12_000.0, 0)
    rows = in_blocks(values, [], state)[1]
    expected = by_the_rule(values[0].astype(np.float64), 8000.0, 12_000.0)
    long = (rows["flags"] & Flag.LONG_GAP) != 0
    assert set(rows.begin[~long]) <= set(expected)
    assert set(rows.end[~long]) <= set(expected)
    assert set(expected) <= {*rows.begin, *rows.end} or len(expected) < 2
    assert np.array_equal(rows.begin[1:], rows.end[:-1])


@pytest.mark.nights
@given(values=streams())
@settings(max_examples=30)
def test_cycles_begin_where_the_rule_read_sample_by_sample_says(values: SampleArray) -> None:
    assert_cycles_begin_by_the_rule(values)


@pytest.mark.endurance
@given(values=streams())
@settings(max_examples=2000)
def test_cycles_of_many_streams_begin_where_the_rule_says(values: SampleArray) -> None:
    assert_cycles_begin_by_the_rule(values)


def test_a_restart_point_goes_on_as_if_nothing_had_happened() -> None:
    values = Sine(200.3, 20, noise=0.005).values()
    values[1, 1990] = np.nan
    expected = in_blocks(values, [], start())[1]
    state, rows = in_blocks(values[:, :2001], [], start())
    text = json.dumps(state.to_plain())
    restored = ExtractionState.from_plain(json.loads(text))
    rest = block_of(values[:, 2001:], 2001)
    _, more = extract(SETUP, restored, rest, net_deflection(rest))
    assert rows["energy"].tolist() + more["energy"].tolist() == expected["energy"].tolist()
    assert json.dumps(restored.to_plain()) == text


def test_what_comes_before_the_frame_to_begin_at_is_not_looked_at() -> None:
    values = Sine(50, 10).values()
    state, rows = begin(8000.0, 12_000.0, 120), []
    for a, b in ((0, 0), (0, 50), (50, 130), (130, 130), (130, 500)):
        block = block_of(values[:, a:b], a)
        state, some = extract(SETUP, state, block, net_deflection(block))
        rows += some.begin.tolist()
    whole = in_blocks(values, [], start())[1]
    assert rows == [b for b in whole.begin if b >= 120]


def test_a_block_that_does_not_follow_is_refused() -> None:
    values = Sine(200, 3).values()
    state, _ = in_blocks(values, [], start())
    block = block_of(values, values.shape[1] + 1)
    with pytest.raises(ValueError, match="expected is frame 600"):
        extract(SETUP, state, block, net_deflection(block))


def test_cycles_need_load_and_midspan() -> None:
    with pytest.raises(ValueError, match="midspan"):
        replace(SETUP, channels=SETUP.channels[:1])
    assert SETUP.rate == RATE
