"""Where cycles begin, against the rule read sample by sample and against scipy's peaks."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.acquire.crossings import Level, boundaries
from rig.samples import SampleArray
from tests.acquire.rigs import Sine, in_blocks, start

FLOOR = 1_000.0  # N, the smallest jump that is a spike
FIRST = Level(8_000.0, 12_000.0)


def by_the_rule(load: SampleArray, level: Level, floor: float) -> tuple[list[int], float, float]:
    """Return crossings, next middle and range: one sample after the other, plain numbers."""
    values = [float(x) for x in load]
    middle, span = level.middle, level.span
    found: list[int] = []
    begin, armed, gap = 0, False, 0
    valid, missing = [values[0]], math.isnan(values[0])
    for i in range(1, len(values) - 1):
        before, here, after = values[i - 1 : i + 2]
        jump = max(0.20 * span, floor)
        # Comparisons with NaN are false: a sample beside a missing one is no spike.
        spike = (here - before > jump and here - after > jump) or (
            before - here > jump and after - here > jump
        )
        gone, gap = gap, gap + 1 if math.isnan(here) else 0
        if gap == 0 and gone > 0.10 * (i - begin):
            armed = False
        if not spike and armed and here >= middle:
            known = [v for v in valid if not math.isnan(v)]
            if missing <= 0.05 * (i - begin) and max(known) > min(known):
                middle, span = (max(known) + min(known)) / 2, max(known) - min(known)
            found.append(i)
            begin, armed, valid, missing = i, False, [], 0
        elif not spike and here < middle - 0.10 * span:
            armed = True
        missing += math.isnan(here)
        if not spike:
            valid.append(here)
    return found, middle, span


@st.composite
def loads(draw: st.DrawFn) -> SampleArray:
    """Noisy sines whose range and mean ramp and step, with missing samples and spikes."""
    frames = draw(st.integers(3, 3000))
    rng = np.random.default_rng(draw(st.integers(0, 2**16)))
    x = np.arange(frames)
    ramp = draw(st.sampled_from([0.0, 0.0, 1.0, -0.9])) * x / frames
    amplitude = draw(st.sampled_from([6000.0, 6000.0, 5000.0, 900.0])) * (1 + ramp)
    mean = 8000.0 + draw(st.sampled_from([0.0, 0.0, 6000.0, -6000.0])) * x / frames
    if draw(st.booleans()):
        step = x >= draw(st.integers(0, frames))
        amplitude = amplitude * np.where(step, draw(st.floats(0.5, 2.0)), 1.0)
        mean = mean + step * draw(st.floats(-3000.0, 3000.0))
    angle = draw(st.floats(-4.0, 4.0)) + 2 * np.pi * x / draw(st.floats(3.0, 260.0))
    noise = draw(st.sampled_from([0.0, 60.0, 400.0, 1500.0]))
    load = (mean + amplitude * np.sin(angle) + noise * rng.standard_normal(frames)).astype("f4")
    for _ in range(draw(st.integers(0, 3))):
        load[rng.integers(frames)] += draw(st.sampled_from([-9000.0, -3000.0, 3000.0, 9000.0]))
    for _ in range(draw(st.integers(0, 3))):
        at = rng.integers(frames)
        load[at : at + draw(st.integers(1, 60))] = np.nan
    return load


LOADS = {"load": loads(), "floor": st.sampled_from([FLOOR, math.inf])}


def assert_boundaries_by_the_rule(load: SampleArray, floor: float) -> None:
    ends, middle, span = by_the_rule(load, FIRST, floor)
    found = boundaries(load, FIRST, floor)
    assert found.ends.tolist() == ends
    assert (found.level.middle, found.level.span) == (middle, span)


@given(**LOADS)
@example(load=np.full(50, 8000.0, np.float32), floor=FLOOR)
@example(load=np.full(50, np.nan, np.float32), floor=FLOOR)
@example(load=np.tile(np.float32([2000.0, 14000.0]), 40), floor=math.inf)
@settings(max_examples=50)
def test_boundaries_are_those_of_the_rule_sample_by_sample(load: SampleArray, floor: float) -> None:
    assert_boundaries_by_the_rule(load, floor)


@pytest.mark.endurance
@given(**LOADS)
@settings(max_examples=3000)
def test_boundaries_of_many_loads_are_those_of_the_rule(load: SampleArray, floor: float) -> None:
    assert_boundaries_by_the_rule(load, floor)


@pytest.mark.nights
@pytest.mark.xdist_group("scipy")
@pytest.mark.parametrize("spc", [10.0, 20.3, 50.0, 99.7, 200.0, 251.1])
@pytest.mark.parametrize("phase", [-2.0, 0.0, 1.0, 3.0])
def test_each_cycle_of_a_clean_sine_holds_one_peak_of_scipy(spc: float, phase: float) -> None:
    from scipy.signal import find_peaks  # it loads slowly: by one process

    sine = Sine(spc, 60, phase=phase)
    values = sine.values()
    peaks = find_peaks(values[0], prominence=sine.range_ / 2)[0]
    rows = in_blocks(values, [], start(sine))[1]
    spans = zip(rows.begin, rows.end, strict=True)
    held = [np.count_nonzero((peaks >= a) & (peaks < b)) for a, b in spans]
    assert held == [1] * len(rows)
    # The cycle cut off at either end may have its peak and not both its crossings.
    assert len(peaks) - 2 <= len(rows) <= len(peaks)


def test_noise_about_the_middle_begins_no_cycle() -> None:
    """Noise of 7 % of the range from peak to peak stays within the hysteresis of 10 %."""
    sine = Sine(1000.0, 20.5)
    values = sine.values()
    rng = np.random.default_rng(5)
    values[0] += (0.035 * sine.range_ * rng.uniform(-1, 1, values.shape[1])).astype(np.float32)
    up = np.count_nonzero((values[0, 1:] >= sine.mean) & (values[0, :-1] < sine.mean))
    assert up > 60  # the noise does cross the middle many times a cycle
    assert len(in_blocks(values, [], start(sine))[1]) == 20
