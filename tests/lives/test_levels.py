"""Life ratios at an equal level: what brings lives together, and what the levels cost."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from rig.lives.at_levels import equal_level, left_of_water, slope_of
from rig.lives.capacities import ASSUMED, capacity, capacity_of, pooled_capacities, strength_of
from rig.lives.grouped import groups_of
from rig.lives.level_errors import LevelError, level_error, wider_ends
from rig.lives.levels import mean_level, moved, ratio_at_equal
from rig.lives.ratios import Ratio, life_ratio
from rig.lives.slopes import Slope, code_slope
from tests.lives.series import life, load, series

LN10 = math.log(10)
CODE = code_slope("load level", 0.7)
WET = [148e3, 162e3, 231e3, 297e3]
DRY = [900e3, 1500e3, 2100e3, 4000e3]


def dry_and_wet(dry=DRY, wet=WET, level=0.7):
    lives = [life("dry", n, level=level) for n in dry] + [life("wet", n) for n in wet]
    return groups_of(series(lives))


def of_series(told, **asked):
    dry, wet = groups_of(told)
    return equal_level(told, [dry], [wet], "load level", **asked)


def error_of(of_dry, of_wet, slope=CODE, **told):
    """Return the error of the levels of lives at 0.7, or as told."""
    sides = [moved(group, "load level", slope, 0.7) for group in dry_and_wet(**told)]
    return level_error(slope, list(zip(sides, (of_dry, of_wet), (1.0, -1.0), strict=True)), sides)


def test_four_companions_that_vary_by_six_percent_cost_a_third_of_a_decade():
    # Common practice, no source: 0.3 decades at 70 % of the capacity, by the slope of EN 1992-2.
    four, sure = [capacity(0.06, 4)], replace(CODE, spread=0.0)
    one, both = error_of(four, (), sure), error_of(four, four, sure)
    assert one.capacity / LN10 == pytest.approx(14 * 0.7 * 0.06 / 2, rel=1e-6)
    assert round(one.capacity / LN10, 1) == 0.3
    assert both.capacity == pytest.approx(one.capacity * math.sqrt(2))
    assert (one.df, both.df) == (pytest.approx(3.0), pytest.approx(6.0))
    assert one.half(0.05) == pytest.approx(student.ppf(0.95, 3) * one.capacity)


def test_shown_with_and_without():
    dry, wet = dry_and_wet()
    four = [capacity(0.06, 4)]
    found = ratio_at_equal(dry, wet, "load level", CODE, four, four)
    plain = life_ratio(dry.cycles, dry.failed, wet.cycles, wet.failed)
    assert found.ratio == pytest.approx(plain.ratio, rel=1e-6)
    assert (found.low_without, found.high_without) == pytest.approx((plain.low, plain.high))
    assert found.low < plain.low < plain.high < found.high
    assert found.slope == pytest.approx(-14.0)
    assert "EN 1992-2" in found.slope_from
    assert found.level == pytest.approx(0.7)


def test_lives_of_other_levels_are_moved_along_the_slope():
    # The same lives, but for a level 5 % lower and what that is worth by the slope.
    slope = Slope("semilog", -20.0, 0.0, math.inf, "a slope for a test")
    told = series(
        [life("dry", n * math.exp(20 * 0.05), level=0.65) for n in WET]
        + [life("wet", n, level=0.7) for n in WET]
    )
    dry, wet = groups_of(told)
    found = ratio_at_equal(dry, wet, "load level", slope)
    assert found.ratio == pytest.approx(1.0)
    assert any("brought together by the slope" in line for line in found.warnings)
    assert any("slope is taken as it is" in line for line in found.warnings)
    at = moved(dry, "load level", slope, 0.7)
    assert at.lives.cycles == pytest.approx(np.array(WET))
    assert at.level == pytest.approx(0.65)


def test_the_error_of_the_slope_counts_over_the_distance_of_the_levels():
    unsure = Slope("semilog", -20.0, 5.0, 6.0, "a slope for a test")
    found = error_of((), (), unsure, level=0.6)
    assert found.slope == pytest.approx(5.0 * 0.1)
    assert (found.capacity, found.df) == (0.0, pytest.approx(6.0))
    assert error_of((), (), unsure).slope == 0.0
    four = [capacity(0.06, 4)]
    # A capacity that is off is worth more or less as the slope is.
    assert error_of(four, (), unsure).slope == pytest.approx(5.0 * 0.7 * 0.03)
    power = Slope("loglog", -4.0, 0.5, 6.0, "a slope for a test")
    assert error_of((), (), power, level=0.35).slope == pytest.approx(0.5 * math.log(2))


def test_a_level_of_nothing_is_no_level():
    (group, _) = groups_of(series([life("dry", 1e5, tendon_range=n) for n in (0.0, 150e6)]))
    assert mean_level([group], "tendon range") == 150e6
    assert list(
        moved(group, "tendon range", Slope("loglog", -4.0, 0, 9, ""), 75e6).lives.cycles
    ) == [pytest.approx(16e5)]


def test_companions_that_both_share_move_both_levels_alike():
    same = [capacity(0.06, 4, ["U-1", "U-2", "U-3", "U-4"])]
    others = [capacity(0.06, 4, ["V-1", "V-2", "V-3", "V-4"])]
    assert error_of(same, same).capacity == pytest.approx(0.0, abs=1e-12)
    assert error_of(same, others).capacity > 0.0
    # At other levels the same error of the capacity is worth another factor of life.
    left = error_of(same, same, level=0.6).capacity
    assert left / LN10 == pytest.approx(14 * 0.1 * 0.03, rel=1e-6)


def test_groups_taken_together_each_bring_their_own_companions():
    half = [replace(capacity(0.06, 4, [name]), weight=0.5) for name in ("U-1", "V-1")]
    found = error_of(half, ())
    assert found.capacity / LN10 == pytest.approx(14 * 0.7 * 0.03 / math.sqrt(2), rel=1e-6)


def test_a_capacity_of_the_series_is_that_of_its_companions():
    told = series(
        ultimates=[
            *(load("dry", n) for n in (124e3, 132e3, 140e3)),
            load("dry", 90e3, residual=True),
            load("dry", 60e3, valid=False),
            load("wet", 128e3),
        ]
    )
    dry, wet = (capacity_of(told, name) for name in ("dry", "wet"))
    assert dry.companions == ("U-1", "U-2", "U-3")
    assert dry.variation == pytest.approx(8 / 132)
    assert (dry.error, dry.df) == (pytest.approx(8 / 132 / math.sqrt(3)), 2)
    assert (wet.variation, wet.error) == (ASSUMED, ASSUMED)
    assert "one companion tells no variation" in wet.note


def test_of_groups_taken_together_each_counts_by_its_lives():
    told = series(ultimates=[load(g, n) for g in ("dry", "wet") for n in (120e3, 130e3)])
    shares = pooled_capacities(told, {"dry": 3, "wet": 1})
    assert [(c.companions, c.weight) for c in shares] == [
        (("U-1", "U-2"), 0.75),
        (("U-3", "U-4"), 0.25),
    ]
    assert len(pooled_capacities(told, {"dry": 3, "wet": 0})) == 1


def test_a_group_without_companions_takes_those_of_its_exposure_and_shape():
    groups = {
        "early": {"exposure": "spray", "geometry": "prism"},
        "late": {"exposure": "spray", "geometry": "prism"},
        "deep": {"exposure": "spray", "geometry": "deep beam"},
        "dry": {"exposure": "dry", "geometry": "prism"},
        "plain": {},
    }
    told = series(ultimates=[load("early", n) for n in (120e3, 130e3)], groups=groups)
    assert capacity_of(told, "late").companions == ("U-1", "U-2")
    assert "no companions: those of its exposure" in capacity_of(told, "late").note
    assert [capacity_of(told, name) for name in ("deep", "dry", "plain")] == [None] * 3


@pytest.mark.parametrize(
    ("factors", "error"),
    [
        ({"strength_variation": "6 %", "strength_companions": "3"}, 0.06 / math.sqrt(3)),
        ({"strength_variation": "6 %"}, None),
        ({"strength_variation": "much", "strength_companions": "3"}, None),
        ({"strength_variation": "6 %", "strength_companions": "0"}, None),
        ({"strength_variation": "-6 %", "strength_companions": "3"}, None),
        ({}, None),
    ],
)
def test_the_strength_of_concrete_is_told_by_factors_of_the_group(factors, error):
    found = strength_of(series(groups={"dry": factors}), "dry")
    assert (found and found.error) == (error and pytest.approx(error))


def test_the_error_of_the_strength_counts_at_equal_concrete_level():
    told = {"strength_variation": "6 %", "strength_companions": "3"}
    lives = [life("dry", n, concrete_max=0.7) for n in DRY]
    lives += [life("wet", n, concrete_max=0.7) for n in WET]
    groups = {"dry": told, "wet": {}}
    dry, wet = groups_of(series(lives, groups=groups))
    found = equal_level(series(lives, groups=groups), [dry], [wet], "concrete level")
    worth = 14 * 0.7 * 0.06 / math.sqrt(3)
    assert found.decades_from_capacity == pytest.approx(worth, rel=1e-6)
    assert found.low < found.low_without
    (line,) = [line for line in found.warnings if "strength" in line]
    assert line.startswith("wet has no variation and count of strength specimens")


def test_without_companions_the_interval_says_what_it_lacks():
    lives = [life("dry", n) for n in DRY] + [life("dry", 5e6, level=None)]
    found = of_series(series(lives + [life("wet", n) for n in WET]))
    assert found.low == found.low_without
    assert sum("has no companions" in line for line in found.warnings) == 2
    assert "1 of dry do not say their load level: left out" in found.warnings


@pytest.mark.nights
def test_of_a_group_that_only_ran_out_the_bound_falls_too():
    lives = [life("dry", 11e6, ran_out=True)] * 2 + [life("wet", n) for n in WET]
    loads = [load(g, n) for g in ("dry", "wet") for n in (122e3, 130e3, 138e3)]
    found = of_series(series(lives, loads))
    assert (found.kind, found.ratio, found.high) == ("lower bound", None, None)
    error = found.decades_from_capacity * LN10 * student.ppf(0.9, 4)
    assert found.low_without * math.exp(-error) < found.low < found.low_without


@pytest.mark.nights
def test_the_other_way_round_the_bound_is_an_upper_one():
    lives = [life("dry", 11e6, ran_out=True)] * 2 + [life("wet", n) for n in WET]
    loads = [load(g, n) for g in ("dry", "wet") for n in (122e3, 130e3, 138e3)]
    found = of_series(series(lives, loads))
    turned = groups_of(series(lives, loads))[::-1]
    other = equal_level(series(lives, loads), *([g] for g in turned), "load level")
    assert other.kind == "upper bound"
    assert other.high == pytest.approx(1 / found.low, rel=0.02)


@pytest.mark.nights
def test_what_is_left_of_water_in_each_measure():
    dry = [life("dry", n, concrete_max=0.7, concrete_min=0.14, tendon_range=150e6) for n in DRY]
    wet = [life("wet", n, concrete_max=0.8, concrete_min=0.16) for n in WET]
    load_level, concrete, tendon = left_of_water(series(dry + wet))
    assert load_level.equal.ratio == pytest.approx(math.prod(DRY) ** 0.25 / math.prod(WET) ** 0.25)
    # 0.69 to 0.80 of the strength: at one stress of the concrete less is left of water, by
    # 14 / sqrt(1 - 0.2) decades for one of level.
    worth = 10 ** (0.1 * 14 / math.sqrt(0.8))
    assert concrete.equal.ratio == pytest.approx(load_level.equal.ratio / worth, rel=1e-5)
    assert any("error of its strength of concrete" in line for line in concrete.equal.warnings)
    assert tendon.equal is None
    assert tendon.why == "no life of wet says its tendon range"


def test_lives_above_the_capacity_have_a_ratio():
    lives = [life("dry", n, level=1.05) for n in (5.0, 9.0)]
    lives += [life("wet", n, level=1.05) for n in (2.0, 4.0)]
    equal = left_of_water(series(lives))[0].equal
    assert equal is not None
    assert equal.low < equal.ratio < equal.high


def test_lives_that_tell_no_ratio_say_so():
    ran_out = [life(group, 1e7, ran_out=True) for group in ("dry", "wet")]
    told = left_of_water(series(ran_out))
    assert [answer.why for answer in told] == [
        "these lives tell no ratio",
        "no life of dry and wet says its concrete level",
        "no life of dry and wet says its tendon range",
    ]
    assert left_of_water(series()) == ()


def test_a_slope_of_the_own_lives_comes_before_that_of_a_code():
    lives = [
        life(group, n, level=s)
        for group, factor in (("dry", 8.0), ("wet", 1.0))
        for n, s in (
            (9e5 * factor, 0.6),
            (2e5 * factor, 0.7),
            (3e5 * factor, 0.7),
            (3e4 * factor, 0.8),
        )
    ]
    told = series(lives)
    assert "this series" in slope_of(told, "load level", 0.7).origin
    assert "Tepfers" in slope_of(told, "load level", 0.7, line="Tepfers").origin
    assert of_series(told).ratio == pytest.approx(8.0)


def test_groups_of_one_exposure_share_a_line():
    groups = {
        "dry high": {"exposure": "dry"},
        "dry low": {"exposure": "dry"},
        "wet": {"exposure": "spray"},
    }
    lives = [life("dry high", n, level=0.8) for n in (2e4, 3e4)]
    lives += [life("dry low", n, level=0.7) for n in (2e5, 3e5)]
    found = slope_of(series(lives, groups=groups), "load level", 0.75)
    assert found.value == pytest.approx(-10 * LN10)


@given(st.floats(0.05, 3.0), st.floats(0.0, 2.0), st.integers(2, 10), st.floats(1.0, 30.0))
def test_the_error_of_the_levels_widens_both_sides_alike(half, error, n, df):
    plain = Ratio(1.0, math.exp(-half), math.exp(half), "interval", "lognormal", 0.9, "")
    sides = [moved(g, "load level", CODE, 0.7) for g in dry_and_wet([1.0] * n, [1.0] * n)]
    low, high = wider_ends(plain, LevelError(error, 0.0, df), *sides)
    assert low == pytest.approx(1 / high)
    lives, levels = half / student.ppf(0.95, 2 * n - 2), error
    # Never less than the normal quantile of both, never more than the worse t of the two.
    t = math.log(high) / math.hypot(lives, levels)
    assert 1.644 < t < max(student.ppf(0.95, d) for d in (2 * n - 2, df)) + 1e-9
    if error == 0.0:
        assert (low, high) == (plain.low, plain.high)


def test_a_slope_of_the_same_lives_takes_one_from_their_degrees_of_freedom():
    # Least squares: with the slope 5 in place of 6, and so much more variance and another t.
    plain = Ratio(1.0, 0.5, 2.0, "interval", "lognormal", 0.9, "")
    sides = [moved(group, "load level", CODE, 0.7) for group in dry_and_wet()]
    _, high = wider_ends(plain, LevelError(0.0, 0.0, math.inf, fitted=True), *sides)
    wanted = math.log(2) * math.sqrt(6 / 5) * student.ppf(0.95, 5) / student.ppf(0.95, 6)
    assert math.log(high) == pytest.approx(wanted)


@pytest.mark.nights
def test_an_interval_without_an_upper_end_keeps_its_tail_on_the_lower_one():
    lives = dry_and_wet()
    sides = [moved(group, "load level", CODE, 0.7) for group in lives]
    open_above = Ratio(None, 2.0, None, "interval", "lognormal", 0.9, "")
    bound = replace(open_above, kind="lower bound", confidence=0.95)
    error = LevelError(0.5, 0.0, 6.0)
    low, high = wider_ends(open_above, error, *sides)
    assert high is None
    assert low == wider_ends(bound, error, *sides)[0] < 2.0
