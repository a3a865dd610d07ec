"""Lives of tendons and bars against published values, damage sums, and which part goes first."""

import math

import numpy as np
import pytest
import rainflow
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.concrete_life import concrete_lives
from rig.mechanics.damage import cycles, first_part, miner_sum
from rig.mechanics.steel_life import (
    KSI,
    OF_BOND,
    STEEL_MODELS,
    bar_limit,
    steel_lives,
    tendon_limits,
)

MPA = 1e6


def life(steel, model, stress_range, exposure="air", **more):
    found = steel_lives(stress_range, steel, exposure, **more)
    return next(each for each in found if each.model.startswith(model))


# EN 1992-1-1, tables 6.4N and 6.3N, by a public code; worked out independently (the four of
# pretension also by py_fatigue 2.1.1).
@pytest.mark.parametrize(
    ("steel", "stress_range", "count"),
    [
        ("pre-tensioned", 250, 221_900.66),
        ("pre-tensioned", 200, 677_187.08),
        ("pre-tensioned", 150, 6_602_740.4),
        ("pre-tensioned", 100, 2.5383152e8),
        ("pre-tensioned", 185, 1e6),
        ("pre-tensioned", 150 * 1.15, 1_876_910.9),  # with the partial factor of 1.15
        ("single strand in plastic duct", 200, 677_187.08),
        ("tendon in plastic duct", 150, 1e6),
        ("tendon in plastic duct", 75, 1024e6),
        ("curved tendon in steel duct", 200, 77_760),
        ("splicing device", 160, 31_250),
        ("bar", 250, 116_029.06),
        ("bar", 200, 354_092.60),
        ("bar", 150, 2_055_223.0),
        ("bar", 100, 7.9009677e7),
        ("welded bar", 100, 2_002_016.25),
    ],
)
def test_eurocode_lives_of_steel(steel, stress_range, count):
    found = life(steel, "EN 1992-1-1", stress_range * MPA)
    assert found.kind == "characteristic"
    assert cycles(found.log10_cycles) == pytest.approx(count, rel=5e-8)


# Paulson, Frank and Breen 1983, log N = 11.0 - 3.5 log Sr [ksi] (from memory).
@pytest.mark.parametrize(("ksi", "count"), [(20, 2.795e6), (30, 676_201)])
def test_lower_bound_of_strand(ksi, count):
    found = life("pre-tensioned", "Paulson characteristic", ksi * KSI)
    assert cycles(found.log10_cycles) == pytest.approx(count, rel=2e-4)


def test_half_of_the_strands_outlast_the_lower_bound():
    mean = life("pre-tensioned", "Paulson mean", 20 * KSI)
    lowest = life("pre-tensioned", "Paulson characteristic", 20 * KSI)
    assert (mean.kind, lowest.kind) == ("mean", "characteristic")
    assert mean.log10_cycles - lowest.log10_cycles == pytest.approx(0.45)


def test_mean_line_of_bars():
    # Helgason and Hanson 1974 (from memory): log N = 6.969 - 0.0383 Sr [ksi].
    assert life("bar", "Helgason", 30 * KSI).log10_cycles == pytest.approx(6.969 - 1.149)


@pytest.mark.parametrize("name", list(STEEL_MODELS))
@given(low=st.floats(1.0, 600.0), more=st.floats(0.1, 300.0))
def test_life_falls_with_the_range(name, low, more):
    line = STEEL_MODELS[name]
    assert line.log10_cycles((low + more) * MPA) < line.log10_cycles(low * MPA)


@pytest.mark.parametrize("name", list(STEEL_MODELS))
def test_no_range_is_no_end(name):
    assert STEEL_MODELS[name].log10_cycles(0.0) == math.inf


@pytest.mark.parametrize("name", list(STEEL_MODELS))
def test_arrays_give_what_numbers_give(name):
    ranges = [0.0, 40.0, 150.0, 185.0, 400.0]
    together = STEEL_MODELS[name].log10_cycles(np.array(ranges) * MPA)
    alone = [STEEL_MODELS[name].log10_cycles(r * MPA) for r in ranges]
    np.testing.assert_allclose(together, alone, rtol=1e-12)


def test_tendons_of_a_specimen_file_have_lines():
    assert all(steel_lives(150 * MPA, steel, "air") for steel in OF_BOND.values())


@pytest.mark.parametrize("name", list(STEEL_MODELS))
def test_the_source_says_what_was_not_seen(name):
    assert any(words in STEEL_MODELS[name].source for words in ("from memory", "second-hand"))


@pytest.mark.parametrize(
    ("stress_range", "more", "why"),
    [
        (200.0, {"exposure": "water"}, "corrosion"),
        (200.0, {"upper": 1700 * MPA, "yield_stress": 1640 * MPA}, "above yield"),
        (700.0, {}, "lives of 50,000 cycles and more"),
        (80.0, {}, "lives up to 10,000,000 cycles"),
    ],
)
def test_a_life_out_of_the_range_of_its_model_says_why(stress_range, more, why):
    found = life("pre-tensioned", "Paulson mean", stress_range * MPA, **more)
    assert not found.valid
    assert why in found.why


def test_a_life_in_the_range_of_its_model_says_nothing_more():
    found = life("pre-tensioned", "Paulson mean", 200 * MPA, upper=1300 * MPA, yield_stress=1.6e9)
    assert (found.valid, found.why) == (True, "")


def test_a_tendon_whose_stress_stays_the_same_is_within_every_range():
    assert all(each.valid for each in steel_lives(0.0, "pre-tensioned", "air"))


# --- Limits ---


def test_range_that_the_american_committee_allows_a_tendon():
    # ACI 215R-74 (1992/97), abstract: 0.06 of the strength; 16.2 ksi of grade 270.
    limit = tendon_limits(100 * MPA, 270 * KSI)[0]
    assert limit.limit == pytest.approx(16.2 * KSI)
    assert limit.limit == pytest.approx(111.695 * MPA, rel=1e-5)
    assert limit.kept
    assert not tendon_limits(112 * MPA, 270 * KSI)[0].kept


@pytest.mark.parametrize(
    ("feet", "ksi"), [(math.inf, 18.0), (30.0, 18.0), (21.0, 14.0), (12.0, 10.0), (5.0, 10.0)]
)
def test_range_that_bridges_allow_a_curved_tendon(feet, ksi):
    # AASHTO LRFD (from memory): 18 ksi over 30 ft, 10 ksi under 12 ft.
    limit = tendon_limits(70 * MPA, 1860 * MPA, feet * 0.3048)[1]
    assert limit.limit == pytest.approx(ksi * KSI)


def test_range_that_bridges_allow_a_bar():
    # AASHTO LRFD (from memory): 24 ksi less 0.33 of the smallest stress.
    limit = bar_limit(150 * MPA, 10 * KSI)
    assert limit.limit == pytest.approx(20.7 * KSI)
    assert not limit.kept


# --- Damage ---


def test_damage_adds_up():
    # EN 1992-1-1, 6.8.4: 5e5/1e6 + 2e5/8e5.
    assert miner_sum([5e5, 2e5], [1e6, 8e5]) == pytest.approx(0.75)


def test_what_lasts_for_ever_does_no_damage_and_what_lasts_not_at_all_does_all():
    assert miner_sum([1e9, 0.0], [math.inf, 0.0]) == 0.0
    assert miner_sum([1.0], [0.0]) == math.inf
    assert miner_sum([], []) == 0.0


def test_counts_without_their_lives_are_refused():
    with pytest.raises(ValueError, match="shorter"):
        miner_sum([1.0, 2.0], [1e6])


@given(counts=st.lists(st.floats(0.0, 1e7), min_size=1, max_size=6), share=st.floats(0.0, 1.0))
def test_damage_does_not_depend_on_how_cycles_are_split(counts, share):
    lives = [1e6 * (1 + i) for i in range(len(counts))]
    parts = [n * part for n in counts for part in (share, 1 - share)]
    twice = [life for life in lives for _ in range(2)]
    assert miner_sum(parts, twice) == pytest.approx(miner_sum(counts, lives), rel=1e-9, abs=1e-12)


def test_damage_of_a_series_counted_by_rainflow():
    # ASTM E1049, figure 6: ranges 3, 4, 6, 8, 9 count 0.5, 1.5, 0.5, 1, 0.5 (rainflow 3.2.0).
    counted = rainflow.count_cycles([-2, 1, -3, 5, -1, 3, -4, 4, -2])
    line = STEEL_MODELS["EN 1992-1-1 pre-tensioned"]
    lives = [cycles(line.log10_cycles(r * 50 * MPA)) for r, _ in counted]
    by_hand = sum(n / 1e6 * (r * 50 / 185) ** (5 if r * 50 > 185 else 9) for r, n in counted)
    assert miner_sum([n for _, n in counted], lives) == pytest.approx(by_hand, rel=1e-9)
    assert counted == [(3, 0.5), (4, 1.5), (6, 0.5), (8, 1.0), (9, 0.5)]


def test_more_cycles_than_a_number_holds_are_endless():
    assert cycles(400.0) == math.inf
    assert cycles(6.0) == pytest.approx(1e6)


# --- Which part goes first ---


def lives_of(top, stress_range):
    return concrete_lives(60 * MPA, top * MPA, 4 * MPA, "air") + steel_lives(
        stress_range * MPA, "pre-tensioned", "air"
    )


def test_concrete_goes_first_under_much_compression():
    first = first_part(lives_of(48.0, 60.0))
    assert (first.part, first.sure) == ("concrete", True)


def test_the_tendon_goes_first_under_a_wide_range():
    first = first_part(lives_of(15.0, 300.0))
    assert (first.part, first.sure) == ("tendon", True)
    assert first.spans["tendon"][1] < first.spans["concrete"][0]


@pytest.mark.parametrize(
    ("top", "stress_range", "part"), [(34.0, 170.0, "tendon"), (36.0, 180.0, "concrete")]
)
def test_where_the_models_of_parts_overlap_nobody_is_sure(top, stress_range, part):
    first = first_part(lives_of(top, stress_range))
    least, most = first.spans["concrete"]
    assert least < first.spans["tendon"][0] < most
    assert (first.part, first.sure) == (part, False)


def test_means_are_never_set_beside_characteristic_lives():
    mean, sure = (first_part(lives_of(35.0, 200.0), kind) for kind in ("mean", "characteristic"))
    assert mean.spans["tendon"][0] > sure.spans["tendon"][0]
    assert mean.spans["tendon"] == pytest.approx(
        [life("pre-tensioned", "Paulson mean", 200 * MPA).log10_cycles] * 2
    )


def test_where_nothing_ends_no_part_goes_first():
    first = first_part(lives_of(0.0, 0.0))
    assert (first.part, first.log10_cycles, first.sure) == ("", math.inf, False)
    assert first_part([]).part == ""
