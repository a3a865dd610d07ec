"""Planning: what is assumed, days of stations, water, orders, and what one more buys."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rig.lives.assumed import SCATTER, NotTold, assumed
from rig.lives.order import BY_GROUPS, DRAWN, IN_BLOCKS, orders
from rig.lives.planned import planned, smallest
from rig.lives.power import LifeDesign
from rig.lives.stations import (
    DAY,
    Place,
    Specimen,
    companion,
    expected_cycles,
    life_specimen,
    schedule,
)
from rig.lives.worth import STEPS, interval_factor, what_one_more_buys
from rig.protocol.series import Hypothesis, Life, Series, Ultimate
from rig.protocol.series_plan import SeriesPlan

GROUPS = {"dry": {"exposure": "dry"}, "wet": {"exposure": "spray"}}
PLACE = Place(4.0, 2 * DAY, DAY, DAY, DAY, 1e-3 / 60, 0.5, 0.1)
EMPTY = Series("empty", GROUPS, (), ())
TOLD = SeriesPlan(life=2e5, sizes=(2, 4), ratios=(5.0,), run_outs=(2e6,), companions=(4,))
"""All invented."""


def so_far(**more):
    lives = [
        *(Life(f"d{i}", "dry", 0.7, 11e6, "run-out", None) for i in range(2)),
        *(
            Life(f"w{i}", "wet", 0.7, n, "failure", None)
            for i, n in enumerate((148e3, 162e3, 231e3, 297e3))
        ),
    ]
    loads = [Ultimate(f"u{i}", "dry", x, None) for i, x in enumerate((130e3, 134e3, 126e3))]
    return Series("tested", GROUPS, tuple(lives), tuple(loads), **more)


def test_what_the_plan_says_goes_before_what_was_tested():
    plan = SeriesPlan(
        groups=("wet", "dry"),
        life=1e6,
        scatter=0.5,
        level=0.6,
        variation=0.1,
        slope=12.0,
        run_outs=(5e6,),
    )
    found = assumed(so_far(), plan)
    assert (found.a, found.b, found.life, found.scatter) == ("wet", "dry", 1e6, 0.5)
    assert (found.level, found.variation, found.run_outs) == (0.6, 0.1, (5e6,))
    assert found.sensitivity == pytest.approx(12 * math.log(10) * 0.6)
    assert set(found.origins.values()) == {"as planned"}


def test_what_was_tested_stands_in():
    found = assumed(so_far(), SeriesPlan())
    logs = np.log([148e3, 162e3, 231e3, 297e3])
    assert (found.a, found.b) == ("dry", "wet")
    assert found.life == pytest.approx(math.exp(logs.mean()))
    assert found.scatter == pytest.approx(logs.std(ddof=1))
    assert found.run_outs == (11e6,)
    assert found.level == pytest.approx(0.7)
    assert found.variation == pytest.approx(4e3 / 130e3)
    assert (found.tested, found.companions) == ((2, 4), (3, 0))
    assert "EN 1992-2" in found.origins["slope"]


def test_the_groups_are_those_of_the_first_hypothesis_on_lives():
    told = Hypothesis("odd", "life", lower=("dry",), higher=("wet",))
    found = assumed(so_far(hypotheses=(told,)), SeriesPlan(life=1e5))
    assert (found.a, found.b) == ("wet", "dry")


def test_an_untested_series_is_planned_by_common_practice_that_is_named():
    found = assumed(EMPTY, SeriesPlan(life=2e5))
    assert (found.scatter, found.variation, found.run_outs) == (SCATTER, 0.06, (2e6, 10e6))
    assert found.origins["variation"] == "common practice, no source"


def test_a_life_that_nothing_tells_is_asked_for():
    with pytest.raises(NotTold, match=r"plan.life: is missing: no failure of wet .*add life = "):
        assumed(EMPTY, SeriesPlan())


def test_one_group_has_nothing_to_compare():
    with pytest.raises(NotTold, match="there is one only"):
        assumed(Series("one", {"dry": {}}, (), ()), SeriesPlan())


@given(st.floats(1e3, 1e7), st.floats(0.05, 2.0), st.floats(1e3, 1e7))
def test_expected_cycles_are_the_mean_of_lives_cut_at_run_out(median, scatter, run_out):
    # Limited expected value of the lognormal, against the sum of what survives (scipy).
    law = stats.lognorm(s=scatter, scale=median)
    grid = np.linspace(0.0, run_out, 4001)
    whole = np.trapezoid(law.sf(grid), grid)
    assert expected_cycles(median, scatter, run_out) == pytest.approx(whole, rel=2e-3)


def test_expected_cycles_without_scatter():
    assert expected_cycles(3e5, 0.0, 2e6) == 3e5
    assert expected_cycles(3e6, 0.0, 2e6) == 2e6


def test_days_and_water_by_hand():
    # 345,600 cycles at 4 Hz take a day; it sprays half of it at one litre a minute.
    spray = life_specimen("s", "wet", "spray", 345_600.0, PLACE)
    assert spray.duration == 4 * DAY
    assert spray.water == pytest.approx(0.5 * 1440 * 1e-3)
    tank = life_specimen("t", "wet", "submerged", 345_600.0, PLACE)
    assert tank.water == 0.1
    assert life_specimen("d", "dry", "dry", 345_600.0, PLACE).water == 0.0
    assert companion("c", "wet", "spray", PLACE).duration == DAY


def specimen(group, days, name=""):
    return Specimen(name or group, group, {"a": "dry", "b": "spray"}[group], days * DAY, 0.0)


def test_a_change_of_exposure_takes_its_time():
    order = [specimen("a", 2), specimen("b", 3), specimen("b", 1), specimen("a", 1)]
    found = schedule(order, 1, 2 * DAY)
    assert [slot.start / DAY for slot in found.slots] == [0, 2, 7, 8]
    assert [slot.changed for slot in found.slots] == [False, True, False, True]
    assert (found.changes, found.end / DAY, found.busy / DAY) == (2, 11, 11)


def test_two_stations_share_the_specimens():
    order = [specimen("a", 5), specimen("b", 1), specimen("b", 1), specimen("b", 1)]
    found = schedule(order, 2, DAY)
    assert [slot.station for slot in found.slots] == [1, 2, 2, 2]
    assert (found.changes, found.end / DAY, found.busy / DAY) == (0, 5, 8)
    with pytest.raises(ValueError, match="one is needed"):
        schedule(order, 0, DAY)


members = st.lists(st.sampled_from("ab"), min_size=1, max_size=12)


@given(members, members, st.integers(1, 3), st.integers(0, 99))
def test_every_order_tests_each_specimen_once(companions, lives, stations, seed):
    first = [specimen(g, 1, f"c{i}") for i, g in enumerate(companions)]
    then = [specimen(g, 3, f"l{i}") for i, g in enumerate(lives)]
    found = orders(first, then, stations, DAY, seed)
    assert [order.name for order in found] == [DRAWN, IN_BLOCKS, BY_GROUPS]
    for ordered in found:
        assert sorted(s.name for s in ordered.order) == sorted(s.name for s in [*first, *then])
    for ordered in found[:2]:
        assert {s.name[0] for s in ordered.order[: len(first)]} == {"c"}
    assert found == orders(first, then, stations, DAY, seed)


@given(members, members)
def test_on_one_station_no_order_has_fewer_changes_than_group_by_group(companions, lives):
    first, then = ([specimen(g, 1) for g in of] for of in (companions, lives))
    *drawn, by_groups = orders(first, then, 1, DAY, 0)
    assert by_groups.schedule.changes == len({*companions, *lives}) - 1
    assert all(order.schedule.changes >= by_groups.schedule.changes for order in drawn)


def test_all_orders_are_alike_likely():
    lives = [specimen("a", 1, "1"), specimen("a", 1, "2"), specimen("b", 1, "3")]
    counts = {}
    for seed in range(600):
        drawn = orders([], lives, 1, DAY, seed)[0].order
        order = "".join(s.name for s in drawn)
        counts[order] = counts.get(order, 0) + 1
    assert len(counts) == 6
    assert stats.chisquare(list(counts.values())).pvalue > 0.001


def test_a_drawn_block_has_its_share_of_each_group():
    lives = [specimen(g, 1) for g in "aaabbb"]
    order = orders([], lives, 1, DAY, 5)[1].order
    assert [{s.group for s in order[i : i + 2]} for i in (0, 2, 4)] == [{"a", "b"}] * 3


def test_the_smallest_p_of_a_size_by_run_outs():
    found = smallest(4)
    assert found.one_sided[0] == pytest.approx(1 / 70)
    assert found.two_sided[0] == pytest.approx(2 / 70)
    assert found.in_pairs == pytest.approx(1 / 16)
    # Of five run-outs four can be dealt to the longer group in five ways; all eight tell nothing.
    assert found.one_sided[5] == pytest.approx(5 / 70)
    assert found.one_sided[8] == 1.0


def test_the_smallest_p_of_a_size_that_is_sampled_is_counted():
    # 24 over 12 is 2,704,156: one of them has all the longer lives in one group.
    found = smallest(12)
    assert found.one_sided[0] == pytest.approx(1 / 2_704_156)
    assert found.two_sided[0] == pytest.approx(2 / 2_704_156)
    assert found.one_sided[24] == found.two_sided[24] == 1.0


def test_the_interval_of_a_ratio_by_a_table_of_students_t():
    # t(0.95; 6) = 1.943 in any table: 1.943 * 0.6 * sqrt(2/4) = 0.824.
    design = LifeDesign(4, 4, 2e6, 2e5, 5.0, 0.6)
    assert math.log(interval_factor(design)) == pytest.approx(0.8244, abs=2e-4)
    moved = replace(design, shift_a=0.5, shift_b=0.5)
    assert math.log(interval_factor(moved)) == pytest.approx(
        math.hypot(0.8244, 1.645 * math.sqrt(0.5)), abs=1e-3
    )
    assert interval_factor(replace(design, n_a=1, n_b=1)) == math.inf


def test_what_one_more_buys():
    base = LifeDesign(2, 4, 11e6, 2e5, 10.0, 0.6)
    found = {
        row.added: row
        for row in what_one_more_buys(base, (4, 4), 0.06, 22.6, (10.0, 4.0, 1.0, 1.0), series=500)
    }
    assert list(found) == list(STEPS)
    nothing = found["nothing"]
    assert nothing.power.smallest_p == pytest.approx(1 / 15)
    assert found["one more life of a"].power.smallest_p == pytest.approx(1 / 35)
    assert found["one more life of b"].power.smallest_p == pytest.approx(1 / 21)
    assert (found["one more life of each"].days, nothing.days) == (14.0, 0.0)
    # A companion narrows what capacities spoil, and nothing else.
    more = found["one more companion of each"]
    assert more.power.smallest_p == nothing.power.smallest_p
    assert more.factor < nothing.factor
    assert more.factor_without == nothing.factor_without
    assert found["one more life of a"].factor_without < nothing.factor_without


def test_a_whole_plan():
    series = replace(so_far(), plan=TOLD)
    found = planned(series, many=200)
    assert [(row.size, row.run_out, row.ratio) for row in found.lives] == [
        (2, 2e6, 5.0),
        (4, 2e6, 5.0),
    ]
    assert [m for m, _ in found.lives[0].carried] == [4]
    assert [(cost.size, cost.companions) for cost in found.costs] == [(2, 4), (4, 4)]
    assert found.costs[0].station_days == pytest.approx(found.orders[0].schedule.busy / DAY)
    assert len(found.orders[0].order) == 2 * (2 + 4)
    assert found == planned(series, many=200)


def test_costs_stand_on_the_smallest_count_whatever_their_order():
    plan = replace(TOLD, run_outs=(5e6, 2e6), sizes=(2,))
    found = planned(replace(so_far(), plan=plan), many=20)
    assert found.run_out == 2e6
    assert [row.run_out for row in found.lives] == [5e6, 2e6]


def test_an_untested_series_can_be_planned():
    found = planned(replace(EMPTY, plan=TOLD), many=100)
    assert found.worth[0].size.lives_a == 2
    assert found.worth[0].size.companions_b == 4


def test_ten_thousand_lives_can_be_planned_on():
    many = [
        Life(f"{group}{i}", group, 0.7, 1e5 + i, "failure", None)
        for group in GROUPS
        for i in range(5000)
    ]
    found = planned(Series("many", GROUPS, tuple(many), (), plan=replace(TOLD, life=None)), many=50)
    assert found.assumed.tested == (5000, 5000)
    assert found.worth[0].size.lives_a == TOLD.sizes[0]


def test_equal_lives_and_loads_tell_neither_scatter_nor_variation():
    lives = [Life(f"w{i}", "wet", 0.7, 2e5, "failure", None) for i in range(3)]
    loads = [Ultimate(f"u{i}", "dry", 130e3, None) for i in range(3)]
    found = assumed(Series("equal", GROUPS, tuple(lives), tuple(loads)), SeriesPlan())
    assert (found.life, found.scatter, found.variation) == (2e5, SCATTER, 0.06)
    assert found.origins["life"] == "middle of 3 lives of wet"
