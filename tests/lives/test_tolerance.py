"""Tolerance factors against published tables, and what drawn bounds hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import nct, norm

from rig.lives.tolerance import tolerance_bound, tolerance_factor

# ISO 16269-6 and Owen (from memory), computed apart: 95 % confidence, shares .75 .90 .95 .99.
FACTORS = {
    2: (11.763, 20.5815, 26.2597, 37.0936),
    3: (3.8062, 6.1553, 7.6559, 10.5527),
    4: (2.6176, 4.1619, 5.1439, 7.0424),
    5: (2.1497, 3.4066, 4.2027, 5.7411),
    6: (1.8950, 3.0063, 3.7077, 5.0620),
    7: (1.7322, 2.7554, 3.3995, 4.6417),
    8: (1.6178, 2.5819, 3.1873, 4.3539),
    9: (1.5322, 2.4538, 3.0312, 4.1430),
    10: (1.4652, 2.3546, 2.9110, 3.9811),
    12: (1.3663, 2.2101, 2.7363, 3.7471),
    15: (1.2676, 2.0684, 2.5660, 3.5201),
    20: (1.1665, 1.9260, 2.3960, 3.2952),
    30: (1.0584, 1.7773, 2.2198, 3.0639),
}


@pytest.mark.parametrize("n", FACTORS)
def test_factors_of_the_table(n):
    found = [tolerance_factor(n, share, 0.95) for share in (0.75, 0.90, 0.95, 0.99)]
    assert found == pytest.approx(FACTORS[n], abs=5.1e-5 if n > 2 else 5.1e-4)


@pytest.mark.parametrize(
    ("n", "share", "confidence", "factor", "digits"),
    [
        (10, 0.90, 0.95, 2.355, 3),  # Owen, as quoted in other programs
        (10, 0.99, 0.95, 3.981, 3),
        (20, 0.90, 0.95, 1.926, 3),
        (40, 0.90, 0.99, 1.9017, 4),  # real-statistics.com, tolerance intervals
        (43, 0.90, 0.99, 1.8740, 4),  # NIST/SEMATECH e-Handbook 7.2.6.3 (from memory)
        (3, 0.95, 0.75, 3.1518, 4),  # computed apart
        (5, 0.95, 0.75, 2.4634, 4),
        (10, 0.95, 0.75, 2.1037, 4),
    ],
)
def test_published_factors(n, share, confidence, factor, digits):
    assert round(tolerance_factor(n, share, confidence), digits) == factor


@pytest.mark.parametrize(
    ("n", "share", "confidence"), [(3, 0.9, 0.95), (7, 0.5, 0.9), (25, 0.99, 0.6)]
)
def test_factors_are_quantiles_of_the_noncentral_t(n, share, confidence):
    expected = nct.ppf(confidence, n - 1, norm.ppf(share) * math.sqrt(n)) / math.sqrt(n)
    assert tolerance_factor(n, share, confidence) == pytest.approx(expected, rel=1e-6)


def test_a_bound_of_four_lives():
    """By hand: mean of ln life less 4.1619 standard deviations."""
    cycles = [0.5e6, 1.0e6, 1.2e6, 1.9e6]
    logs = np.log(cycles)
    found = tolerance_bound(cycles, [True] * 4, 0.90, 0.95)
    assert math.log(found.life) == pytest.approx(logs.mean() - 4.1619 * logs.std(ddof=1), abs=1e-4)
    assert found.factor == pytest.approx(4.1619, abs=5e-5)


@pytest.mark.parametrize(
    ("cycles", "failed", "why"),
    [
        ([1e6, 1e7, 1e7], [True, False, False], "2 of 3 ran out"),
        ([1e7] * 4, [False] * 4, "4 of 4 ran out"),
        ([1e6], [True], "1 specimen"),
        ([], [], "0 specimen"),
        ([1e6] * 4, [True] * 4, "show no scatter"),
    ],
)
def test_why_there_is_no_bound(cycles, failed, why):
    found = tolerance_bound(cycles, failed)
    assert (found.life, found.factor) == (None, None)
    assert why in found.note


@pytest.mark.parametrize(("n", "share", "confidence"), [(4, 0.90, 0.90), (4, 0.75, 0.95)])
def test_bounds_hold_what_they_say(n, share, confidence):
    """2000 drawn fours: the bound lies below the true life in as many as the confidence says."""
    rng = np.random.default_rng(14)
    true = math.exp(14 + 0.6 * norm.ppf(1 - share))
    lives = np.exp(14 + 0.6 * rng.standard_normal((2000, n)))
    below = [tolerance_bound(row, [True] * n, share, confidence).life <= true for row in lives]
    assert np.mean(below) == pytest.approx(confidence, abs=0.02)


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="2 at least"):
        tolerance_factor(1, 0.9, 0.95)
    with pytest.raises(ValueError, match="a share of 90"):
        tolerance_bound([1.0, 2.0], [True, True], share=90)
    with pytest.raises(ValueError, match="a confidence of 1"):
        tolerance_bound([1.0, 2.0], [True, True], confidence=1.0)
