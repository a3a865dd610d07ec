"""Two groups of ultimate loads against handbooks, and what is said of odd ones."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_ind

from rig.lives.outliers import grubbs_critical, outlier
from rig.lives.ultimate import compare_ultimate, outlier_words

LOADS = st.lists(st.floats(1e3, 1e6), min_size=0, max_size=8)

# NIST/SEMATECH e-Handbook, section 7.3.1 (from memory): two assembly processes.
PROCESS_1 = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
PROCESS_2 = [36, 31, 30, 31, 34, 36, 29, 32, 31]


def test_welch_as_in_the_handbook():
    found = compare_ultimate(PROCESS_1, PROCESS_2)
    assert (round(found.mean_a, 4), round(found.mean_b, 4)) == (36.0909, 32.2222)
    assert found.variation_a * found.mean_a == pytest.approx(4.9082, abs=5e-5)
    assert found.variation_b * found.mean_b == pytest.approx(2.5386, abs=5e-5)
    assert round(found.t, 3) == 2.269
    assert found.df == pytest.approx(15.53251435)
    assert found.p == pytest.approx(0.03787948, abs=1e-8)
    ends = (found.difference_low, found.difference_high)
    assert ends == pytest.approx((0.245943, 7.491430), abs=1e-6)
    assert found.warnings == ()


def test_the_smallest_published_case():
    # mikuhatsune.hatenadiary.com/entry/20121212/1355320912: t.test of R, 5 against 5.
    x = [1.5855288, 1.7094660, 0.8906967, 0.5465028, 1.6058875]
    y = [0.1820440, 2.6300986, 1.7238159, 1.7158403, 1.0806780]
    found = compare_ultimate(x, y)
    assert (round(found.t, 4), round(found.df, 3), round(found.p, 3)) == (-0.4263, 6.363, 0.684)
    ends = (found.difference_low, found.difference_high)
    assert ends == pytest.approx((-1.3249365, 0.9271785), abs=1e-7)


@given(
    st.lists(st.integers(1, 10**6), min_size=2, max_size=8, unique=True),
    st.lists(st.integers(1, 10**6), min_size=2, max_size=8, unique=True),
)
def test_welch_as_scipy(a, b):
    found, wanted = compare_ultimate(a, b, 0.9), ttest_ind(a, b, equal_var=False)
    ends = wanted.confidence_interval(0.9)
    assert (found.t, found.df, found.p) == pytest.approx(
        (wanted.statistic, wanted.df, wanted.pvalue), rel=1e-9
    )
    scale = abs(ends.low) + abs(ends.high)
    assert (found.difference_low, found.difference_high) == pytest.approx(
        (ends.low, ends.high), abs=1e-9 * scale
    )


def test_four_against_four_cannot_reach_less_than_two_of_seventy():
    found = compare_ultimate([130e3, 131e3, 134e3, 135e3], [125e3, 128e3, 129e3, 129.5e3])
    assert found.p_rank == found.smallest_p_rank == pytest.approx(2 / 70)


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        ([], [130e3], "holds no ultimate load"),
        ([131e3], [125e3, 128e3], "holds one ultimate load"),
        ([131e3] * 4, [125e3, 128e3, 129e3], "group a are all equal"),
        ([131e3] * 4, [125e3] * 4, "no variation in either group"),
    ],
)
def test_groups_that_tell_little_say_so(a, b, words):
    found = compare_ultimate(a, b)
    assert any(words in warning for warning in found.warnings)


def test_no_variation_gives_the_difference_and_no_test():
    found = compare_ultimate([131e3] * 4, [125e3] * 4)
    assert found.difference == 6e3
    assert found.ratio == pytest.approx(131 / 125)
    assert found.variation_a == 0.0
    assert (found.t, found.p, found.ratio_low, found.difference_low) == (None,) * 4
    assert found.p_rank == pytest.approx(2 / 70)


def test_one_group_without_variation_leaves_the_test_to_the_other():
    found = compare_ultimate([131e3] * 4, [125e3, 128e3, 129e3])
    assert found.df == pytest.approx(2.0)
    assert found.difference_low < found.difference < found.difference_high


def test_ten_thousand_specimens():
    rng = np.random.default_rng(2)
    found = compare_ultimate(rng.normal(130e3, 8e3, 10_000), rng.normal(130e3, 8e3, 10_000))
    assert found.ratio_low < 1 < found.ratio_high
    assert any("normal curve" in warning for warning in found.warnings)


@given(LOADS, LOADS)
def test_any_loads_are_compared(a, b):
    found = compare_ultimate(a, b)
    assert (found.n_a, found.n_b) == (len(a), len(b))
    if not (a and b):
        assert found.difference is None
        assert found.warnings


# NIST/SEMATECH e-Handbook, section 1.3.5.17.1: masses of an isotope of uranium, G = 2.4687
# (from memory); critical values at 5 %, two-sided, of Grubbs' table (from memory).
def test_grubbs_shows_the_farthest_mass():
    masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    found = outlier(masses)
    assert found.index == 7
    assert found.distance == pytest.approx(2.4687, abs=1e-4)
    assert outlier(masses[:-1]) is None


@pytest.mark.parametrize(
    ("n", "critical"), [(3, 1.155), (4, 1.481), (5, 1.715), (8, 2.126), (10, 2.290), (20, 2.709)]
)
def test_critical_values_of_grubbs(n, critical):
    assert grubbs_critical(n) == pytest.approx(critical, abs=1e-3)


def test_an_outlier_is_shown_and_stays_in():
    loads = [130e3, 131e3, 132e3, 130.5e3, 131.5e3, 95e3]
    found = compare_ultimate(loads, [129e3, 131e3, 133e3])
    (shown,) = found.outliers
    assert (shown.group, shown.outlier.value) == ("a", 95e3)
    assert found.mean_a == pytest.approx(np.mean(loads))
    assert "P-7 lies 2.0" in outlier_words(shown, "P-7")
    assert outlier_words(shown, "P-7").endswith("it stays in")


def test_values_that_show_no_outlier():
    assert outlier([]) is None
    assert outlier([1.0, 1e9]) is None
    assert outlier([2.0] * 10) is None
