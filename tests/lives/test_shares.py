"""Shares k of n against published intervals, scipy, and what the intervals claim to hold."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, fisher_exact

from rig.lives.shares import clopper_pearson, share_difference, share_test

SIZES = st.integers(1, 30)


# Exact intervals at 95 % that every table has (from memory): none of 10 and all of 4 have closed
# forms, 1 - 0.025^(1/n) and 0.025^(1/n); 81 of 263 is of Newcombe, Stat. Med. 17 (1998) 857.
@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (0, 10, 0.0, 0.3085),
        (4, 4, 0.3976, 1.0),
        (2, 2, 0.1581, 1.0),
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_exact_intervals_as_published(k, n, low, high):
    found = clopper_pearson(k, n)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


@given(SIZES, st.data(), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_exact_intervals_as_scipy(n, data, confidence):
    k = data.draw(st.integers(0, n))
    found = clopper_pearson(k, n, confidence)
    wanted = binomtest(k, n).proportion_ci(confidence, "exact")
    assert (found.low, found.high) == pytest.approx((wanted.low, wanted.high), abs=1e-9)


@pytest.mark.parametrize("n", [2, 4, 10])
def test_exact_intervals_hold_at_least_as_often_as_they_say(n):
    ends = [clopper_pearson(k, n, 0.9) for k in range(n + 1)]
    for share in np.linspace(0.01, 0.99, 99):
        inside = [e.low <= share <= e.high for e in ends]
        assert binom.pmf(np.arange(n + 1), n, share)[inside].sum() >= 0.9


# Newcombe, Stat. Med. 17 (1998) 873, table II, method 10, 95 % (from memory).
@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((10, 10, 0, 20), 0.6791, 1.0),
        ((0, 10, 0, 10), -0.2775, 0.2775),
        ((10, 10, 0, 10), 0.6075, 1.0),
    ],
)
def test_differences_as_published(counts, low, high):
    found = share_difference(*counts)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


def test_the_lady_tasting_tea():
    # Fisher, The Design of Experiments (1935), chapter II (from memory): three of four right has
    # one-sided p 17/70; all four right 1/70.
    found = share_test(3, 4, 1, 4)
    assert found.p_higher == pytest.approx(17 / 70)
    assert found.smallest_p_higher == pytest.approx(1 / 70)
    assert share_test(4, 4, 0, 4).p_higher == pytest.approx(1 / 70)


@given(SIZES, SIZES, st.data())
def test_two_shares_as_scipy(n_a, n_b, data):
    k_a, k_b = data.draw(st.integers(0, n_a)), data.draw(st.integers(0, n_b))
    found = share_test(k_a, n_a, k_b, n_b)
    table = [[k_a, n_a - k_a], [k_b, n_b - k_b]]
    assert found.p_higher == pytest.approx(fisher_exact(table, "greater").pvalue, rel=1e-9)
    assert found.p_lower == pytest.approx(fisher_exact(table, "less").pvalue, rel=1e-9)
    assert found.smallest_p_higher <= found.p_higher * (1 + 1e-12)
    assert found.smallest_p_lower <= found.p_lower * (1 + 1e-12)


@given(SIZES, SIZES, st.data())
def test_a_difference_lies_within_its_interval(n_a, n_b, data):
    k_a, k_b = data.draw(st.integers(0, n_a)), data.draw(st.integers(0, n_b))
    found = share_difference(k_a, n_a, k_b, n_b, 0.9)
    assert -1 <= found.low <= found.value <= found.high <= 1
    other = share_difference(k_b, n_b, k_a, n_a, 0.9)
    assert (other.low, other.high) == pytest.approx((-found.high, -found.low))


def test_nobody_looked():
    assert clopper_pearson(0, 0) is None
    assert share_difference(0, 0, 1, 2) is None
    assert share_test(1, 2, 0, 0) is None


def test_ten_thousand_specimens():
    found = share_test(5000, 10_000, 4800, 10_000)
    assert 0.0 < found.p_higher < 0.01
    assert clopper_pearson(5000, 10_000).low == pytest.approx(0.4902, abs=1e-4)


@pytest.mark.endurance
@pytest.mark.parametrize("n", [4, 6, 10])
def test_differences_hold_about_as_often_as_they_say(n):
    # Mean over pairs of shares, every outcome counted: no simulation.
    k = np.arange(n + 1)
    ends = [[share_difference(i, n, j, n, 0.9) for j in k] for i in k]
    low = np.array([[e.low for e in row] for row in ends])
    high = np.array([[e.high for e in row] for row in ends])
    shares = np.linspace(0.02, 0.98, 49)
    held = [
        (np.outer(binom.pmf(k, n, p), binom.pmf(k, n, q))[(low <= p - q) & (p - q <= high)]).sum()
        for p in shares
        for q in shares
    ]
    assert 0.88 <= np.mean(held) <= 0.96
