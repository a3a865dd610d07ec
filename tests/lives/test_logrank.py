"""The exact log-rank test against published cases, brute enumeration and scipy."""

from __future__ import annotations

import math
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import CensoredData, hypergeom
from scipy.stats import logrank as scipy_logrank

from rig.lives.logrank import logrank, scores
from tests.lives.published import CALLAERT, SPRENT, TREATED, UNTREATED

LIVES = st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=1, max_size=5)
FEW = st.lists(st.tuples(st.integers(1, 6), st.booleans()), min_size=1, max_size=3)


def split(lives) -> tuple[list[float], list[bool]]:
    return [float(c) for c, *_ in lives], [f for _, f, *_ in lives]


def observed_less_expected(cycles, failed, is_a) -> float:
    """Return O - E of a by its definition, a table at each life with failures."""
    total = 0.0
    for time in sorted({c for c, f in zip(cycles, failed, strict=True) if f}):
        risk = [c >= time for c in cycles]
        fails = [c == time and f for c, f in zip(cycles, failed, strict=True)]
        risk_a = sum(r and a for r, a in zip(risk, is_a, strict=True))
        observed = sum(f and a for f, a in zip(fails, is_a, strict=True))
        total += observed - sum(fails) * risk_a / sum(risk)
    return total


def dealt(n: int, k: int) -> list[tuple[bool, ...]]:
    return [tuple(i in chosen for i in range(n)) for chosen in combinations(range(n), k)]


def shares(sums: list[float], seen: float) -> tuple[float, float, float, float]:
    """Return both p and both smallest p of sums of all arrangements."""
    low, far = min(sums), max(map(abs, sums))
    near = 1e-9
    counts = (
        sum(abs(one) >= abs(seen) - near for one in sums),
        sum(one <= seen + near for one in sums),
        sum(abs(one) >= far - near for one in sums),
        sum(one <= low + near for one in sums),
    )
    two, one, least_two, least_one = (count / len(sums) for count in counts)
    return two, one, least_two, least_one


def as_shares(test) -> tuple[float, float, float, float]:
    return (
        test.p_exact_two_sided,
        test.p_exact_one_sided,
        test.smallest_p_two_sided,
        test.smallest_p_one_sided,
    )


@given(LIVES, LIVES)
def test_all_is_as_by_brute_enumeration(a, b):
    cycles, failed = split(a + b)
    n = len(cycles)
    test = logrank(*split(a), *split(b))
    ways = dealt(n, len(a))
    sums = [observed_less_expected(cycles, failed, way) for way in ways]
    seen = sums[ways.index(tuple(i < len(a) for i in range(n)))]
    assert test.observed_minus_expected == pytest.approx(seen, abs=1e-9)
    assert test.arrangements == len(ways)
    assert test.exact
    assert as_shares(test) == pytest.approx(shares(sums, seen), abs=1e-12)


@given(st.tuples(FEW, FEW), st.tuples(FEW, FEW))
def test_within_two_batches_as_by_brute_enumeration(first, second):
    """Each batch has some of a and some of b."""
    a, b = first[0] + second[0], first[1] + second[1]
    batches = [["first"] * len(first[of]) + ["second"] * len(second[of]) for of in (0, 1)]
    test = logrank(*split(a), *split(b), *batches)
    by_batch = []
    for of_a, of_b in (first, second):
        cycles, failed = split(of_a + of_b)
        ways = dealt(len(cycles), len(of_a))
        sums = [observed_less_expected(cycles, failed, way) for way in ways]
        seen = tuple(i < len(of_a) for i in range(len(cycles)))
        by_batch.append((sums, sums[ways.index(seen)]))
    sums = [sum(pair) for pair in product(*(s for s, _ in by_batch))]
    seen = sum(one for _, one in by_batch)
    assert (test.arrangements, test.stratified) == (len(sums), True)
    assert as_shares(test) == pytest.approx(shares(sums, seen), abs=1e-12)


@given(LIVES)
def test_scores_add_up_to_nothing_and_know_no_unit(lives):
    cycles, failed = split(lives)
    found = scores(cycles, failed)
    assert found.sum() == pytest.approx(0.0, abs=1e-12)
    assert found == pytest.approx(scores(np.array(cycles) * 1e6, failed), abs=1e-12)
    assert found == pytest.approx(scores(np.exp(cycles), failed), abs=1e-12)


@given(LIVES, LIVES)
def test_the_groups_may_change_places(a, b):
    one, other = logrank(*split(a), *split(b)), logrank(*split(b), *split(a))
    assert one.observed_minus_expected == pytest.approx(-other.observed_minus_expected, abs=1e-9)
    assert one.p_exact_two_sided == pytest.approx(other.p_exact_two_sided)
    assert one.p_exact_one_sided + other.p_exact_one_sided >= 1 - 1e-12


def test_scores_of_many_sets_are_those_of_each():
    rng = np.random.default_rng(3)
    cycles, failed = rng.integers(1, 9, (50, 7)).astype(float), rng.random((50, 7)) < 0.7
    assert scores(cycles, failed) == pytest.approx(
        np.array([scores(c, f) for c, f in zip(cycles, failed, strict=True)])
    )


def test_published_scores_with_ties():
    """Callaert 2003, as in the R package coin: its scores have the other sign."""
    (a, _), (b, _) = CALLAERT
    found = -scores(np.concatenate((a, b)), [True] * 15)
    of_a = [-0.8666667] * 2 + [0.1148962] + [1.1148962] * 4
    of_b = [-0.6358974] * 3 + [-0.5358974] + [-0.3136752] * 2 + [0.1148962] * 2
    assert found == pytest.approx(of_a + of_b, abs=5e-8)


def test_published_exact_p_with_ties():
    """Callaert 2003, as in the R package coin: p 0.05051 by mid-ranks."""
    test = logrank(*CALLAERT[0], *CALLAERT[1])
    assert test.p_exact_two_sided == pytest.approx(325 / 6435)
    assert round(test.p_exact_two_sided, 5) == 0.05051
    assert test.arrangements == 6435
    assert test.warnings == ()


def test_published_exact_p_with_run_outs():
    """Sprent and Smeeton, example 9.6, as in the R package ANSM5."""
    test = logrank(*SPRENT[0], *SPRENT[1])
    assert abs(test.observed_minus_expected) == pytest.approx(1.10595238, abs=5e-9)
    assert test.p_exact_two_sided == pytest.approx(0.33809524, abs=5e-9)
    assert test.p_exact_two_sided == pytest.approx(71 / 210)


def test_published_observed_and_expected():
    """R survdiff of the remission data: O 9, E 19.3 of the treated, two-sided p 4.17e-05.

    42 choose 21 arrangements are sampled: of 20,000 hardly any are so far out.
    """
    test = logrank(*TREATED, *UNTREATED)
    assert test.observed_minus_expected == pytest.approx(9 - 19.25050095, abs=5e-9)
    assert not test.exact
    assert 1 / 20_001 <= test.p_exact_one_sided <= 5 / 20_001
    assert any("20,000, seed 0" in warning for warning in test.warnings)


@pytest.mark.nights
def test_a_sample_comes_near_the_p_of_large_groups():
    """Of 20 against 20 the sampled p is that of the normal approximation of scipy, nearly."""
    rng = np.random.default_rng(8)
    a, b = rng.standard_exponential(20) * 1.6, rng.standard_exponential(20)
    cut = 2.0
    test = logrank(np.minimum(a, cut), a < cut, np.minimum(b, cut), b < cut)
    x, y = (CensoredData(g[g < cut], right=np.full((g >= cut).sum(), cut)) for g in (a, b))
    assert not test.exact
    assert test.p_exact_two_sided == pytest.approx(scipy_logrank(x, y).pvalue, abs=0.015)
    again = logrank(np.minimum(a, cut), a < cut, np.minimum(b, cut), b < cut, seed=0)
    assert again == test


ALL = [True] * 4
SHORT = [0.5e6, 1.0e6, 1.2e6, 1.9e6]


def test_two_run_outs_against_four_failures():
    """One of 15 choices of two from six; no other is as extreme (any textbook)."""
    test = logrank([10e6, 10e6], [False, False], SHORT, ALL)
    assert test.p_exact_one_sided == pytest.approx(1 / 15)
    assert test.smallest_p_one_sided == pytest.approx(1 / 15)
    assert test.p_exact_two_sided == pytest.approx(1 / 15)
    assert test.warnings == ()


def test_four_wet_failures_against_a_late_one_and_a_run_out():
    """The two that live longest of six: again 1 of 15, and none smaller can be."""
    test = logrank([8e6, 10e6], [True, False], SHORT, ALL)
    assert test.p_exact_one_sided == pytest.approx(1 / 15)
    assert test.smallest_p_one_sided == pytest.approx(1 / 15)
    assert test.warnings == ()


def test_four_pairs_in_batches():
    """Each pair can fall in two ways: 1 of 16."""
    batches = ["north", "east", "south", "west"]
    test = logrank([5, 7, 9, 12], ALL, [1, 2, 3, 4], ALL, batches, batches)
    assert test.p_exact_one_sided == pytest.approx(1 / 16)
    assert test.smallest_p_one_sided == pytest.approx(1 / 16)
    assert (test.arrangements, test.stratified) == (16, True)


def test_four_against_four():
    test = logrank([5, 7, 9, 12], ALL, [1, 2, 3, 4], ALL)
    assert test.smallest_p_two_sided == pytest.approx(2 / 70)
    assert test.smallest_p_one_sided == pytest.approx(1 / 70)
    assert not test.stratified


def test_nobody_failed():
    test = logrank([1e7] * 5000, [False] * 5000, [1e7] * 5000, [False] * 5000)
    assert as_shares(test) == (1, 1, 1, 1)
    assert test.warnings == ("nobody failed: nothing tells the groups apart",)


def test_a_group_without_specimens():
    test = logrank([], [], [1.0], [True])
    assert as_shares(test) == (1, 1, 1, 1)
    assert "group a has no specimen" in test.warnings[0]
    assert as_shares(logrank([], [], [], [])) == (1, 1, 1, 1)


def test_ten_thousand_specimens():
    rng = np.random.default_rng(1)
    a, b = rng.standard_exponential((2, 5000)) * [[1.2], [1.0]]
    test = logrank(a, [True] * 5000, b, [True] * 5000)
    assert test.p_exact_two_sided == pytest.approx(1 / 2001)
    assert 0 <= test.smallest_p_one_sided < 1e-300


def test_specimens_of_one_life_need_no_sample():
    """How many of a lie at the first of two lives is hypergeometric (any textbook)."""
    a, b = [1.0] * 20 + [2.0] * 30, [1.0] * 30 + [2.0] * 20
    test = logrank(a, [True] * 50, b, [True] * 50)
    assert test.exact
    assert test.arrangements == math.comb(100, 50)
    assert test.p_exact_one_sided == pytest.approx(hypergeom(100, 50, 50).cdf(20))


@pytest.mark.parametrize(
    ("a", "b", "said"),
    [
        (([2e6, 5e6], [True, False]), ([1e6, 9e6], [True, False]), "assumes one run-out count"),
        (([5e6, 5e6], [False, False]), ([1e6, 6e6], [True, True]), "before a failure at 6,000,000"),
    ],
)
def test_run_out_counts_that_are_not_equal_are_said(a, b, said):
    assert any(said in warning for warning in logrank(*a, *b).warnings)


def test_batches_that_tell_nothing_are_said():
    a, b = ([5.0, 6.0], [True, True]), ([1.0, 2.0], [True, True])
    apart = logrank(*a, *b, ["p", "p"], ["q", "q"])
    assert "cannot be told apart" in apart.warnings[0]
    assert not apart.stratified
    assert apart.p_exact_one_sided == pytest.approx(1 / 6)
    alone = logrank(*a, *b, ["p", "q"], ["p", "p"])
    assert "batch q: of one group only" in alone.warnings[0]
    assert alone.p_exact_one_sided == pytest.approx(1 / 3)
    missing = logrank(*a, *b, ["p", None], ["p", "q"])
    assert "1 of 4 specimens have no batch" in missing.warnings[0]
    assert not missing.stratified
    assert logrank(*a, *b, [None, None], [None, None]) == logrank(*a, *b)
    with pytest.raises(ValueError, match="3 batches for 4 specimens"):
        logrank(*a, *b, ["p"], ["p", "q"])


def p_of_drawn(draws: int, seed: int) -> np.ndarray:
    """Return the one-sided p of 4 against 4 of one law, about a third of them run-outs."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(draws):
        lives = np.exp(14 + 0.7 * rng.standard_normal(8))
        ends = np.minimum(lives, np.exp(14.3))
        failed = lives < np.exp(14.3)
        found.append(logrank(ends[:4], failed[:4], ends[4:], failed[4:]).p_exact_one_sided)
    return np.array(found)


@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    "draws", [400, pytest.param(8000, marks=pytest.mark.nights)], ids=["quick", "long"]
)
def test_p_is_uniform_where_the_groups_are_one(draws):
    """P(p <= level) is no more than the level, as of any exact test, and with ties not far less."""
    p = p_of_drawn(draws, seed=2)
    for level in (1 / 70, 0.05, 0.1, 0.2, 0.5, 0.8):
        share, error = (p <= level + 1e-12).mean(), math.sqrt(level * (1 - level) / draws)
        assert share <= level + 3.5 * error
        assert share >= 0.5 * level - 3.5 * error
