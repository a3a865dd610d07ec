"""Numbers and times of frames, and a device's clock against the computer's."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from drivers.numbering import Numbering, Placed
from drivers.time_base import ClockFit, Lateness, under
from tests.drivers.sample_device import RATE, sample, values_of

WRAP = 2**32


def body(sequence: int, micros: int | None = None, value: float | None = None) -> bytes:
    """Return a sample frame as the decoder hands it on."""
    values = values_of(sequence % 1000, 2) if value is None else [value]
    return bytes(cobs.decode(sample(sequence, values, micros)[:-1]))


def numbers(placed: list[Placed]) -> list[list[int]]:
    return [[p.first + at for at in p.at] for p in placed]


@pytest.mark.parametrize("cuts", [1, 2, 3, 100])
def test_a_straight_stream_keeps_its_numbers_and_times(cuts: int) -> None:
    numbering = Numbering(RATE)
    bodies = [body(n) for n in range(50, 60)]
    found: list[tuple[int, float]] = []
    for begin in range(0, len(bodies), cuts):
        for placed in numbering.place(bodies[begin : begin + cuts]):
            assert placed.whole
            assert not placed.anew
            found += [(placed.first + i, t) for i, t in enumerate(placed.times)]
    assert [n for n, _ in found] == list(range(50, 60))
    assert [t for _, t in found] == pytest.approx([n / RATE for n in range(50, 60)])
    assert (numbering.missing, numbering.repeated, numbering.next) == (0, 0, 60)


@pytest.mark.parametrize("cuts", [1, 4])
def test_sequence_and_microseconds_are_unwrapped(cuts: int) -> None:
    numbering = Numbering(RATE)
    begin = WRAP - 3
    # The time wraps in between, at another place than the sequence.
    micros = [(WRAP - 4500 + 1000 * i) % WRAP for i in range(8)]
    bodies = [body((begin + i) % WRAP, micros[i]) for i in range(8)]
    found, times = list[int](), list[float]()
    for at in range(0, 8, cuts):
        for placed in numbering.place(bodies[at : at + cuts]):
            found += range(placed.first, placed.end)
            times += placed.times
    assert found == list(range(begin, begin + 8))
    assert np.diff(times) == pytest.approx([1e-3] * 7)
    assert numbering.next == begin + 8


@pytest.mark.parametrize("cuts", [1, 2, 9])
def test_a_hole_is_left_open_and_its_times_are_drawn_between(cuts: int) -> None:
    numbering = Numbering(RATE)
    bodies = [body(n) for n in (0, 1, 2, 6, 7, 9)]
    whole: list[float | None] = []
    times: list[float] = []
    for at in range(0, 6, cuts):
        for placed in numbering.place(bodies[at : at + cuts]):
            assert placed.first == len(whole)
            here = set(placed.at)
            whole += [float(i) if i in here else None for i in range(len(placed.times))]
            times += placed.times
    assert [i for i, w in enumerate(whole) if w is None] == [3, 4, 5, 8]
    assert times == pytest.approx([n / RATE for n in range(10)])
    assert numbering.missing == 4


def test_a_frame_that_comes_twice_or_late_is_dropped() -> None:
    numbering = Numbering(RATE)
    bodies = [body(n) for n in range(10)]
    order = [0, 1, 1, 2, 0, 4, 3, 5, 5, 5]
    placed = numbering.place([bodies[n] for n in order])
    assert numbers(placed) == [[0, 1, 2, 4, 5]]
    assert (numbering.missing, numbering.repeated) == (1, 5)


ANEW = {
    "goes back to 0": [body(0)],
    "another frame under a number that has been": [body(1990, value=-1.0)],
    "forward by more than 10 s": [body(2000 + 10_001)],
    "the time stands still while the sequence goes on": [body(2000 + 3000, micros=2_000_000)],
    "the time goes on while the sequence does not": [body(2000, micros=9_000_000)],
    "late by more than a tenth of a second": [body(1500)],
}


@pytest.mark.parametrize("then", ANEW.values(), ids=ANEW)
def test_a_device_that_begins_anew_is_told(then: list[bytes]) -> None:
    numbering = Numbering(RATE)
    # Frames 1400 to 1599 were lost, so that nothing is known under their numbers.
    for n in [*range(1000, 1400), *range(1600, 2000)]:
        numbering.place([body(n)])
    missing = numbering.missing
    (placed,) = numbering.place(then)
    assert placed.anew
    assert numbering.missing == missing
    assert numbering.next == placed.first + 1


def test_a_hole_of_ten_seconds_is_a_hole() -> None:
    numbering = Numbering(RATE)
    numbering.place([body(0)])
    (placed,) = numbering.place([body(10_001)])
    assert not placed.anew
    assert (placed.first, placed.end, numbering.missing) == (1, 10_002, 10_000)


def test_what_came_before_a_new_start_in_one_batch_is_placed_before_it() -> None:
    numbering = Numbering(RATE)
    numbering.place([body(500)])
    placed = numbering.place([body(501), body(502), body(0), body(1), body(3)])
    assert [(p.first, p.anew) for p in placed] == [(501, False), (0, True)]
    assert numbers(placed) == [[501, 502], [0, 1, 3]]


@given(st.integers(0, WRAP - 1), st.lists(st.integers(1, 40), max_size=30), st.data())
def test_each_number_is_given_once_and_only_to_its_own_frame(
    first: int, steps: list[int], data: st.DataObject
) -> None:
    """Frames dropped, repeated and late, in batches of any length, about a wrap or not."""
    order, expected = [first], [first]
    for step in steps:
        expected.append(expected[-1] + step)
        order.append(expected[-1])
        if data.draw(st.integers(0, 3)) == 0:
            # A frame of before once more, or one that had been missing.
            order.append(data.draw(st.integers(max(first, expected[-1] - 90), expected[-1])))
    sent = {n: body(n % WRAP, (n * 1000) % WRAP, float(n % 4096)) for n in order}
    numbering, begin, end = Numbering(RATE), 0, first
    given_out: dict[int, bytes] = {}
    while begin < len(order):
        cut = data.draw(st.integers(1, 12))
        for placed in numbering.place([sent[n] for n in order[begin : begin + cut]]):
            assert not placed.anew
            assert placed.first == end
            end = placed.end
            for at, taken in zip(placed.at, placed.bodies, strict=True):
                assert given_out.setdefault(placed.first + at, taken) is taken
        begin += cut
    assert given_out == {n: sent[n] for n in expected}
    assert numbering.repeated == len(order) - len(expected)
    assert numbering.missing == end - first - len(expected)


# ---- the clocks


def arrivals(
    seconds: float, drift: float, seed: int, *, slow: float = 0.001, offset: float = 5000.0
) -> list[tuple[float, float]]:
    """Return device and arrival times [s] with delays that are never less than a millisecond."""
    random = np.random.default_rng(seed)
    host = np.arange(0, seconds, 0.01)
    device = host * (1 + drift) + 17.0
    late = host + offset + 0.001 + random.exponential(slow, len(host))
    return list(zip(device.tolist(), late.tolist(), strict=True))


def fitted(points: list[tuple[float, float]]) -> ClockFit:
    fit = ClockFit()
    for device, host in points:
        fit.arrived(device, host)
    return fit


@pytest.mark.parametrize("drift", [0.0, 5e-6, -2e-5, 1e-3, -0.01])
def test_drift_and_offset_are_found_under_changing_delays(drift: float) -> None:
    fit = fitted(arrivals(90, drift, 1))
    assert fit.drift == pytest.approx(drift, abs=3e-6)
    for host in (40.0, 80.0, 90.0):
        # The least delay cannot be told from the offset; all above it is gone.
        assert fit.host(host * (1 + drift) + 17.0) == pytest.approx(host + 5000.001, abs=1e-4)
        assert fit.device(fit.host(host)) == pytest.approx(host, abs=1e-9)
    assert 0 <= (fit.spread or math.nan) < 1e-3


def test_nothing_is_said_of_a_drift_too_early() -> None:
    assert ClockFit().drift is None
    assert not ClockFit().known
    early = fitted(arrivals(5, 1e-5, 2))
    assert early.drift is None
    assert early.known
    assert early.host(20.0) == pytest.approx(5003.001, abs=1e-3)


def test_a_computer_that_is_busy_for_seconds_moves_nothing() -> None:
    points = arrivals(60, 2e-5, 3)
    busy = [(d, h + (0.03 if 5030 < h < 5034 else 0.0)) for d, h in points]
    fit = fitted(busy)
    assert fit.drift == pytest.approx(2e-5, abs=3e-6)
    assert fit.host(17.0 + 60 * (1 + 2e-5)) == pytest.approx(5060.001, abs=2e-4)


@pytest.mark.parametrize("step", [0.4, -0.4])
def test_a_clock_that_was_set_is_followed(step: float) -> None:
    points = [(d, h + (step if h > 5040 else 0.0)) for d, h in arrivals(60, 1e-5, 4)]
    fit = fitted(points)
    assert fit.host(17.0 + 60 * (1 + 1e-5)) == pytest.approx(5060.001 + step, abs=1e-3)


@pytest.mark.nights
@pytest.mark.xdist_group("scipy")
@given(st.lists(st.tuples(st.integers(1, 5), st.integers(-1000, 1000)), min_size=2, max_size=25))
def test_the_line_under_the_points_is_the_best_one(steps: list[tuple[int, int]]) -> None:
    """Against linear programming: Moon, Skelly & Towsley 1999 state the line as such a problem."""
    from scipy.optimize import linprog  # it loads slowly: by one process

    times = np.cumsum([step for step, _ in steps]).astype(float)
    heights = np.array([height for _, height in steps], float)
    points = list(zip(times.tolist(), heights.tolist(), strict=True))
    at, offset, slope = under(points)
    line = offset + slope * (times - at)
    assert (line <= heights + 1e-9).all()
    best = linprog(
        [-len(times), -times.sum()],
        A_ub=np.column_stack([np.ones_like(times), times]),
        b_ub=heights,
        bounds=[(None, None), (None, None)],
    )
    assert float((heights - line).sum()) == pytest.approx(heights.sum() + best.fun, abs=1e-6)


def latest(extra: Callable[[float], float], seconds: float = 60.0) -> float:
    """Return the most by which samples were found late that came `extra` [s] late."""
    lateness = Lateness()
    found = 0.0
    for i in range(round(seconds * 100)):
        device = i / 100
        found = max(found, lateness.arrived(device, 1000 + device + extra(device)))
    return found


@pytest.mark.parametrize(
    "extra",
    [
        lambda at: 0.004 * at,  # a resonator of little worth
        lambda at: -0.01 * at,
        lambda at: 0.2 if at > 20 else 0.0,
        lambda at: max(0.45 - 0.9 * (at - 20), 0.0) if at > 20 else 0.0,  # a program that stood
        lambda at: max(3.0 - 0.5 * (at - 20), 0.0) if at > 20 else 0.0,  # and one for long
        lambda at: -0.4 if at > 20 else 0.0,
        lambda at: 0.3 if 20 < at % 30 < 20.9 else 0.0,
    ],
    ids=["slow", "fast", "a little", "stood", "stood long", "sooner", "for a moment"],
)
def test_what_passes_or_is_no_line_s_doing_is_not_late(extra: Callable[[float], float]) -> None:
    assert latest(extra) == 0.0


@pytest.mark.parametrize(
    "extra",
    [
        lambda at: 0.03 * max(at - 20, 0.0),  # a converter that is 3 % too slow
        lambda at: 0.3 if at > 20 else 0.0,
        lambda at: 0.01 * at,
    ],
    ids=["more and more", "from some time on", "a slow clock"],
)
def test_samples_that_are_held_back_are_found_late(extra: Callable[[float], float]) -> None:
    assert latest(extra) > 0.24
