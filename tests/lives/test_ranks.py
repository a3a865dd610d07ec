"""The rank test against published p-values, brute enumeration and scipy."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu, rankdata

from rig.lives.ranks import rank_test

VALUES = st.lists(st.integers(0, 6), min_size=1, max_size=6)


# Sprent and Smeeton, Applied Nonparametric Statistical Methods, tests of the R package ANSM5.
@pytest.mark.parametrize(
    ("a", "b", "p"),
    [
        (
            [23, 18, 17, 25, 22, 19, 31, 26, 29, 33],
            [21, 28, 32, 30, 41, 24, 35, 34, 27, 39, 36],
            0.015871126,
        ),
        ([1, 3, 4, 5, 7, 10, 11], [2, 6, 8, 9, 12, 13, 14, 15, 16], 0.054895105),
        (
            [15.7, 14.8, 14.2, 16.1, 15.3, 13.9, 17.2, 14.9],
            [13.7, 14.1, 14.7, 15.4, 15.6, 14.4, 12.9, 15.1, 14.0],
            0.13879062,
        ),
        # Sizes 5 and 5 with U = 1 and U = 7 (example 8.9).
        ([1, 2, 3, 4, 6], [5, 7, 8, 9, 10], 0.015873016),
        ([1, 2, 5, 6, 8], [3, 4, 7, 9, 10], 0.30952381),
    ],
)
def test_published_two_sided_p(a, b, p):
    assert rank_test(a, b).p == pytest.approx(p, abs=1e-8)


def test_permeability_of_hollander_and_wolfe():
    # Hollander and Wolfe 1973, in the help of wilcox.test of R (from memory): one-sided 0.1272.
    a = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    b = [1.15, 0.88, 0.90, 0.74, 1.21]
    assert rank_test(a, b).p_higher == pytest.approx(0.127206127, abs=1e-9)


def test_four_against_four_reach_two_of_seventy_and_no_less():
    found = rank_test([26, 27, 28, 29], [30, 31, 32, 33])
    assert found.p == found.smallest_p == pytest.approx(2 / 70, rel=1e-14)
    assert found.p_lower == found.smallest_p_lower == pytest.approx(1 / 70, rel=1e-14)
    assert found.p_higher == 1.0


# Number of orders with U at most the critical value, two-sided 5 %, worked out by counting.
@pytest.mark.parametrize(("n", "critical"), [(4, 0), (5, 2), (6, 5), (8, 13)])
def test_critical_values_of_u(n, critical):
    def p(u):
        # The first rank of `a` is pushed up by u places, which adds u to U.
        ranks = list(range(1, 2 * n + 1))
        a = ranks[:n]
        for _ in range(u):
            place = next(i for i in reversed(range(n)) if i == n - 1 or a[i] + 1 < a[i + 1])
            place = place if a[place] < 2 * n else place - 1
            a[place] += 1
        return rank_test(a, [r for r in ranks if r not in a]).p

    assert p(critical) <= 0.05 < p(critical + 1)


def by_brute_force(a, b):
    ranks = rankdata([*a, *b])
    sums = np.array([sum(ranks[list(c)]) for c in combinations(range(len(ranks)), len(a))])
    mean, found = len(a) * (len(ranks) + 1) / 2, sum(ranks[: len(a)])
    away = abs(sums - mean)
    return (
        np.mean(away >= abs(found - mean) - 1e-9),
        np.mean(sums >= found - 1e-9),
        np.mean(sums <= found + 1e-9),
        np.mean(away >= away.max() - 1e-9),
    )


@given(VALUES, VALUES)
def test_every_deal_of_tied_ranks_is_counted(a, b):
    found = rank_test(a, b)
    p = (found.p, found.p_higher, found.p_lower, found.smallest_p)
    assert p == pytest.approx(by_brute_force(a, b), rel=1e-12)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=9, unique=True), st.integers(1, 8), st.data())
def test_without_ties_as_scipy(values, split, data):
    split = min(split, len(values) - 1)
    mixed = data.draw(st.permutations(values))
    a, b = mixed[:split], mixed[split:]
    assert rank_test(a, b).p == pytest.approx(mannwhitneyu(a, b, method="exact").pvalue)


@given(VALUES, VALUES)
def test_the_other_way_round(a, b):
    one, other = rank_test(a, b), rank_test(b, a)
    assert one.p == pytest.approx(other.p)
    assert one.p_higher == pytest.approx(other.p_lower)
    assert one.smallest_p_higher == pytest.approx(other.smallest_p_lower)


def test_none_one_and_equal_values():
    assert rank_test([], [1.0]) is None
    assert rank_test([1.0], [2.0]).p == 1.0
    assert rank_test([3.0] * 4, [3.0] * 4).smallest_p == 1.0


def test_ten_thousand_are_told_by_the_normal_curve():
    rng = np.random.default_rng(3)
    a, b = rng.normal(0, 1, 10_000), rng.normal(0.1, 1, 10_000)
    found = rank_test(a, b)
    assert not found.exact
    assert found.p == pytest.approx(mannwhitneyu(a, b, method="asymptotic").pvalue)
    assert rank_test(np.ones(10_000), np.ones(10_000)).p == 1.0
