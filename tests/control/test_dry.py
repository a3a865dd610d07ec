"""A specimen that is dry: for how long, when that is told, and how it is wetted again."""

from __future__ import annotations

import pytest

from rig.control.water import Water
from tests.control.test_spray import schedule
from tests.control.wet_nights import HZ, RATE, MutePump, Night, Pages, by_time


@pytest.mark.virtual
async def test_dry_for_over_two_hours_is_a_deviation_told_at_both_ends(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.pause(60)
    await night.to(60 + 7200)
    assert night.water.dry_for(night.now) == 7200
    assert night.water.rewet_time(night.now) == 0.0
    await night.to(60 + 3 * 3600)
    assert night.water.rewet_time(night.now) == 3 * 3600
    night.cycling = True
    await night.to(60 + 3 * 3600 + 60)
    assert night.water.dry_for(night.now) == 0.0
    _, events = await night.end()
    told = [(time, text) for time, kind, text in events if kind == "deviation"]
    assert told == [
        (7260.02, "dry for over 2.0 h"),
        (10_870.2, "was dry for 3.0 h: wet again"),
    ]
    assert night.water.summary().endswith("no period missed, dry for 3.0 h beyond the plan")


@pytest.mark.virtual
async def test_rewetting_gives_as_long_as_it_was_dry_and_a_new_period_follows(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.pause(60)
    await night.to(60 + 9000)
    seconds = night.water.rewet_time(night.now)
    await night.water.rewet_begin(night.now)
    await night.to(60 + 9000 + seconds)
    await night.water.rewet_end(night.now, night.counted)
    night.cycling = True
    await night.to(60 + 18_000 + 1000)
    rows, events = await night.end()
    # 2.5 h dry, 2.5 h of re-wetting, and the new period's two minutes without a gap.
    assert [row[:2] for row in rows] == [(0, 60), (9060, 18_180), (18_960, 19_060)]
    assert (9060.0, "water", "re-wetting begins") in events
    assert (18_060.0, "water", "re-wetting ends after 2.5 h") in events


@pytest.mark.virtual
async def test_rewetting_while_water_runs_does_not_end_with_the_period(tmp_path):
    night = Night(tmp_path, schedule(begin=0, on=100, every=200, period_unit="cycles"))
    await night.to(5)
    await night.water.rewet_begin(night.now)
    await night.to(300)
    await night.water.rewet_end(night.now, night.counted)
    await night.to(330)
    rows, _ = await night.end()
    # 100 cycles more at 5 Hz, from the end of re-wetting on.
    assert [row[:2] for row in rows] == [(0.2, 320)]


@pytest.mark.virtual
async def test_a_pause_that_ends_the_water_ends_rewetting_too(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.to(60)
    await night.water.rewet_begin(night.now)
    await night.water.pause(night.now, night.counted)
    await night.to(500)
    rows, _ = await night.end()
    # After the pause, with the next cycle, a period of the schedule: not water without an end.
    assert [row[:2] for row in rows] == [(0, 60), (60.2, 180.2)]


@pytest.mark.virtual
async def test_rewetting_without_flow_calls_as_any_period_does(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"), faults=[(60, 10**5)])
    await night.pause(60)
    await night.to(7300)
    await night.water.rewet_begin(night.now)
    await night.to(7300 + 400)
    # Missed after 150 s, tried again a minute later, missed after 150 s more.
    assert [second for second, _ in night.calls] == [7300 + 150 + 60 + 150]
    assert night.water.dry_for(night.now) == 7640
    await night.end()


@pytest.mark.virtual
async def test_a_dry_gap_that_the_schedule_plans_is_no_deviation(tmp_path):
    plan = by_time(on=3600.0, every=6 * 3600.0)
    night = Night(tmp_path, plan)
    await night.to(6 * 3600 - 1)
    assert night.water.dry_for(night.now) == 5 * 3600 - 1
    assert night.water.rewet_time(night.now) == 0.0
    _, events = await night.end()
    assert not [e for e in events if e[1] == "deviation"]


@pytest.mark.virtual
async def test_a_planned_gap_and_what_its_retries_take_is_exceeded_when_they_fail(tmp_path):
    plan = by_time(on=3600.0, every=6 * 3600.0)
    night = Night(tmp_path, plan, faults=[(3610, 10**6)])
    await night.to(6 * 3600 + 200)
    _, events = await night.end()
    assert [e[0] for e in events if "dry for over 5.0 h" in e[2]] == [6 * 3600 + 150.02]


@pytest.mark.virtual
async def test_a_planned_gap_in_cycles_lasts_as_long_as_the_cycles_take(tmp_path):
    plan = schedule(begin=0, on=500, every=100_000, period_unit="cycles")
    night = Night(tmp_path, plan, frequency=HZ)
    await night.to(10_000)
    night.cycling = False
    await night.to(21_000)
    _, events = await night.end()
    # Water for 500 cycles from count 1 (0.2 s) on; 99 500 cycles at 5 Hz; 150 s of retries.
    told = [time for time, kind, _ in events if kind == "deviation"]
    assert told == [0.2 + 100 + 19_900 + 150.02, 21_000]


@pytest.mark.virtual
async def test_a_submerged_specimen_is_never_dry(tmp_path):
    night = Night(tmp_path, None, submerged=True)
    await night.to(3 * 3600)
    assert (night.water.dry_for(night.now), night.water.rewet_time(night.now)) == (0.0, 0.0)
    await night.end()


@pytest.mark.virtual
async def test_looking_at_how_long_it_has_been_dry_writes_nothing(tmp_path):
    night = Night(tmp_path, by_time(on=60.0, every=1e6))
    await night.to(100)
    assert night.water.dry_for(round(3 * 3600 * RATE)) == pytest.approx(3 * 3600 - 60, abs=1)
    _, events = await night.end()
    assert [e for e in events if e[1] == "deviation"] == []


@pytest.mark.virtual
async def test_it_is_dry_from_where_the_flow_was_last_good(tmp_path):
    night = Night(tmp_path, by_time(), faults=[(60, 100)])
    await night.to(69)
    assert night.water.dry_for(night.now) == 0.0
    await night.to(139)
    assert night.water.dry_for(night.now) == 99.0
    await night.to(141)
    assert night.water.dry_for(night.now) == 0.0
    await night.end()


async def test_nothing_is_wetted_again_for_more_than_a_day(tmp_path):
    pages = Pages(tmp_path)
    water = Water(by_time(on_pause="off"), MutePump(), pages, RATE, submerged=False)
    await water.act(0, 0)
    await water.act(500, 0)
    await water.pause(3000, 0)
    assert water.rewet_time(3000 + round(23 * 3600 * RATE)) == 23 * 3600
    assert water.rewet_time(3000 + round(30 * 3600 * RATE)) == 24 * 3600
    pages.recorder.abandon()
