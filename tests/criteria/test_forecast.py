"""The forecast: what it tells of rates that are known, and when it is silent."""

import math
from dataclasses import replace
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.criteria.forecast import (
    APART_WORDS,
    EARLY,
    LASTS,
    REACHED,
    TENDON,
    UNARMED,
    UNKNOWN_STEEL,
    UNSEEN,
    ForecastState,
    foresee,
)
from rig.criteria.forecast_life import interval
from rig.criteria.forecast_points import MOST_POINTS
from rig.criteria.forecast_rate import FALLS, FASTER, STIFF, TOO_FEW
from rig.samples import Flag
from tests.criteria.softening import RELATION, followed, rows_of, setup, steady

RATE = 1e-5
SURER = replace(RELATION, scatter=0.02)
LIFE = 10**RELATION.soft / RATE  # 10,000 cycles, for rate times life is the same


def newest(told, rows):
    state, _ = followed(told, rows)
    return state.newest


def test_rate_times_life_is_what_the_relation_says():
    found = newest(setup(), rows_of(steady(6000, RATE)))
    assert found.median == pytest.approx(LIFE, rel=0.01)
    # An 80 % interval of a normal distribution, whose quantile the standard library knows.
    out = 10 ** (RELATION.scatter * NormalDist().inv_cdf(0.9))
    assert found.high == pytest.approx(LIFE * out, rel=0.01)
    assert found.low == pytest.approx(LIFE / out, rel=0.01)


@settings(max_examples=5)
@given(st.floats(0.3, 3.0), st.floats(1e-3, 1e3))
def test_half_the_rate_is_twice_the_life_and_units_do_not_matter(times, scale):
    rate = RATE / times
    rows = rows_of(steady(int(6000 * times), rate))
    found = newest(setup(), rows)
    assert found.median == pytest.approx(times * LIFE, rel=0.01)
    scaled = rows.with_columns(
        stiffness=rows["stiffness"] * scale, deflection_max=rows["deflection_max"] * scale
    )
    other = newest(setup(), scaled)
    assert (other.low, other.high) == pytest.approx((found.low, found.high), rel=1e-6)


def test_a_life_is_counted_from_the_first_water_on():
    grown = np.concatenate((np.zeros(3000), steady(6000, RATE)))
    found = newest(setup(), rows_of(grown, wet_from=3001))
    assert found.median == pytest.approx(3000 + LIFE, rel=0.01)


def test_a_loss_that_comes_at_the_steady_rate_is_the_sooner_end():
    # 6 % of stiffness are lost where flexibility is 1/0.94 of that in the middle of the baseline.
    found = newest(setup(stop=0.06), rows_of(steady(5600, RATE)))
    base = 1 + 150.5 * RATE
    assert found.high == pytest.approx((base / 0.94 - 1) / RATE, rel=3e-3)


@pytest.mark.parametrize("seed", range(4))
def test_a_steady_rate_is_not_known_without_error(seed):
    rows = rows_of(steady(5600, RATE), noise=1e-3, seed=seed)
    state, _ = followed(setup(stop=0.06), rows)
    found, noise = state.newest, state.branch.noise
    left = (found.median - (5600 - 50)) * noise * NormalDist().inv_cdf(0.9)
    assert noise > 1e-3
    assert found.high - found.median == pytest.approx(left, rel=0.15)
    assert found.median - found.low == pytest.approx(left, rel=0.15)


def test_no_end_is_expected_at_a_count_that_has_been():
    # As goes a criterion that is alert only: the loss is behind the test, and it goes on.
    state, findings = followed(setup(stop=0.03), rows_of(steady(6000, RATE), noise=1e-4))
    assert state.newest.why == REACHED
    assert all(not f.evidence["median"] <= f.cycle for f in findings)


@settings(max_examples=6)
@given(st.lists(st.integers(0, 6000), max_size=8), st.integers(0, 9))
def test_no_cut_changes_what_is_told(cuts, seed):
    rows = rows_of(steady(6000, RATE), noise=1e-3, seed=seed)
    whole, findings = followed(setup(), rows)
    state, found = followed(setup(), rows, sorted(cuts))
    assert repr(state.to_plain()) == repr(whole.to_plain())
    assert found == findings


@settings(max_examples=6)
@given(st.integers(1, 6000))
def test_a_test_taken_up_again_is_told_the_same(cut):
    rows = rows_of(steady(6000, RATE), noise=1e-3)
    whole, findings = followed(setup(), rows)
    before, first = followed(setup(), rows.part(0, cut))
    kept = ForecastState.from_plain(before.to_plain())
    after, then = kept, ()
    if cut < len(rows):
        after, then = foresee(setup(), kept, rows.part(cut, len(rows)))
    assert repr(after.to_plain()) == repr(whole.to_plain())
    assert [*first, *then] == findings


def test_cycles_that_are_not_judged_change_nothing_much():
    rows = rows_of(steady(6000, RATE))
    gone = rows["number"] % 37 == 0
    spoiled = rows.with_columns(
        stiffness=np.where(gone, np.nan, rows["stiffness"]),
        deflection_max=np.where(gone, 1.0, rows["deflection_max"]),
        flags=np.where(gone, Flag.LONG_GAP, 0).astype(np.uint16),
    )
    assert newest(setup(), spoiled).median == pytest.approx(LIFE, rel=0.01)


def test_a_state_stays_small_however_long_a_test_is():
    state, _ = followed(setup(), rows_of(steady(400_000, 1.5e-7)))
    assert state.points.done.shape[1] < MOST_POINTS
    assert state.newest.median == pytest.approx(10**RELATION.soft / 1.5e-7, rel=0.01)
    assert len(repr(state.to_plain())) < 30_000


def curve(cycles, late):
    """Growth that is steady, and by the square faster from a count on."""
    n = np.arange(1.0, cycles + 1)
    return RATE * n + 1e-8 * np.maximum(n - late, 0) ** 2


def test_the_rate_of_the_second_stage_still_tells_the_life_in_the_third():
    found = newest(setup(relation=SURER), rows_of(curve(8000, 7000)))
    assert found.median == pytest.approx(LIFE, rel=0.03)


def test_another_steady_rate_is_taken_once_it_is_sure():
    n = np.arange(1.0, 8001)
    grown = 0.4 * RATE * n + 0.6 * RATE * np.maximum(n - 3000, 0)
    found = newest(setup(relation=SURER), rows_of(grown))
    assert found.median == pytest.approx(LIFE, rel=0.03)


N = np.arange(1.0, 6001)
SILENT = {
    "no criterion": (UNARMED, {"stop": None}, rows_of(steady(6000, RATE))),
    "before its baseline": (TOO_FEW, {}, rows_of(steady(150, RATE))),
    "after its baseline": (UNSEEN, {}, rows_of(steady(6000, RATE)).part(500, 6000)),
    "just wet": (TOO_FEW, {}, rows_of(steady(6000, RATE), wet_from=5500)),
    "does not soften": (STIFF, {}, rows_of(0 * N, noise=1e-3)),
    "stiffens": (STIFF, {}, rows_of(-1e-6 * N)),
    "first stage": (FALLS, {}, rows_of(0.05 * (1 - np.exp(-N / 3000)))),
    "ever faster": (FASTER, {}, rows_of(0.02 * (N / 6000) ** 3)),
    "sensor drifts": (APART_WORDS, {}, rows_of(RATE * N, 2 * RATE * N)),
    "early": (EARLY, {}, rows_of(steady(4700, RATE))),
    "wide": (
        "too wide an interval",
        {"relation": replace(RELATION, scatter=0.2)},
        rows_of(RATE * N),
    ),
    "tendon": (TENDON, {"tendon_from": 10_500.0}, rows_of(RATE * N)),
    "unknown steel": (UNKNOWN_STEEL, {"tendon_from": 0.0}, rows_of(RATE * N)),
    "run-out": (LASTS, {"run_out": 7000}, rows_of(RATE * N)),
}


@pytest.mark.parametrize("name", SILENT)
def test_it_is_silent_and_says_why(name):
    why, changed, rows = SILENT[name]
    state, findings = followed(setup(**changed), rows)
    assert not state.newest.shown
    assert state.newest.why.startswith(why)
    assert math.isnan(state.newest.median)
    # What was shown before falls silent by one word.
    assert [f.text for f in findings[-1:] if "any more" in f.text] == (
        [f"nothing is foretold any more: {state.newest.why}"] if findings else []
    )


def test_what_is_shown_is_narrow_past_the_middle_and_ahead():
    rows = rows_of(steady(12_000, RATE), noise=1e-4)
    state, shown = None, []
    for start in range(0, len(rows), 100):
        state, _ = foresee(setup(), state, rows.part(start, start + 100))
        if state.newest.shown:
            shown.append((start + 100, state.newest))
    assert shown
    for now, told in shown:
        assert told.cycle < told.low < told.median < told.high
        assert (told.high - told.cycle) / (told.low - told.cycle) <= 3
        assert now >= 0.5 * told.median


def test_it_is_written_down_once_again_where_it_moved_and_where_it_falls_silent():
    # Twice as fast from 13,000 on.
    n = np.arange(1.0, 30_001)
    grown = 0.4e-5 * n + 0.4e-5 * np.maximum(n - 13_000, 0)
    told = setup(relation=replace(RELATION, soft=-0.5, sag=-0.5))
    _, findings = followed(told, rows_of(grown))
    assert {f.kind for f in findings} == {"forecast"}
    assert {f.action for f in findings} == {"note"}
    medians = [f.evidence["median"] for f in findings]
    shown = [m for m in medians if math.isfinite(m)]
    assert len(shown) >= 1
    for before, after in pairwise(medians):
        if math.isfinite(before) and math.isfinite(after):
            assert abs(after / before - 1) > 0.2
    assert not any(math.isnan(a) and math.isnan(b) for a, b in pairwise(medians))


@settings(max_examples=20)
@given(st.lists(st.floats(4.0, 6.0), min_size=3, max_size=9, unique=True))
def test_companions_alone_tell_the_prediction_interval_of_their_logarithms(logs):
    """The interval of one more of a normal sample, with Student's quantile (SciPy's)."""
    spread = float(np.std(logs, ddof=1)) * math.sqrt(1 + 1 / len(logs))
    if not 0.02 < spread < 0.3:
        return
    out = spread * float(stats.t.ppf(0.9, len(logs) - 1))
    middle = float(np.mean(logs))
    found = interval(1.0, 0.0, middle, math.inf, 50.0, tuple(10**x for x in logs))
    got = np.log10([found.low, found.median, found.high])
    # The grid ends 1.5 decades behind: a heavy tail is cut there.
    assert got == pytest.approx([middle - out, middle, middle + out], abs=0.15 * spread + 0.01)


def test_companions_that_know_narrow_it_and_those_of_another_kind_give_way():
    wide = interval(5000.0, 0.0, 4.0, math.inf, 0.1)
    known = interval(5000.0, 0.0, 4.0, math.inf, 0.1, (9e3, 1e4, 1.1e4, 1.05e4))
    assert known.high - known.low < 0.8 * (wide.high - wide.low)
    far = interval(5000.0, 0.0, 4.0, math.inf, 0.1, (9e5, 1e6, 1.1e6, 1.05e6))
    assert far.median == pytest.approx(wide.median, rel=0.35)


def test_few_specimens_behind_a_relation_make_it_wider():
    many = interval(5000.0, 0.0, 4.0, math.inf, 0.05)
    few = interval(5000.0, 0.0, 4.0, 2.0, 0.05)
    assert few.low < many.low < many.high < few.high


def test_what_has_borne_longer_than_expected_still_lies_ahead():
    found = interval(20_000.0, 0.0, 4.0, math.inf, 0.1)
    assert 20_000 < found.low < found.median < found.high
    assert interval(10_000_000.0, 0.0, 4.0, math.inf, 0.05) is None
