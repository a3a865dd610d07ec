"""Years of service: intervals beside Student's t and a standard's example, damage beside lines."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rig.lives.parallel_lines import PlaceLives, parallel_lines
from rig.lives.service import CORROSION, service_life
from rig.lives.service_lines import NoLives
from rig.lives.slopes import Slope
from rig.lives.spectrum import YEAR, Spectrum, equivalent, spectrum
from rig.mechanics.concrete_life import MODELS
from rig.mechanics.damage import miner_sum
from rig.protocol.series import Life, Series, Ultimate
from rig.protocol.service import Block, Service

LIVES = np.array([148e3, 162e3, 231e3, 297e3])
RUN_OUT = 11e6
GROUPS = {"dry": {"exposure": "dry"}, "wet": {"exposure": "spray"}}


def life(name, group, level, cycles, outcome="failure", **more):
    return Life(name, group, level, float(cycles), outcome, None, **more)


def series(wet=LIVES, dry=(), run_outs=2, loads=(), level=0.7):
    """Return an invented series: wet lives, dry lives and dry run-outs, companions of both."""
    lives = [life(f"w{i}", "wet", level, n) for i, n in enumerate(wet)]
    lives += [life(f"d{i}", "dry", level, n) for i, n in enumerate(dry)]
    lives += [life(f"r{i}", "dry", level, RUN_OUT, "run-out") for i in range(run_outs)]
    ultimates = [
        Ultimate(f"{group}{i}", group, load, None)
        for group in GROUPS
        for i, load in enumerate(loads)
    ]
    return Series("invented", GROUPS, tuple(lives), tuple(ultimates))


def service(*blocks, wet_time=0.35, **more):
    """Return a place whose blocks are those of a year."""
    return Service("place", YEAR, wet_time, blocks or (Block(0.7, 0.07, 1000.0),), **more)


def places(told):
    return {place.name: place for place in told.places}


def test_cycles_of_the_tested_kind_last_the_median_life():
    wet = places(service_life(series(), service()))["wet"]
    assert wet.years == pytest.approx(math.exp(np.log(LIVES).mean()) / 1000.0, rel=1e-6)


def test_the_interval_of_lives_that_all_failed_is_that_of_students_t():
    # Exact for normal ln lives, in any book of statistics; 20,000 draws leave 1 % or so.
    wet = places(service_life(series(), service(), confidence=0.9, draws=20_000))["wet"]
    logs = np.log(LIVES)
    low, high = stats.t.interval(0.9, 3, logs.mean(), logs.std(ddof=1) / 2)
    assert math.log(wet.low * 1000) == pytest.approx(low, abs=0.02)
    assert math.log(wet.high * 1000) == pytest.approx(high, abs=0.02)
    assert wet.kind == "interval"
    early = logs.mean() + stats.norm.ppf(0.05) * logs.std(ddof=1)
    assert math.log(wet.early * 1000) == pytest.approx(early, abs=1e-3)


def test_a_place_whose_lives_only_ran_out_has_a_lower_bound():
    # Both of two ran out with a chance of 5 % where Phi((mu - ln C) / sigma) is the root of 0.05.
    found = service_life(series(), service(), confidence=0.95, draws=20_000)
    dry = places(found)["dry"]
    sigma = np.log(LIVES).std(ddof=1)
    bound = math.log(RUN_OUT) + sigma * stats.norm.ppf(math.sqrt(0.05))
    assert (dry.years, dry.high, dry.kind) == (None, None, "lower bound")
    assert math.log(dry.low * 1000) == pytest.approx(bound, abs=0.03)


def test_damage_of_a_mixed_place_is_shared_by_time():
    found = places(service_life(series(dry=[2e6, 3e6, 5e6]), service(wet_time=0.25)))
    shares = 0.25 / found["wet"].years + 0.75 / found["dry"].years
    assert found["mixed"].years == pytest.approx(1 / shares, rel=1e-9)


def test_dry_lives_that_ran_out_shorten_the_low_end_of_a_mixed_place_alone():
    found = places(service_life(series(), service(wet_time=0.01)))
    wet, mixed = found["wet"], found["mixed"]
    assert mixed.years == pytest.approx(wet.years / 0.01, rel=1e-9)
    assert mixed.high == pytest.approx(wet.high / 0.01, rel=1e-9)
    assert mixed.low < 0.9 * wet.low / 0.01
    assert "only ran out" in mixed.note


def test_the_slope_interval_of_the_example_of_astm_e739():
    # ASTM E739, 8.3: B -1.45144, 95 % -1.6054 to -1.2974 (text from memory, the figures compute).
    strain = [0.01636, 0.01609, 0.00675, 0.00682, 0.00179, 0.0016, 0.00165, 0.00053, 0.00054]
    cycles = [168, 200, 1000, 1180, 4730, 8035, 5254, 28617, 32650]
    x, y = np.log10(strain), np.log(cycles)
    place = PlaceLives(x, y, np.ones(9, dtype=bool))
    slope = Slope("semilog", -1.45144 * math.log(10), 0.1, 7, "fitted")
    found = parallel_lines([place], slope, x.mean(), draws=40_000)
    low, high = np.quantile(found.slopes, [0.025, 0.975]) / math.log(10)
    assert (low, high) == pytest.approx((-1.6054, -1.2974), abs=0.004)
    assert found.scatter / math.log(10) == pytest.approx(0.1058075, rel=1e-4)
    assert found.lines[0].mu / math.log(10) == pytest.approx(3.429896, rel=1e-6)


def test_a_series_with_two_levels_brings_its_own_slope():
    rng = np.random.default_rng(3)
    lives = [
        life(f"{group}{level}{i}", group, level, math.exp(a - 30 * level + 0.3 * z))
        for group, a in (("dry", 36.0), ("wet", 33.0))
        for level in (0.6, 0.7, 0.8)
        for i, z in enumerate(rng.standard_normal(6))
    ]
    found = service_life(Series("s", GROUPS, tuple(lives), ()), service(Block(0.65, 0.065, 1e3)))
    assert found.slope == pytest.approx(-30 / math.log(10), abs=1.0)
    assert "this series" in found.slope_from
    by_hand = math.exp(33.0 - 30 * 0.65) / 1e3
    wet = places(found)["wet"]
    assert wet.low < by_hand < wet.high
    assert wet.high / wet.low < 2.5
    assert found.outside == 0.0


def test_the_error_of_the_capacities_widens_what_it_moves():
    # Four companions of 6 % are worth 0.3 decades at 70 %: common practice, no source.
    loads = 130e3 * (1 + 0.06 * np.array([-1.0, -1.0, 1.0, 1.0]) * math.sqrt(3 / 4))
    plain = places(service_life(series(), service(), draws=20_000))["wet"]
    moved = places(service_life(series(loads=loads), service(), draws=20_000))["wet"]
    assert moved.years == plain.years
    half = [math.log10(p.high / p.low) / 2 for p in (plain, moved)]
    capacity = 0.3 * stats.t.ppf(0.975, 3)
    assert half[1] == pytest.approx(math.hypot(half[0], capacity), rel=0.12)


def test_without_companions_it_is_said_that_the_levels_err():
    assert any("no companions" in w for w in service_life(series(), service()).warnings)


def test_the_error_of_the_strength_widens_what_stands_on_concrete_levels():
    told = series(dry=3 * LIVES, run_outs=0)
    lives = tuple(replace(one, concrete_max=0.7) for one in told.lives)
    factors = {"strength_variation": "6 %", "strength_companions": "4"}
    strengths = {name: {**group, **factors} for name, group in GROUPS.items()}
    asked = service(measure="concrete")
    plain = service_life(replace(told, lives=lives), asked)
    moved = service_life(replace(told, lives=lives, groups=strengths), asked)
    assert any("no variation and count of strength" in words for words in plain.warnings)
    assert not any("count of strength" in words for words in moved.warnings)
    for one, other in zip(plain.places, moved.places, strict=True):
        assert one.years == other.years
        assert other.high / other.low > 2 * one.high / one.low


levels = st.floats(0.2, 0.99)


@given(levels, st.floats(0.0, 0.9), st.floats(0.0, 0.9))
def test_an_equivalent_cycle_lives_as_long_on_the_line_of_the_code(upper, ratio, tested):
    # By the formula of EN 1992-2 in rig.mechanics, which knows nothing of this one.
    cycles = Spectrum(np.array([upper]), np.array([ratio * upper]), np.ones(1))
    (same,) = equivalent(cycles, tested)
    model = MODELS["EN 1992-2 mean"]
    own = model.log10_cycles(upper, ratio * upper)
    if same > 0.01:  # below, the line has no level that lives so long
        assert model.log10_cycles(float(same), tested * float(same)) == pytest.approx(own, rel=1e-9)


def test_a_history_is_counted_by_rainflow_and_repeats():
    # ASTM E1049, figure 7: ranges 3, 4, 7 and 9 once each a repetition (from memory), the last one
    # as two halves.
    history = tuple(0.3 + x / 30 for x in (-2, 1, -3, 5, -1, 3, -4, 4, -2))
    found = spectrum(Service("x", YEAR / 100, 0.0, history=history))
    ranges = (found.upper - found.lower) * 30
    order = np.argsort(ranges)
    assert ranges[order] == pytest.approx([3, 4, 7, 9, 9])
    assert found.per_year[order] == pytest.approx([100, 100, 100, 50, 50])


def test_a_history_and_its_spectrum_last_as_long():
    history = (0.07, 0.7, 0.07, 0.6, 0.07)
    blocks = (Block(0.7, 0.07, 1.0), Block(0.6, 0.07, 1.0))
    both = [
        service_life(series(), Service("x", YEAR, 0.5, **loads))
        for loads in ({"history": history}, {"blocks": blocks})
    ]
    assert places(both[0])["wet"].years == pytest.approx(places(both[1])["wet"].years)


def test_years_by_a_model_are_those_of_its_line():
    blocks = (Block(0.6, 0.06, 1e4), Block(0.5, 0.1, 1e6))
    told = service_life(
        series(), service(*blocks, measure="concrete", model="DNV-ST-C502 mean", strength=60e6)
    )
    model = MODELS["DNV-ST-C502 mean"]
    for name, around in (("dry", "air"), ("wet", "water")):
        lasts = [10 ** float(model.log10_cycles(b.upper, b.lower, around)) for b in blocks]
        years = 1 / miner_sum([b.cycles for b in blocks], lasts)
        assert places(told)[name].years == pytest.approx(years)
    found = places(told)
    assert found["dry"].low <= found["dry"].years <= found["dry"].high
    assert found["wet"].low is None  # one mean line alone is made for water
    assert found["wet"].years < found["mixed"].years < found["dry"].years


def test_a_model_without_constants_for_water_says_so():
    told = service_life(series(), service(measure="concrete", model="Tepfers", strength=60e6))
    assert any(w.startswith("wet: Tepfers has no constants for water") for w in told.warnings)


def test_levels_that_nobody_tested_are_told():
    told = service_life(series(), service(Block(0.5, 0.05, 1e6), Block(0.7, 0.07, 1.0)))
    assert told.outside > 0.9
    assert any("below the levels tested" in w for w in told.warnings)
    above = service_life(series(), service(Block(1.0, 0.1, 1.0)))
    assert any("above the levels tested" in w for w in above.warnings)
    assert any("reaches the capacity" in w for w in above.warnings)


def test_what_years_of_water_do_is_never_left_unsaid():
    assert CORROSION in service_life(series(), service()).warnings
    by_model = service(measure="concrete", model="Tepfers", strength=60e6)
    assert CORROSION in service_life(series(), by_model).warnings


def test_one_specimen_and_equal_lives_have_no_interval():
    for lives in ([2e5], [2e5, 2e5, 2e5]):
        told = service_life(series(wet=lives, run_outs=0), service())
        wet = places(told)["wet"]
        assert wet.years == pytest.approx(200.0)
        assert (wet.low, wet.high, wet.kind) == (None, None, "no interval")
        assert any("no interval can be told" in w for w in told.warnings)
        assert places(told)["dry"].kind == "not known"
        assert places(told)["mixed"].years is None


def test_where_all_ran_out_all_places_have_lower_bounds():
    told = service_life(series(wet=[], run_outs=3), service(wet="dry"))
    assert {place.kind for place in told.places} == {"lower bound"}
    assert any("0.6 of ln life is taken" in w for w in told.warnings)


def test_a_spectrum_that_never_presses_has_no_end():
    told = service_life(series(), Service("x", YEAR, 0.5, history=(-0.2, -0.1, -0.2)))
    assert {place.kind for place in told.places} == {"no end"}


def test_lives_of_several_groups_are_taken_together_and_that_is_said():
    more = dict(GROUPS) | {"tank": {"exposure": "submerged"}}
    wet = series()
    both = Series("s", more, (*wet.lives, life("t1", "tank", 0.7, 1.2e5)), ())
    told = service_life(both, service())
    assert any("wet, tank are taken together" in w for w in told.warnings)
    alone = service_life(both, service(wet="wet"))
    assert places(alone)["wet"].years > places(told)["wet"].years


def test_void_lives_count_for_nothing():
    void = life("v", "wet", 0.7, 10.0, valid=False, void_reason="struck")
    both = Series("s", GROUPS, (*series().lives, void), ())
    assert service_life(both, service()).places == service_life(series(), service()).places


def test_a_group_that_is_none_is_named():
    with pytest.raises(NoLives, match="sprayed is no group of this series; known are dry, wet"):
        service_life(series(), service(wet="sprayed"))


def test_lives_that_say_no_such_level_tell_nothing():
    with pytest.raises(NoLives, match="no valid life says its concrete level"):
        service_life(series(), service(measure="concrete"))


@pytest.mark.nights
def test_ten_thousand_lives_are_soon_told():
    many = np.exp(np.random.default_rng(1).normal(12.0, 0.5, 10_000))
    wet = places(service_life(series(wet=many), service(), draws=50))["wet"]
    assert wet.years == pytest.approx(math.exp(12.0) / 1000, rel=0.05)
    assert wet.high / wet.low < 1.05


def test_one_failure_among_run_outs_has_no_interval():
    lives = [life(f"w{i}", "wet", 0.7, 3e5, "run-out") for i in range(3)]
    told = service_life(Series("s", GROUPS, (life("w", "wet", 0.7, 2e5), *lives), ()), service())
    assert places(told)["wet"].kind == "no interval"


blocks = st.builds(
    lambda upper, share, cycles: Block(upper, upper * share, cycles),
    st.floats(0.01, 1.5),
    st.floats(0.0, 0.99),
    st.floats(1e-6, 1e12),
)


@given(
    st.lists(blocks, min_size=1, max_size=4),
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.95),
    st.floats(1.0, 1e9),
)
def test_whatever_a_file_may_say_the_ends_lie_about_the_years(spectrum, wet_time, ratio, period):
    place = Service("x", period, wet_time, tuple(spectrum), tested_ratio=ratio)
    for told in service_life(series(), place, draws=100).places:
        for value in (told.years, told.low, told.high, told.early):
            assert value is None or 0.0 < value < math.inf
        if told.kind == "interval":
            assert told.low <= told.years <= told.high


HALF_RUN_OUT = (10.0, 2e6)


def held_of_four_and_four(ratio, run_out, series):
    """Return which shares of 90 % intervals of drawn series hold the true medians, dry and wet.

    Series whose dry lives only ran out are left out: those have a lower bound.
    """
    rng = np.random.default_rng(12)
    slope = Slope("semilog", -30.0, 0.0, math.inf, "given")
    medians = (2e5 * ratio, 2e5)
    held = {0: [], 1: []}
    for seed in range(series):
        groups = []
        for median in medians:
            lives = median * np.exp(0.6 * rng.standard_normal(4))
            cut = np.log(np.minimum(lives, run_out))
            groups.append(PlaceLives(np.full(4, 0.7), cut, lives < run_out))
        found = parallel_lines(groups, slope, 0.7, seed, 400)
        for i, line in enumerate(found.lines):
            if line.mu is not None and found.spread:
                low, high = np.quantile(line.draws, [0.05, 0.95])
                held[i].append(low <= math.log(medians[i]) <= high)
    return [float(np.mean(told)) for told in held.values()]


@pytest.mark.endurance
def test_about_nine_of_ten_intervals_hold_where_half_of_the_dry_run_out():
    # Three standard errors of 120 series are 8 %.
    for share in held_of_four_and_four(*HALF_RUN_OUT, 120):
        assert 0.82 <= share <= 0.98


@pytest.mark.endurance
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(
    ("ratio", "run_out"),
    [(3.0, np.inf), HALF_RUN_OUT, (2.0, 3e5)],
    ids=["all fail", "half of the dry run out", "most of the dry and a quarter of the wet run out"],
)
def test_a_nominal_90_percent_holds_at_four_and_four_with_run_outs(ratio, run_out):
    # Two standard errors of the count (2 %) aside.
    for share in held_of_four_and_four(ratio, run_out, 800):
        assert 0.88 - 0.02 <= share <= 0.92 + 0.02
