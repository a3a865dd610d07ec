"""A pump that does not answer, and re-wetting counted by water that was seen to flow.

Expected times are written out from the protocol: 2 min in every 15 min, each attempt looked at
after 10 s, three attempts a minute apart.
"""

from __future__ import annotations

import json

import pytest

from rig.control.spray import CHECK_EVERY
from rig.control.water import Water
from rig.errors import DeviceError
from tests.control.test_spray import schedule
from tests.control.wet_nights import RATE, Night, by_time

HOUR = 3600.0


class Deaf:
    """Hands on to a pump what it does not lose: any of "on", "off" and "status"."""

    def __init__(self, pump, *lost):
        self.pump, self.lost, self.asked = pump, set(lost), []

    async def set(self, on):
        self._lose("on" if on else "off")
        await self.pump.set(on)

    async def status(self):
        self._lose("status")
        return await self.pump.status()

    def _lose(self, what):
        self.asked.append(what)
        if what in self.lost:
            raise DeviceError("pump: no answer within 1 s")


def deaf_night(folder, plan, *lost, **how):
    """Return a night whose water has the simulated pump behind a deaf one, and that one."""
    night = Night(folder, plan, **how)
    pump = Deaf(night.rig.pump, *lost)
    night.water = Water(plan, pump, night.pages, RATE, submerged=False)
    return night, pump


def told(events, start):
    """Return when events of water begin with these words."""
    return [time for time, kind, text in events if kind == "water" and text.startswith(start)]


@pytest.mark.virtual
@pytest.mark.parametrize("lost", [("status",), ("on",), ("on", "off", "status")])
async def test_a_pump_that_does_not_answer_is_tried_and_called_for_as_one_without_flow(
    tmp_path, lost
):
    night, _ = deaf_night(tmp_path, by_time(), *lost)
    await night.to(1799)
    assert [second for second, _ in night.calls] == [1050]
    assert night.water.summary() == "water: 0 s wet, 0.0 L, 2 periods missed"
    await night.end()


@pytest.mark.virtual
async def test_no_answer_is_told_once_an_attempt_with_what_the_pump_said(tmp_path):
    night, _ = deaf_night(tmp_path, by_time(), "on", "status")
    await night.to(899)
    _, events = await night.end()
    assert told(events, "the pump does not switch on: pump: no answer within 1 s") == [0, 70, 140]
    assert told(events, "the pump does not answer: pump: no answer within 1 s") == [10, 80, 150]


@pytest.mark.virtual
async def test_water_that_flows_although_switching_on_seemed_to_fail_counts_from_the_first_look(
    tmp_path,
):
    night, _ = deaf_night(tmp_path, by_time(), "on")
    await night.rig.pump.set(True)
    await night.to(300)
    rows, _ = await night.end()
    assert [row[:2] + row[3:] for row in rows] == [(10, 120, True)]
    assert night.water.summary().startswith("water: 110 s wet")


@pytest.mark.virtual
async def test_an_answer_lost_under_way_costs_one_attempt(tmp_path):
    night, pump = deaf_night(tmp_path, by_time())
    await night.to(60)
    pump.lost = {"status"}
    await night.to(100)
    pump.lost = set()
    await night.to(899)
    rows, _ = await night.end()
    # Seen until 40 s, not at 70 s; 80 s lacking, from 130 s on.
    assert [row[:2] + row[3:] for row in rows] == [
        (0, 40, True),
        (40, 70, False),
        (130, 210, True),
    ]
    assert night.calls == []


@pytest.mark.virtual
async def test_a_pump_that_does_not_go_off_is_told_once_and_tried_every_ten_seconds(tmp_path):
    night, pump = deaf_night(tmp_path, by_time())
    await night.to(100)
    pump.lost, pump.asked = {"off"}, []
    await night.to(155)
    assert pump.asked == ["status", "off", "off", "off", "off"]
    pump.lost = set()
    await night.to(200)
    assert not (await night.rig.pump.status()).on
    assert night.water.wet == ((0, 6000), (6000, 8000))
    rows, events = await night.end()
    assert [e[::2] for e in events if "off" in e[2]] == [
        (
            120.0,
            "the pump does not switch off: pump: no answer within 1 s; close the water by hand",
        ),
        (160.0, "the pump is off at last"),
    ]
    assert rows == [(0, 120, 3.0, True), (120, 160, 0.0, False)]


@pytest.mark.virtual
async def test_the_next_period_begins_although_the_last_one_never_ended(tmp_path):
    night, pump = deaf_night(tmp_path, by_time())
    await night.to(100)
    pump.lost = {"off"}
    await night.to(910)
    pump.lost = set()
    await night.to(1100)
    rows, _ = await night.end()
    assert [row[:2] + row[3:] for row in rows] == [
        (0, 120, True),
        (120, 900, False),
        (900, 1020, True),
    ]


@pytest.mark.virtual
@pytest.mark.parametrize("end", ["stop", "off", "pause"])
async def test_ending_the_water_goes_on_with_a_pump_that_does_not_answer(tmp_path, end):
    night, pump = deaf_night(tmp_path, by_time(on_pause="off"))
    await night.to(60)
    night.cycling = False
    pump.lost = {"off", "status"}
    how = {"stop": ("operator",), "off": (), "pause": (night.counted,)}[end]
    await getattr(night.water, end)(night.now, *how)
    assert night.water.due_frame == night.water.pump.off_due == night.now + 10 * RATE
    await night.to(85)
    pump.lost = set()
    await night.to(95)
    assert not (await night.rig.pump.status()).on
    assert night.water.pump.off_due is None
    _, events = await night.end()
    assert told(events, "the pump does not switch off") == [60]


@pytest.mark.virtual
async def test_a_stop_tells_again_that_the_pump_runs_and_so_does_the_end(tmp_path):
    night, pump = deaf_night(tmp_path, by_time())
    await night.to(100)
    pump.lost = {"off"}
    await night.to(135)
    await night.water.stop(night.now, "leak")
    await night.to(300)
    _, events = await night.end()
    assert told(events, "the pump does not switch off") == [120, 135]
    assert told(events, "the pump may still run; close the water by hand") == [300]


async def rewet(night, until):
    """Re-wet by what the water says is due, as long as anything lacks, at most until a time."""
    while night.water.rewet_left(night.now) > 0 and night.now < until * RATE:
        await night.to(night.water.due_frame / RATE)


async def dry_night(folder, plan, hours, *lost, **how):
    """Return a night paused after a minute of water and dry for some hours, and its pump."""
    night, pump = deaf_night(folder, plan, *lost, **how)
    await night.pause(60)
    await night.to(60 + hours * HOUR)
    return night, pump


@pytest.mark.virtual
@pytest.mark.parametrize(
    "faults",
    [
        (),
        ((9000, 9100),),
        pytest.param(((9065, 9120), (9500, 9530), (12_000, 12_100)), marks=pytest.mark.nights),
        pytest.param(((9060, 12_700), (15_000, 15_070)), marks=pytest.mark.nights),
    ],
)
async def test_rewetting_is_done_when_as_much_confirmed_water_came_as_was_asked(tmp_path, faults):
    plan = by_time(on_pause="off", retries=100)
    night, _ = await dry_night(tmp_path, plan, 2.5, faults=faults)
    asked = night.water.rewet_time(night.now)
    assert asked == 9000
    await night.water.rewet_begin(night.now)
    assert night.water.rewet_left(night.now) == asked
    await rewet(night, 60_000)
    assert night.water.rewet_left(night.now) == 0
    ended = night.now / RATE
    await night.water.off(night.now)
    rows, _ = await night.end()
    given = sum(min(b, ended) - a for a, b, _, good in rows if good and a >= 9060)
    assert asked <= given <= asked + CHECK_EVERY


@pytest.mark.nights
@pytest.mark.virtual
async def test_without_a_drop_nothing_is_rewetted_however_long_and_two_missed_periods_call(
    tmp_path,
):
    night, _ = await dry_night(tmp_path, by_time(on_pause="off"), 2.5, faults=[(60, 10**5)])
    await night.water.rewet_begin(night.now)
    await rewet(night, 25_000)
    # Missed after 150 s, tried again a minute later, missed after 150 s more.
    assert night.calls[0][0] == 9060 + 150 + 60 + 150
    assert night.water.rewet_left(night.now) == 9000
    await night.end()


@pytest.mark.nights
@pytest.mark.virtual
@pytest.mark.parametrize("on_pause", ["off", "keep"])
async def test_rewetting_given_up_holds_the_water_until_the_test_cycles_again(tmp_path, on_pause):
    night, _ = deaf_night(tmp_path, by_time(on_pause=on_pause), faults=[(60, 9000)])
    await night.to(8000)
    night.cycling = False
    asked = night.water.rewet_time(night.now)
    await night.water.rewet_begin(night.now)
    await night.to(8065)
    await night.water.rewet_break(night.now, night.counted)
    assert not night.water.rewets
    assert night.water.rewet_left(night.now) == 0
    assert night.water.rewet_time(night.now) > asked
    await night.to(9500)
    assert not (await night.rig.pump.status()).on
    assert night.water.due_cycle == night.counted + 1
    night.cycling = True
    await night.to(9700)
    rows, events = await night.end()
    assert [row[:2] for row in rows if row[0] > 8065] == [(9500.2, 9620.2)]
    assert told(events, "re-wetting given up: 2.2 h of confirmed water lacking") == [8065]


@pytest.mark.virtual
async def test_what_rewetting_lacked_is_owed_until_the_test_cycles_again(tmp_path):
    night, _ = await dry_night(tmp_path, by_time(on_pause="off"), 2.5)
    await night.water.rewet_begin(night.now)
    await night.to(60 + 9000 + 1000)
    # Looks at 10 s and every 30 s from then on: the last at 1000 s.
    await night.water.rewet_break(night.now, night.counted)
    await night.to(60 + 9000 + 1600)
    assert night.water.rewet_time(night.now) == 8000
    night.cycling = True
    await night.to(60 + 9000 + 1700)
    assert night.water.rewet_time(night.now) == 0
    await night.end()


@pytest.mark.nights
@pytest.mark.virtual
@pytest.mark.parametrize("on_stop", ["keep", "off"])
async def test_a_stop_while_rewetting_keeps_what_was_lacking(tmp_path, on_stop):
    night, _ = await dry_night(tmp_path, by_time(on_pause="off", on_stop=on_stop), 2.5)
    await night.water.rewet_begin(night.now)
    await night.to(60 + 9000 + 1000)
    await night.water.stop(night.now, "operator")
    assert (night.water.rewets, night.water.rewet_time(night.now)) == (False, 8000)
    await night.end()


@pytest.mark.virtual
async def test_rewetting_goes_on_with_a_pump_that_answers_again(tmp_path):
    night, pump = await dry_night(tmp_path, by_time(on_pause="off"), 2.5)
    pump.lost = {"on", "off", "status"}
    await night.water.rewet_begin(night.now)
    await night.to(60 + 9000 + 100)
    assert night.water.rewet_left(night.now) == 9000
    pump.lost = set()
    await rewet(night, 60_000)
    # Attempts at 0, 70 and 140 s: the third one flows.
    assert night.now / RATE == pytest.approx(60 + 9000 + 140 + 9000, abs=CHECK_EVERY)
    pump.lost = {"on", "off", "status"}
    await night.water.rewet_end(night.now, night.counted)
    assert night.water.pump.off_due is None
    await night.end()


@pytest.mark.virtual
async def test_a_restart_point_carries_rewetting_and_a_pump_that_runs_on(tmp_path):
    plan = schedule(begin=0.0, begin_unit="s", on_pause="off")
    nights = [
        await dry_night(tmp_path / name, plan, 2.5, faults=[(9500, 9600)]) for name in ("a", "b")
    ]
    for night, pump in nights:
        again = night is nights[1][0]
        await night.water.rewet_begin(night.now)
        for second in (9400, 9620, 10_000, 10_015, 10_300):
            await night.to(second)
            if second == 10_000:
                pump.lost = {"off"}
                await night.water.rewet_break(night.now, night.counted)
            if again:
                plain = json.loads(json.dumps(night.water.to_plain()))
                night.water = Water(plan, pump, night.pages, RATE, submerged=False)
                night.water.from_plain(plain)
    whole, parted = nights[0][0], nights[1][0]
    assert parted.water.to_plain() == whole.water.to_plain()
    assert parted.water.pump.off_due == whole.water.pump.off_due == 10_310 * RATE
    assert await parted.end() == await whole.end()
