"""Samples of several ports on one time base: rings, straight lines, who waits for whom."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.merging import Lane, Ring, aligned, merged, released
from drivers.time_base import ClockFit
from rig.samples import SampleArray

RATE = 1000.0


def ramp(first: int, count: int, rows: int = 1) -> SampleArray:
    """Return values that tell their number."""
    return np.tile(np.arange(first, first + count, dtype=np.float32), (rows, 1))


def times(first: int, count: int, offset: float = 0.0) -> list[float]:
    return [(first + i) / RATE + offset for i in range(count)]


@given(st.lists(st.integers(1, 60), min_size=1, max_size=40), st.integers(5, 50), st.data())
def test_a_ring_holds_the_newest_frames(
    counts: list[int], capacity: int, data: st.DataObject
) -> None:
    ring, end = Ring(2, capacity), 7
    for count in counts:
        ring.put(end, ramp(end, count, 2), times(end, count))
        end += count
        assert (ring.begin, ring.end) == (max(7, end - capacity), end)
        assert ring.last == pytest.approx((end - 1) / RATE)
        if data.draw(st.booleans()):
            first = data.draw(st.integers(ring.begin, end))
            assert ring.values(first, end).tolist() == ramp(first, end - first, 2).tolist()
            assert ring.times(first, end).tolist() == times(first, end - first)


def test_a_ring_refuses_what_does_not_follow_and_what_it_has_not() -> None:
    ring = Ring(1, 10)
    assert ring.empty
    ring.put(3, ramp(3, 2), times(3, 2))
    with pytest.raises(ValueError, match="frame 6 does not follow 4"):
        ring.put(6, ramp(6, 1), times(6, 1))
    with pytest.raises(ValueError, match="frames 2 to 5 are not among 3 to 5"):
        ring.values(2, 5)
    ring.clear()
    ring.put(100, ramp(100, 1), times(100, 1))
    assert (ring.begin, ring.end) == (100, 101)


def test_what_is_not_finite_is_no_value() -> None:
    ring = Ring(1, 10)
    ring.put(0, np.array([[1.0, np.inf, -np.inf, np.nan]], np.float32), times(0, 4))
    assert np.isnan(ring.values(0, 4)).tolist() == [[False, True, True, True]]


def test_a_ring_that_nobody_reads_does_not_grow() -> None:
    ring = Ring(1, 100)
    for n in range(5000):
        ring.put(n, ramp(n, 1), times(n, 1))
    assert len(ring._waiting) < 300
    assert ring.values(4900, 5000).tolist() == ramp(4900, 100).tolist()


@given(
    st.lists(st.floats(-50, 50), min_size=2, max_size=30),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30),
)
def test_between_samples_the_lines_are_those_of_numpy(
    heights: list[float], places: list[float]
) -> None:
    at = np.sort(np.array(places) * (len(heights) - 1)) / RATE
    stamps = np.arange(len(heights)) / RATE
    values = np.array([heights, [-h for h in heights]], np.float32)
    expected = [np.interp(at, stamps, row) for row in values]
    np.testing.assert_allclose(aligned(at, stamps, values), expected, rtol=1e-5, atol=1e-4)


def test_a_value_next_to_a_missing_one_or_outside_is_missing() -> None:
    stamps = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    values = np.array([[0.0, 1.0, np.nan, 3.0, 4.0]], np.float32)
    at = np.array([-0.1, 0.0, 0.5, 1.5, 2.5, 3.0, 3.5, 4.0, 4.1])
    expected = [math.nan, 0.0, 0.5, math.nan, math.nan, 3.0, 3.5, 4.0, math.nan]
    np.testing.assert_array_equal(aligned(at, stamps, values), [expected])
    assert np.isnan(aligned(at, stamps[:1], values[:, :1])).all()


def test_lines_cut_the_top_of_a_sine_by_no_more_than_the_document_says() -> None:
    stamps = np.arange(0, 401) / RATE
    sine = np.sin(2 * np.pi * np.arange(0, 401) / 200).astype(np.float32)[np.newaxis]
    at = np.arange(0.5, 400) / RATE
    off = aligned(at, stamps, sine) - np.sin(2 * np.pi * np.arange(0.5, 400) / 200)
    assert np.abs(off).max() <= 1.2345e-4


def lane(rows: list[int], offset: float, drift: float = 0.0) -> tuple[Lane, ClockFit]:
    """Return a lane whose device's clock shows `offset` [s] at the computer's 0."""
    fit = ClockFit()
    for host in np.arange(0, 20, 0.1).tolist():
        fit.arrived(host * (1 + drift) + offset, host)
    return Lane(Ring(len(rows), 60_000), fit, np.array(rows, np.intp)), fit


def put(one: Lane, first: int, count: int, offset: float, drift: float = 0.0) -> None:
    """Add frames of a device that measures the computer's time [ms] as its value."""
    host = (np.arange(first, first + count) / RATE) / (1 + drift)
    stamps = (host * (1 + drift) + offset).tolist()
    values = np.tile((host * 1000).astype(np.float32), (len(one.rows), 1))
    one.ring.put(first, values, stamps)


@pytest.mark.parametrize("drift", [0.0, 1e-4, -1e-3])
def test_two_devices_that_measure_the_same_agree_on_one_time_base(drift: float) -> None:
    """Both measure the computer's time; what is merged must show it, whatever their clocks do."""
    lead, _ = lane([0, 2], 100.0)
    other, _ = lane([1], -3.0, drift)
    put(lead, 0, 2000, 100.0)
    put(other, 0, 2100, -3.0, drift)
    block = merged(lead, [other], 500, 1500, RATE)
    assert block.shape == (3, 1000)
    assert block.dtype == np.float32
    np.testing.assert_allclose(block[0], np.arange(500, 1500), atol=1e-3)
    np.testing.assert_allclose(block[1], block[0], atol=2e-3)
    np.testing.assert_array_equal(block[2], block[0])


def test_a_frame_waits_for_other_ports_but_not_longer_than_it_may() -> None:
    lead, _ = lane([0], 0.0)
    other, _ = lane([1], 0.0)
    put(lead, 0, 10, 0.0)
    assert released(lead, [], 10, 20)
    assert not released(lead, [], 11, 20)
    assert not released(lead, [other], 10, 20)  # nothing has come from the other one
    put(other, 0, 9, 0.0)
    assert released(lead, [other], 9, 20)
    assert not released(lead, [other], 10, 20)
    put(lead, 10, 19, 0.0)
    assert not released(lead, [other], 10, 20)
    put(lead, 29, 1, 0.0)
    assert released(lead, [other], 10, 20)
    late = merged(lead, [other], 5, 10, RATE)
    assert np.isnan(late[1]).tolist() == [False] * 4 + [True]
    assert not np.isnan(late[0]).any()


def test_a_port_of_which_nothing_is_known_gives_nothing() -> None:
    lead, _ = lane([0], 0.0)
    other = Lane(Ring(1, 100), ClockFit(), np.array([1], np.intp))
    put(lead, 0, 50, 0.0)
    assert np.isnan(merged(lead, [other], 0, 20, RATE)[1]).all()
