"""Product-limit curves against published ones and scipy, and what their intervals hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import CensoredData, ecdf

from rig.lives.curves import Curve, holds, median_life, product_limit
from tests.lives.published import TREATED, UNTREATED


def at(curve: Curve, cycles: float) -> tuple[float, float, float]:
    """Return what is left past a count, and its interval."""
    passed = int(np.searchsorted(curve.times, cycles, side="right"))
    if not passed:
        return 1.0, curve.low_before, 1.0
    return curve.survival[passed - 1], curve.low[passed - 1], curve.high[passed - 1]


LIVES = st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=0, max_size=12)

# R, package MASS, examples of gehan: time, survival, log-log interval of 95 %.
GEHAN = [
    (6, 0.857, 0.620, 0.952),
    (7, 0.807, 0.563, 0.923),
    (10, 0.753, 0.503, 0.889),
    (13, 0.690, 0.432, 0.849),
    (16, 0.627, 0.368, 0.805),
    (22, 0.538, 0.268, 0.747),
    (23, 0.448, 0.188, 0.680),
]


def test_the_published_curve_with_run_outs():
    curve = product_limit(*TREATED)
    found = zip(curve.times, curve.survival, curve.low, curve.high, strict=True)
    for row, expected in zip(found, GEHAN, strict=True):
        # R cuts 0.6804 to 0.680, and 0.8049 to 0.805.
        assert row == pytest.approx(expected, abs=5.1e-4)
    assert median_life(curve) == 23


def test_the_published_curve_without_run_outs():
    """R, package MASS, examples of gehan."""
    curve = product_limit(*UNTREATED)
    steps = [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810]
    steps += [0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0]
    assert curve.survival == pytest.approx(steps, abs=5e-5)
    assert median_life(curve) == 8


# Where none is left, the interval of scipy is not defined and it says so.
@pytest.mark.filterwarnings("ignore:The confidence interval is undefined")
@given(LIVES)
def test_the_curve_is_that_of_scipy(lives):
    cycles = np.array([float(c) for c, _ in lives])
    failed = np.array([f for _, f in lives], dtype=bool)
    curve = product_limit(cycles, failed)
    if not failed.any():
        assert len(curve.times) == 0
        assert median_life(curve) is None
        return
    other = ecdf(CensoredData(cycles[failed], right=cycles[~failed])).sf
    for time, share in zip(other.quantiles, other.probabilities, strict=True):
        assert at(curve, time)[0] == pytest.approx(share, abs=1e-12)
    with np.errstate(all="ignore"):
        limits = other.confidence_interval(method="log-log")
    some = (curve.survival > 1e-9) & (curve.survival < 1)
    same = np.searchsorted(other.quantiles, curve.times[some])
    assert curve.low[some] == pytest.approx(limits.low.probabilities[same])
    assert curve.high[some] == pytest.approx(limits.high.probabilities[same])


@given(LIVES)
def test_a_curve_only_falls_and_lies_in_its_interval(lives):
    curve = product_limit([c for c, _ in lives], [f for _, f in lives])
    assert (np.diff(np.concatenate(([1.0], curve.survival))) < 0).all()
    assert ((curve.low <= curve.survival) & (curve.survival <= curve.high)).all()
    assert curve.failures.sum() == sum(f for _, f in lives)


def test_the_median_is_the_first_life_that_no_more_than_half_outlive():
    assert median_life(product_limit([4, 3, 2, 1], [True] * 4)) == 2
    assert median_life(product_limit([1, 2, 3], [True] * 3)) == 2
    assert median_life(product_limit([1, 2, 3, 3], [True, False, False, False])) is None


def test_a_run_out_at_the_life_of_a_failure_outlives_it():
    curve = product_limit([5, 5], [True, False])
    assert (curve.at_risk[0], curve.survival[0]) == (2, 0.5)


def test_one_specimen_and_none():
    one = product_limit([5e6], [True])
    assert (one.survival[0], one.low[0], one.high[0]) == (0, 0, 1)
    assert at(one, 4e6) == pytest.approx((1.0, 0.025, 1.0))
    assert product_limit([], []).note == ""
    assert at(product_limit([5e6], [False]), 6e6)[0] == 1


def test_the_median_of_many_specimens():
    """ln 2 of an exponential law (any textbook); with 10,000 of them known to 1.5 %."""
    rng = np.random.default_rng(5)
    cycles = rng.standard_exponential(10_000)
    curve = product_limit(np.minimum(cycles, 1.0), cycles < 1.0)
    assert median_life(curve) == pytest.approx(np.log(2), rel=0.03)
    assert curve.note == ""


@pytest.mark.parametrize(("n", "confidence"), [(4, 0.9), (4, 0.95), (8, 0.95)])
def test_what_the_intervals_hold_is_what_the_note_says(n, confidence):
    """Drawn curves at true shares of 5, 30, 50, 70 and 95 %, beside the binomial sum."""
    least, mean = holds(n, confidence)
    rng = np.random.default_rng(11)
    shares = []
    for true in (0.05, 0.3, 0.5, 0.7, 0.95):
        life = -np.log(true)  # of an exponential law
        drawn = rng.standard_exponential((400, n))
        inside = 0
        for row in drawn:
            _, low, high = at(product_limit(row, np.ones(n, bool), confidence), life)
            inside += low <= true <= high
        shares.append(inside / 400)
    assert min(shares) > least - 0.03
    assert mean == pytest.approx(np.mean(shares), abs=0.06)
    assert f"{least:.0%}".replace("%", " %") in product_limit(drawn[0], [True] * n, confidence).note


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="one of each a specimen"):
        product_limit([1, 2], [True])
    with pytest.raises(ValueError, match="above 0 cycles"):
        product_limit([0.0], [True])
    with pytest.raises(ValueError, match="confidence"):
        product_limit([1.0], [True], confidence=95)
