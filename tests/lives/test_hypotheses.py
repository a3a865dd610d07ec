"""Hypotheses weighed: the four words, the p behind them, and what they do not claim."""

import numpy as np
import pytest

from rig.lives.hypotheses import RULE, weigh
from rig.protocol.series import EQUAL_CONCRETE, EQUAL_LOAD, Hypothesis, Observation
from tests.lives.series import life, load, series

WET = [148e3, 162e3, 231e3, 297e3]


def expected(quantity, seen=""):
    """Return the hypothesis that a quantity is lower in the wet group."""
    return Hypothesis("wet is less", quantity, ("wet",), ("dry",), seen)


def only(lives=(), ultimates=(), quantity="life", observations=(), seen="", **asked):
    """Return what is found of one hypothesis."""
    (found,) = weigh(
        series(
            lives,
            ultimates,
            hypotheses=[expected(quantity, seen)],
            observations=observations,
        ),
        **asked,
    )
    return found


def lives(dry, wet, **told):
    """Return lives by group; a tuple is a run-out."""
    return [
        life(group, n[0] if isinstance(n, tuple) else n, ran_out=isinstance(n, tuple), **told)
        for group, counts in (("dry", dry), ("wet", wet))
        for n in counts
    ]


def loads(dry, wet):
    return [load("dry", n) for n in dry] + [load("wet", n) for n in wet]


def test_two_run_outs_against_four_failures_are_too_few_for_any_word():
    found = only(lives([(11e6,)] * 2, WET))
    assert found.p == found.smallest_p == pytest.approx(1 / 15)
    assert found.verdict == "too few"
    assert found.high is None
    assert found.low > 1
    assert "p 0.067, smallest possible 0.067" in found.why


def test_one_failure_late_and_one_run_out_against_four_early_failures():
    # Invented: four below two million, one at 8 million, one run-out at 10 million. Of 15 ways to
    # deal two of six, this one alone puts both last.
    found = only(lives([8e6, (10e6,)], [0.4e6, 0.7e6, 1.1e6, 1.9e6]))
    assert found.p == found.smallest_p == pytest.approx(1 / 15)
    assert found.verdict == "too few"


def test_against_six_the_same_is_favoured():
    found = only(lives([(11e6,)] * 2, [*WET, 121e3, 176e3]))
    assert found.p == found.smallest_p == pytest.approx(1 / 28)
    assert found.verdict == "favoured"
    assert "lives of dry are at least" in found.why
    assert found.evidence[:2] == ("dry: 0 of 2 failed", "wet: 6 of 6 failed")


def test_the_opposite_direction_is_disfavoured():
    found = only(lives(WET, [9e5, 15e5, 21e5, 40e5]))
    assert found.p_opposite == pytest.approx(1 / 70)
    assert found.p == 1.0
    assert found.verdict == "disfavoured"
    assert found.effect < 1
    assert "opposite" in found.why


def test_lives_that_lie_among_each_other_leave_it_open():
    found = only(lives([150e3, 170e3, 220e3, 310e3], WET))
    assert found.smallest_p == pytest.approx(1 / 70)
    assert found.verdict == "open"
    assert found.low < 1 < found.high


def test_within_four_batches_of_a_pair_each():
    pairs = [
        life(group, n, batch=batch)
        for batch, dry, wet in zip("ABCD", [9e5, 3e5, 7e5, 5e5], [8e5, 1e5, 2e5, 4e5], strict=True)
        for group, n in (("dry", dry), ("wet", wet))
    ]
    found = only(pairs)
    assert found.p == pytest.approx(1 / 16)
    assert found.verdict == "too few"
    assert found.evidence[-1] == "16 arrangements within batches"


@pytest.mark.nights
def test_groups_taken_together():
    groups = {"dry": {}, "spray": {}, "tank": {}}
    told = series(
        [
            *(life("dry", 11e6, ran_out=True) for _ in range(2)),
            *(life("spray", n) for n in WET),
            *(life("tank", n) for n in (121e3, 176e3)),
        ],
        groups=groups,
        hypotheses=[Hypothesis("water", "life", ("spray", "tank"), ("dry",))],
    )
    (found,) = weigh(told)
    assert found.p == pytest.approx(1 / 28)
    assert "those of spray and tank" in found.why


def test_ultimate_loads_by_their_ranks():
    found = only(
        ultimates=loads([130e3, 131e3, 134e3, 135e3], [125e3, 128e3, 129e3, 129.5e3]),
        quantity="ultimate",
    )
    assert found.p == found.smallest_p == pytest.approx(1 / 70)
    assert found.verdict == "favoured"
    assert found.low < found.effect < found.high
    assert found.effect == pytest.approx(530 / 511.5)
    assert found.evidence[0] == "dry: 4 ultimate loads, mean 132.5 kN, variation 1.8 %"


def test_ultimate_loads_the_other_way_round_are_disfavoured():
    found = only(
        ultimates=loads([125e3, 128e3, 129e3, 129.5e3], [130e3, 131e3, 134e3, 135e3]),
        quantity="ultimate",
    )
    assert found.p_opposite == found.smallest_p == pytest.approx(1 / 70)
    assert (found.p, found.verdict) == (1.0, "disfavoured")


def test_two_ultimate_loads_against_four_are_too_few():
    found = only(
        ultimates=loads([130e3, 131e3], [125e3, 128e3, 129e3, 129.5e3]), quantity="ultimate"
    )
    assert found.verdict == "too few"
    assert found.smallest_p == pytest.approx(1 / 15)


def test_what_is_doubtful_is_said_by_the_names_of_the_groups():
    found = only(ultimates=loads([130e3], [125e3, 128e3]), quantity="ultimate")
    assert "dry holds one ultimate load: no variation, no t-test" in found.warnings


def test_equal_lives_tell_no_interval_at_an_equal_level():
    found = only(lives([1e6] * 4, [1e5] * 4), quantity=EQUAL_LOAD)
    assert (found.verdict, found.low, found.high) == ("open", None, None)
    assert found.p == pytest.approx(1 / 70)
    assert "tell no interval" in found.why
    assert any("scatter" in line for line in found.warnings)


def test_an_outlier_is_said_and_stays_in():
    found = only(
        ultimates=loads([130e3, 131e3, 132e3, 130.5e3, 131.5e3, 95e3], [129e3, 131e3, 133e3]),
        quantity="ultimate",
    )
    (line,) = [line for line in found.warnings if "stays in" in line]
    assert line.startswith("U-6 lies 2.0")
    assert found.evidence[0].startswith("dry: 6 ultimate loads")


def test_residual_and_void_loads_are_no_evidence():
    told = [
        *loads([130e3], [125e3]),
        load("dry", 99e3, residual=True),
        load("wet", 1e3, valid=False),
    ]
    found = only(ultimates=told, quantity="ultimate")
    assert found.effect == pytest.approx(130 / 125)


def seen(dry, wet):
    """Return lives and what was seen of rust on them: a flag each."""
    found = [
        (f"{g}-{i}", g, flag)
        for g, flags in (("dry", dry), ("wet", wet))
        for i, flag in enumerate(flags)
    ]
    return (
        [life(group, 1e5, name) for name, group, _ in found],
        [Observation(name, "rust", flag) for name, _, flag in found],
    )


# Fisher's tea (from memory): 3 of 4 against 1 of 4 has one-sided p 17/70, all against none 1/70.
@pytest.mark.parametrize(
    ("dry", "wet", "p", "verdict"),
    [
        ([1, 1, 1, 0], [1, 0, 0, 0], 17 / 70, "open"),
        ([1] * 4, [0] * 4, 1 / 70, "favoured"),
        ([1] * 3, [0] * 3, 1 / 20, "favoured"),
        ([0] * 4, [1] * 4, 1.0, "disfavoured"),
        ([1] * 2, [0] * 3, 1 / 10, "too few"),
    ],
)
def test_observations_by_their_shares(dry, wet, p, verdict):
    lives, observations = seen(dry, wet)
    found = only(lives, observations=observations, seen="rust", quantity="observation")
    assert found.p == pytest.approx(p)
    assert found.verdict == verdict
    share = sum(dry) / len(dry) - sum(wet) / len(wet)
    assert found.effect == pytest.approx(share)
    assert f"{share * 100:+.0f} points" in found.why


def test_where_nobody_looked_nothing_is_said():
    lives, observations = seen([1, 1], [])
    found = only(lives, observations=observations, seen="rust", quantity="observation")
    assert (found.verdict, found.p) == ("too few", None)
    assert found.why == "nobody looked for rust on wet"


@pytest.mark.parametrize(("loads_vary_by", "verdict"), [(0.005, "favoured"), (0.08, "open")])
def test_at_equal_levels_the_error_of_the_capacities_counts(loads_vary_by, verdict):
    # Four dry lives three to four times as long, p 1/70: yet a few percent of capacity do that too.
    spread = [1 + loads_vary_by * z for z in (-1.5, -0.5, 0.5, 1.5)]
    found = only(
        lives([n * 3.5 for n in WET], WET),
        loads([130e3 * s for s in spread], [128e3 * s for s in spread]),
        quantity=EQUAL_LOAD,
    )
    assert found.p == pytest.approx(1 / 70)
    assert found.verdict == verdict
    assert ("yet the error of the levels" in found.why) == (verdict == "open")
    assert any("slope by EN 1992-2 mean" in line for line in found.evidence)
    assert any("with it" in line for line in found.evidence)


@pytest.mark.nights
@pytest.mark.parametrize(("loads_vary_by", "verdict"), [(0.005, "disfavoured"), (0.08, "open")])
def test_the_other_way_round_the_error_of_the_capacities_counts_too(loads_vary_by, verdict):
    spread = [1 + loads_vary_by * z for z in (-1.5, -0.5, 0.5, 1.5)]
    found = only(
        lives(WET, [n * 3.5 for n in WET]),
        loads([130e3 * s for s in spread], [128e3 * s for s in spread]),
        quantity=EQUAL_LOAD,
    )
    assert found.p_opposite == pytest.approx(1 / 70)
    assert found.verdict == verdict


@pytest.mark.nights
def test_at_equal_concrete_level_a_difference_of_levels_is_worth_decades():
    # Lives a decade apart, at 0.66 and 0.74 of the strength: 1.12 decades by the line.
    told = [
        *(life("dry", 10 * n, concrete_max=0.66, concrete_min=0.0) for n in WET),
        *(life("wet", n, concrete_max=0.74, concrete_min=0.0) for n in WET),
    ]
    assert only(told).verdict == "favoured"
    found = only(told, quantity=EQUAL_CONCRETE)
    assert found.verdict == "open"
    assert found.effect == pytest.approx(10**-0.12, rel=1e-6)
    assert any("published line; 5 such lines differ by" in line for line in found.warnings)


def test_without_levels_there_is_no_equal_level():
    found = only(lives([1e6], [1e5], level=None), quantity=EQUAL_LOAD)
    assert (found.verdict, found.why) == ("too few", "no life says its load level")
    told = [life("dry", 1e6, level=None), life("wet", 1e5)]
    assert only(told, quantity=EQUAL_LOAD).why == "dry: no life says its load level"


@pytest.mark.nights
def test_lives_at_other_levels_are_said_where_life_is_compared_as_it_is():
    told = [life("dry", 1e6, level=0.6), life("wet", 1e5, level=0.8)]
    assert any("load levels" in line for line in only(told).warnings)


@pytest.mark.nights
def test_another_mode_of_failure_is_withdrawn():
    dry = [life("dry", n, mode="tendon fracture") for n in (9e5, 12e5)]
    wet = [life("wet", n, mode="concrete crushing") for n in WET]
    assert only([*dry, *wet]).p == pytest.approx(1 / 15)
    found = only([*dry, *wet], mode="tendon fracture")
    assert found.evidence[1] == "wet: 0 of 4 failed"
    assert found.verdict == "too few"


@pytest.mark.parametrize(
    "told",
    [
        [],
        lives([], [1e5]),
        lives([1e6], []),
        lives([1e6], [1e5]),
        lives([(1e7,)] * 3, [(1e7,)] * 3),
        lives([1e5] * 4, [1e5] * 4),
        lives([(1e7,)], [1e5]),
    ],
    ids=["none", "no dry", "no wet", "one each", "all ran out", "equal", "one run-out"],
)
@pytest.mark.parametrize("quantity", ["life", EQUAL_LOAD, "ultimate", "observation"])
def test_too_little_is_said_to_be_too_few(told, quantity):
    found = only(told, quantity=quantity, seen="rust")
    assert found.verdict == "too few"
    assert found.why


@pytest.mark.nights
def test_ten_thousand_specimens_of_each_kind():
    rng = np.random.default_rng(1)
    told, static, observations = [], [], []
    for group, middle in (("dry", 13.0), ("wet", 12.0)):
        for number, n in enumerate(np.exp(middle + rng.standard_normal(5000))):
            name = f"{group}-{number}"
            told.append(life(group, float(min(n, 2e6)), name, ran_out=bool(n > 2e6)))
            static.append(load(group, float(rng.normal(130e3, 5e3))))
            observations.append(Observation(name, "rust", seen=bool(number % 3)))
    quantities = ("life", EQUAL_LOAD, "ultimate", "observation")
    of_series = series(
        told,
        static,
        hypotheses=[expected(quantity, "rust") for quantity in quantities],
        observations=observations,
    )
    found = weigh(of_series)
    assert [each.verdict for each in found] == ["favoured", "favoured", "open", "open"]
    assert found[0].low < np.e < found[0].high
    assert "smallest possible next to nothing" in found[0].why
    assert any("normal curve" in line for line in found[2].warnings)


def test_the_rule_names_the_four_words_and_proves_nothing():
    for word in ("favoured", "disfavoured", "open", "too few", "Nothing is proven"):
        assert word in RULE
    assert weigh(series()) == ()


@pytest.mark.endurance
@pytest.mark.timeout(3600)
def test_of_twenty_wrong_hypotheses_one_is_favoured_by_chance():
    # No water effect: both groups run at 0.7 of the mean of four companions that vary by 6 %. The
    # capacities alone part the lives of groups often, which the exact test cannot know.
    rng = np.random.default_rng(6)
    sets, favoured, parted = 300, 0, 0
    for _ in range(sets):
        told, static = [], []
        for group in ("dry", "wet"):
            found = rng.normal(130e3, 0.06 * 130e3, 4)
            static += [load(group, n) for n in found]
            shift = -14 * np.log(10) * 0.7 * (found.mean() / 130e3 - 1)
            told += [life(group, 2e5 * np.exp(shift + 0.4 * rng.standard_normal())) for _ in "abcd"]
        found = only(told, static, quantity=EQUAL_LOAD)
        favoured += found.verdict == "favoured"
        parted += found.p <= 0.05
    # Three standard errors of 300 sets: 3.8 %.
    assert favoured / sets <= 0.05 + 0.038
    assert parted / sets > 0.15
