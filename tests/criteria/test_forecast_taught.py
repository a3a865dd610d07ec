"""What runs of companions teach a forecast."""

import math
from itertools import pairwise

import numpy as np
import pytest

from rig.criteria.forecast_taught import CLOSEST, relation_of, taught_by
from tests.criteria.softening import FIRST, LAST, rows_of, steady

RATE = 1e-5


def test_a_run_at_a_steady_rate_teaches_rate_times_life():
    rows = rows_of(steady(10_000, RATE), steady(10_000, 1.2 * RATE))
    soft, sag = taught_by([rows], 9000, FIRST, LAST)
    assert soft == pytest.approx(math.log10(RATE * 9000), abs=2e-3)
    assert sag == pytest.approx(math.log10(1.2 * RATE * 9000), abs=2e-3)


def test_pieces_do_not_matter_and_nothing_behind_the_end_counts():
    grown = np.concatenate((steady(9000, RATE), np.full(500, 9.0)))
    rows = rows_of(grown, noise=1e-3)
    whole = taught_by([rows], 9000, FIRST, LAST)
    cuts = [0, 1, 70, 2048, 2048, 7777, len(rows)]
    pieces = [rows.part(a, b) for a, b in pairwise(cuts)]
    assert taught_by(pieces, 9000, FIRST, LAST) == whole


@pytest.mark.parametrize("last", [20_000, 60_000])
def test_a_late_baseline_teaches_too(last):
    rows = rows_of(steady(130_000, 1e-7))
    pieces = [rows.part(a, b) for a, b in pairwise([0, 70, 60_150, 60_350, len(rows)])]
    taught = taught_by(pieces, 125_000, last - 1000, last)
    assert taught == taught_by([rows], 125_000, last - 1000, last)
    grown = 1e-7 * 125_000 / (1 + 1e-7 * last)  # as a share of the baseline
    assert taught == pytest.approx([math.log10(grown)] * 2, abs=2e-3)


@pytest.mark.parametrize("grown", [np.zeros(9000), np.linspace(0, 1, 9000) ** 6])
def test_a_run_without_a_steady_branch_teaches_nothing(grown):
    assert taught_by([rows_of(grown, noise=1e-4)], 9000, FIRST, LAST) is None


def test_three_teach_a_relation_with_the_scatter_of_one_more():
    taught = [(-1.0, -0.9), (-1.1, -1.0), (-1.2, -1.1)]
    assert relation_of(taught[:2]) is None
    found = relation_of(taught)
    assert (found.soft, found.sag, found.freedom) == pytest.approx((-1.1, -1.0, 2.0))
    # The standard deviation of -0.95, -1.05, -1.15 is 0.1; of the next one 0.1 sqrt(1 + 1/3).
    assert found.scatter == pytest.approx(0.1 * math.sqrt(4 / 3))
    assert relation_of([taught[0]] * 3).scatter == CLOSEST
