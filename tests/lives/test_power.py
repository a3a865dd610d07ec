"""Power by simulation: the same tests as on real lives, and published sizes beside them."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.lives.logrank import logrank
from rig.lives.many_logranks import LogRanks, logrank_scores
from rig.lives.null_sums import null_sums, reached
from rig.lives.power import (
    LifeDesign,
    capacity_shift,
    draw_lives,
    life_power,
    life_powers,
    log_ratios,
)
from rig.lives.ratios import life_ratio
from rig.lives.slopes import code_slope
from rig.lives.ultimate import compare_ultimate
from rig.lives.ultimate_power import UltimateDesign, ultimate_power, welch_p

DESIGN = LifeDesign(4, 4, 2e6, 2e5, 5.0, 0.6)


@settings(max_examples=25)
@given(st.integers(1, 5), st.integers(1, 5), st.floats(0.2, 5.0), st.integers(0, 1000))
def test_each_simulated_series_gets_the_p_of_the_test_of_real_lives(n_a, n_b, run_out, seed):
    lives = draw_lives(LifeDesign(n_a, n_b, run_out, 1.0, 2.0, 1.0), 5, seed)
    judged = LogRanks(n_a, n_b).judge(lives, run_out)
    for i, row in enumerate(lives):
        failed, cut = row < run_out, np.minimum(row, run_out)
        one = logrank(cut[:n_a], failed[:n_a], cut[n_a:], failed[n_a:])
        assert judged.p[i] == pytest.approx(one.p_exact_one_sided, abs=1e-12)
        assert judged.p_two_sided[i] == pytest.approx(one.p_exact_two_sided, abs=1e-12)
        assert judged.smallest_p[i] == pytest.approx(one.smallest_p_one_sided, abs=1e-12)


def test_scores_of_six_failures():
    # 1 less the sum of 1/6, 1/5, ... up to each failure, by hand.
    expected = 1 - np.cumsum([1 / 6, 1 / 5, 1 / 4, 1 / 3, 1 / 2, 1])
    assert logrank_scores(6)[6] == pytest.approx(expected)
    assert logrank_scores(6)[0] == pytest.approx(np.zeros(6))
    assert logrank_scores(6).sum(axis=1) == pytest.approx(np.zeros(7))


def test_two_run_outs_against_four_failures_can_reach_one_in_15():
    tests = LogRanks(2, 4)
    assert tests.null(4).smallest_p_low == pytest.approx(1 / 15)
    assert min(tests.null(k).smallest_p_low for k in range(7)) == pytest.approx(1 / 15)
    # With three run-outs two of them can be dealt to the longer group in three ways.
    assert tests.null(3).smallest_p_low == pytest.approx(3 / 15)


def test_the_critical_sum_of_ranks_of_five_and_five():
    # Tables of the Mann-Whitney U test: P(U <= 2) = 4/252 and P(U <= 1) = 2/252 (by counting).
    null = null_sums(np.arange(1.0, 11.0), 5)
    assert null.p_low(np.array([15.0 + 2, 15.0 + 1])) == pytest.approx([4 / 252, 2 / 252])
    assert null.smallest_p_away == pytest.approx(2 / 252)


def test_a_sample_of_arrangements_never_says_nought():
    null = null_sums(np.arange(30.0), 15, seed=4)
    assert not null.exact
    assert null.p_low(np.array([-1.0])) == pytest.approx(1 / 20_001)
    assert null.p_low(np.array([15 * 14.5])) == pytest.approx(0.5, abs=0.02)


def test_without_a_difference_no_more_than_the_significance_alarms():
    found = life_power(LifeDesign(4, 4, 2e6, 2e5, 1.0, 0.6), series=20_000, seed=3)
    # Of 70 arrangements 3 have the smallest sums at most: 3/70 of the series, but for scores that
    # tie; what stands is at most 5 %.
    assert found.power <= 0.05
    assert found.power == found.false_alarms
    assert found.power > 3 / 70 - 4 * found.error
    assert found.power_carried == pytest.approx(0.05, abs=0.001)


def test_power_of_exponential_lives_beside_the_formulas_of_schoenfeld_and_freedman():
    # Events for a power of 80 % at two-sided 5 % where hazards are 5 to 1: 12.1 by Schoenfeld
    # (Biometrika 68 (1981) 316), 17.7 by Freedman (Stat. Med. 1 (1982) 121), known to be the nearer
    # one of few events and far hazards.
    schoenfeld, freedman = (0.8416 + 1.96) ** 2 * 4 / math.log(5) ** 2, (2.8016 * 6 / 4) ** 2
    assert (schoenfeld, freedman) == pytest.approx((12.1, 17.7), abs=0.05)
    powers = []
    for each in (6, 9):
        lives = np.random.default_rng(7).exponential(1.0, (4000, 2 * each))
        lives[:, :each] *= 5.0
        powers.append((LogRanks(each, each).judge(lives, np.inf).p_two_sided <= 0.05).mean())
    assert powers[0] < 0.75
    assert powers[1] == pytest.approx(0.80, abs=0.05)


def test_a_published_size_of_a_log_rank_trial():
    # MRC Cognition and Brain Sciences Unit, statswiki, FAQ/powsurv: survival of 75 % beside 37 % is
    # shown with 80 % at two-sided 5 % by 20.39 failures among 47.
    lives = np.random.default_rng(8).exponential(1.0, (2000, 47))
    lives[:, :24] /= -math.log(0.75)
    lives[:, 24:] /= -math.log(0.37)
    found = LogRanks(24, 23).judge(lives, 1.0)
    assert (found.failures_a + found.failures_b).mean() == pytest.approx(20.39, abs=0.3)
    assert (found.p_two_sided <= 0.05).mean() == pytest.approx(0.80, abs=0.04)


def test_welch_has_the_power_of_a_table_of_the_t_test():
    # Cohen, Statistical Power Analysis (1988), table 2.4.1: 17 in each group for an effect of one
    # standard deviation at 80 % and two-sided 5 % (from memory).
    found = ultimate_power(UltimateDesign(17, 17, 1.001, 0.001), series=10_000, seed=2)
    assert found.power_welch == pytest.approx(0.80, abs=0.02)
    assert found.power_welch - 0.06 < found.power_rank < found.power_welch


def test_each_simulated_pair_gets_the_p_of_the_test_of_real_loads():
    loads = np.random.default_rng(5).normal(100.0, 6.0, (20, 8))
    p = welch_p(loads[:, :3], loads[:, 3:])
    for i, row in enumerate(loads):
        assert p[i] == pytest.approx(compare_ultimate(row[:3], row[3:]).p, rel=1e-9)


def test_loads_that_do_not_vary_or_stand_alone_show_nothing():
    assert welch_p(np.ones((2, 3)), np.ones((2, 3))).tolist() == [1.0, 1.0]
    assert welch_p(np.ones((2, 1)), np.ones((2, 3))).tolist() == [1.0, 1.0]
    found = ultimate_power(UltimateDesign(1, 3, 1.2, 0.06), series=100)
    assert math.isnan(found.power_welch)
    assert found.smallest_p == pytest.approx(0.5)


def test_power_grows_with_ratio_and_size_on_the_same_luck():
    designs = [LifeDesign(n, n, 2e6, 2e5, r, 0.6) for n in (3, 4, 5) for r in (1.0, 2.0, 4.0)]
    powers = [found.power_two_sided for found in life_powers(designs, series=2000, seed=1)]
    table = np.reshape(powers, (3, 3))
    assert (np.diff(table, axis=1) >= 0).all()
    assert (np.diff(table[:, 2]) > 0).all()


def test_several_designs_at_once_come_to_what_each_does_alone():
    designs = [LifeDesign(3, 4, 2e6, 2e5, r, 0.6, 0.3, 0.2) for r in (1.0, 4.0)]
    together = life_powers(designs, series=500, seed=9)
    assert together == tuple(life_power(d, series=500, seed=9) for d in designs)


def test_four_companions_of_6_percent_are_worth_0_3_decades():
    # Common practice, no source: 0.3 decades at 70 % by the slope of EN 1992-2.
    slope = code_slope("load level", 0.7)
    shift = capacity_shift(0.06, 4, slope.sensitivity(0.7))
    assert shift / math.log(10) == pytest.approx(0.3, abs=0.02)


def test_the_error_of_capacities_alarms_where_there_is_nothing():
    known, moved = life_powers(
        [LifeDesign(6, 6, 1e9, 2e5, 1.0, 0.6, s, s) for s in (0.0, 0.68)], series=4000, seed=2
    )
    assert known.false_alarms < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 4000)
    assert moved.false_alarms > 0.2
    # What carries the error keeps to its promise, and shows less.
    assert moved.power_carried == pytest.approx(0.05, abs=0.002)
    powers = life_powers(
        [LifeDesign(6, 6, 1e9, 2e5, 3.0, 0.6, s, s) for s in (0.0, 0.68)], series=4000, seed=2
    )
    assert powers[1].power_carried < 0.5 < powers[0].power_carried


def test_the_estimated_ratio_is_that_of_the_ratio_of_real_lives():
    lives = draw_lives(DESIGN, 2, seed=8)
    found = log_ratios(lives, 4, DESIGN.run_out)
    for row, ours in zip(lives, found, strict=True):
        cut, failed = np.minimum(row, 2e6), row < 2e6
        one = life_ratio(cut[:4], failed[:4], cut[4:], failed[4:])
        assert one is not None
        assert math.exp(ours) == pytest.approx(one.ratio, rel=1e-6)


def test_a_group_that_only_ran_out_has_an_endless_ratio():
    lives = np.array([[9.0, 9.0, 1.0, 2.0], [1.0, 2.0, 9.0, 9.0], [9.0, 9.0, 9.0, 9.0]])
    assert log_ratios(lives, 2, 5.0).tolist() == [np.inf, -np.inf, 0.0]


def test_series_that_all_run_out_show_nothing():
    found = life_power(LifeDesign(3, 3, 10.0, 2e5, 5.0, 0.6), series=200)
    assert (found.power, found.failures_a, found.failures_b) == (0.0, 0.0, 0.0)
    assert found.can_reach == 0.0
    assert found.smallest_p_usual == 1.0


def test_three_and_three_reach_one_in_twenty_whatever_its_last_digit():
    assert reached(np.array([1 / 20, 0.05 * (1 + 1e-12), 0.0501]), 0.05).tolist() == [1, 1, 0]
    assert life_power(LifeDesign(3, 3, 1e9, 2e5, 50.0, 0.3), series=200).power > 0.9


@given(
    st.integers(1, 4),
    st.integers(1, 4),
    st.floats(1.0, 1e12),
    st.floats(1.0, 1e12),
    st.floats(1.0, 1e4),
    st.floats(0.01, 5.0),
    st.floats(0.0, 200.0),
)
def test_whatever_a_plan_may_say_shares_are_shares(n_a, n_b, run_out, life, ratio, scatter, shift):
    design = LifeDesign(n_a, n_b, run_out, life, ratio, scatter, shift, shift)
    found = life_power(design, series=30)
    for share in (found.power, found.power_two_sided, found.false_alarms, found.power_carried):
        assert 0.0 <= share <= 1.0
    assert found.smallest_p == pytest.approx(1 / math.comb(n_a + n_b, n_a))


@pytest.mark.parametrize(("n_a", "n_b"), [(0, 3), (3, 0)])
def test_an_empty_group_is_refused(n_a, n_b):
    with pytest.raises(ValueError, match="each needs a specimen"):
        life_power(LifeDesign(n_a, n_b, 2e6, 2e5, 5.0, 0.6))
    with pytest.raises(ValueError, match="each needs a specimen"):
        ultimate_power(UltimateDesign(n_a, n_b, 1.1, 0.06))
