"""Water by its schedule: what is switched, recorded and summed up, in pauses and stops too."""

from __future__ import annotations

import json

import pytest

from rig.control.water import Water
from tests.control.test_spray import schedule
from tests.control.wet_nights import HZ, RATE, MutePump, Night, Pages, by_time


@pytest.mark.virtual
async def test_one_row_a_wet_stretch_with_the_litres_that_the_meter_saw(tmp_path):
    night = Night(tmp_path, by_time())
    before = (await night.rig.pump.status()).tank
    await night.to(1800)
    used = before - (await night.rig.pump.status()).tank
    rows, events = await night.end()
    assert [row[:2] + row[3:] for row in rows[:2]] == [(0, 120, True), (900, 1020, True)]
    # 2 min at 1.5 L/min; the tank says how much really left it.
    assert [row[2] for row in rows[:2]] == [3.0, 3.0]
    assert sum(row[2] for row in rows) == pytest.approx(used * 1e3, rel=0.02)
    assert [e for e in events if e[1] != "state"] == [(0.0, "water", "spraying begins")]


@pytest.mark.virtual
async def test_a_nozzle_clogged_under_way_parts_the_row_where_the_flow_was_last_good(tmp_path):
    night = Night(tmp_path, by_time(), faults=[(60, 100)])
    await night.to(899)
    rows, events = await night.end()
    # Good at 40 s, nothing at 70 s: 0.375 L more on the straight between, then 80 s are lacking.
    assert rows == [(0, 40, 1.0, True), (40, 70, 0.375, False), (130, 210, 2.0, True)]
    assert [e[0] for e in events if e[2].startswith("flow lost: 0.00 L/min")] == [70]
    assert night.water.summary() == "water: 120 s wet, 3.4 L, no period missed"


@pytest.mark.virtual
async def test_two_periods_without_flow_call_and_what_was_missed_is_told(tmp_path):
    night = Night(tmp_path, by_time(), faults=[(0, 1200)])
    await night.to(1799)
    assert [second for second, _ in night.calls] == [1050]
    assert night.calls[0][1].startswith("spray period missed: 0.00 L/min instead of 1.50")
    rows, _ = await night.end()
    assert len(rows) == 6
    assert not any(confirmed or litres for *_, litres, confirmed in rows)
    assert night.water.summary() == "water: 0 s wet, 0.0 L, 2 periods missed"


@pytest.mark.virtual
async def test_wet_stretches_are_the_last_two_in_which_the_pump_was_on(tmp_path):
    night = Night(tmp_path, by_time())
    await night.to(1850)
    assert night.water.wet == ((45_000, 51_000), (90_000, None))
    await night.to(2000)
    assert night.water.wet == ((45_000, 51_000), (90_000, 96_000))
    await night.end()


@pytest.mark.virtual
async def test_water_waits_for_its_count_and_nothing_is_dry_before(tmp_path):
    night = Night(tmp_path, schedule(begin=50_000))
    await night.to(9_999)
    assert (night.water.begun, night.water.due_cycle) == (False, 50_000)
    assert night.water.dry_for(night.now) == 0.0
    await night.to(10_015)
    assert night.water.begun
    rows, _ = await night.end()
    assert [row[0] for row in rows] == [10_000]


@pytest.mark.virtual
async def test_a_schedule_in_cycles_stands_in_a_pause_and_keeps_the_water(tmp_path):
    plan = schedule(begin=100, on=500, every=5000, period_unit="cycles")
    night = Night(tmp_path, plan, frequency=HZ)
    await night.pause(60)
    await night.to(600)
    night.cycling = True
    await night.to(700)
    rows, _ = await night.end()
    # On at count 100 (20 s), 40 s before the pause and 60 s after it: 500 cycles.
    assert [row[:2] for row in rows] == [(20, 660)]


@pytest.mark.virtual
async def test_water_kept_in_a_pause_goes_on_by_time(tmp_path):
    night = Night(tmp_path, by_time(on_pause="keep"))
    await night.pause(60)
    await night.to(1100)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 120), (900, 1020)]


@pytest.mark.virtual
async def test_water_ended_by_a_pause_comes_back_with_the_next_counted_cycle(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.pause(60)
    assert (night.water.due_cycle, (await night.rig.pump.status()).on) == (301, False)
    await night.to(2000)
    night.cycling = True
    await night.to(2200)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 60), (2000.2, 2120.2)]


@pytest.mark.virtual
async def test_a_pause_within_the_dry_part_moves_no_period(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.pause(200)
    await night.to(500)
    night.cycling = True
    await night.to(1100)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 120), (900, 1020)]


@pytest.mark.virtual
@pytest.mark.parametrize(
    ("on_stop", "cause", "stays"),
    [
        ("keep", "operator", True),
        ("keep", "limit", True),
        ("keep", "leak", False),
        ("keep", "emergency_stop", False),
        ("off", "operator", False),
    ],
)
async def test_water_after_a_stop_is_as_the_protocol_says_but_never_after_a_leak(
    tmp_path, on_stop, cause, stays
):
    night = Night(tmp_path, by_time(on_stop=on_stop))
    await night.to(60)
    await night.water.stop(night.now, cause)
    assert (night.water.due_frame, night.water.due_cycle) == (None, None)
    night.cycling = False
    await night.to(70)
    assert (await night.rig.pump.status()).on is stays
    rows, _ = await night.end()
    assert rows == [(0, 70 if stays else 60, 1.75 if stays else 1.5, True)]


@pytest.mark.virtual
async def test_a_stop_without_a_schedule_still_switches_the_pump_off(tmp_path):
    night = Night(tmp_path, None)
    await night.rig.pump.set(True)
    assert await night.water.act(0, 0) == ""
    await night.water.stop(0, "operator")
    assert not (await night.rig.pump.status()).on
    assert night.water.summary() == ""
    await night.end()


async def test_water_that_nothing_measures_is_told_as_nominal(tmp_path):
    pages = Pages(tmp_path)
    water = Water(by_time(), MutePump(), pages, RATE, submerged=False)
    for frame in range(0, 6001, 500):
        await water.act(frame, 0)
    assert water.summary() == (
        "water: 120 s wet, 3.0 L by nominal flow (nothing measures it), no period missed"
    )
    pages.recorder.abandon()


async def test_a_pump_that_stands_still_gives_no_water_even_without_a_meter(tmp_path):
    pages = Pages(tmp_path)
    water = Water(by_time(retries=0), MutePump(trips=True), pages, RATE, submerged=False)
    calls = [await water.act(frame, 0) for frame in (0, 500, 45_000, 45_500)]
    assert [bool(call) for call in calls] == [False, False, False, True]
    assert water.summary() == "water: 0 s wet, 0.0 L, 2 periods missed"
    pages.recorder.abandon()


async def test_a_pump_that_does_not_answer_is_not_taken_for_one_that_runs(tmp_path):
    pages = Pages(tmp_path)
    water = Water(by_time(), MutePump(gone=True), pages, RATE, submerged=False)
    await water.act(0, 0)
    await water.act(500, 0)
    assert water.wet == ()
    assert water.dry_for(1000) == 20.0
    pages.recorder.abandon()


@pytest.mark.virtual
async def test_a_restart_point_carries_the_water_on_as_if_nothing_had_happened(tmp_path):
    whole, parted = (Night(tmp_path / n, by_time(), faults=[(60, 100)]) for n in ("a", "b"))
    await whole.to(2000)
    for second in (5, 50, 90, 135, 500, 1000):
        await parted.to(second)
        plain = json.loads(json.dumps(parted.water.to_plain()))
        parted.water = Water(by_time(), parted.rig.pump, parted.pages, RATE, submerged=False)
        parted.water.from_plain(plain)
    await parted.to(2000)
    assert parted.water.to_plain() == whole.water.to_plain()
    assert await parted.end() == await whole.end()


async def test_a_pump_that_cannot_be_stopped_confirms_nothing(tmp_path):
    pages, pump = Pages(tmp_path), MutePump(trips=True)
    water = Water(by_time(), pump, pages, RATE, submerged=False)
    await water.act(0, 0)
    pump.gone = True
    await water.act(500, 0)
    water.finish(1000)
    assert water.summary().startswith("water: 0 s wet, 0.0 L")
    pages.recorder.abandon()


@pytest.mark.virtual
async def test_after_a_stop_a_resumption_begins_with_a_whole_period(tmp_path):
    night = Night(tmp_path, by_time())
    await night.to(60)
    await night.water.stop(night.now, "operator")
    plain = night.water.to_plain()
    await night.to(600)
    night.water = Water(by_time(), night.rig.pump, night.pages, RATE, submerged=False)
    night.water.from_plain(plain)
    await night.to(800)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 60), (600, 720)]
