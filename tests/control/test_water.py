"""The pump's owner with the simulated pump: what is switched, recorded and summed up.

The rig gives 50 frames a second; cycles are counted at 5 Hz while the test cycles. The pump takes
3 s to run up to 1.5 L/min, so that it gives 1.5 s of flow less than it is on.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import VirtualClock
from rig.control.catch_can import catch_can
from rig.control.water import Water
from rig.errors import DeviceError, InputError
from rig.ports import PumpStatus
from rig.record import Recorder, read_journal
from simulators.faults import NoFlow
from simulators.rig import simulated_rig
from tests.control.test_spray import FLOW, schedule
from tests.record.runs import header
from tests.simulators.driving import setup

RATE = 50.0
HZ = 5


class Pages:
    """Hands what water writes to a real recorder, at the present frame and count."""

    def __init__(self, folder: Path):
        self.recorder = Recorder.create(folder / "run", header())
        self.frame = self.counted = 0

    def spray(self, time_on, time_off, litres, *, confirmed):
        self.recorder.spray(time_on, time_off, litres, confirmed)

    def event(self, kind, text):
        self.recorder.event(self.frame / RATE, self.counted, kind, text)


class Night:
    """A rig whose time goes on, with its water; rows and events are read from its journal."""

    def __init__(self, folder: Path, plan, faults=(), *, submerged=False, **water):
        faults = tuple(NoFlow(round(a * RATE), round(b * RATE)) for a, b in faults)
        self.rig = simulated_rig(setup(rate=RATE, faults=faults), 1, VirtualClock())
        self.pages = Pages(folder)
        self.water = Water(plan, self.rig.pump, self.pages, RATE, submerged=submerged, **water)
        self.calls: list[tuple[float, str]] = []
        self.cycling = True

    @property
    def now(self) -> int:
        return self.pages.frame

    @property
    def counted(self) -> int:
        return self.pages.counted

    async def to(self, seconds: float) -> None:
        """Go on to a time, acting whenever something is due."""
        until = round(seconds * RATE)
        while True:
            call = await self.water.act(self.now, self.counted)
            if call:
                self.calls.append((self.now / RATE, call))
            if self.now >= until:
                return
            due = [until]
            if self.water.due_frame is not None:
                due.append(self.water.due_frame)
            if self.cycling and self.water.due_cycle is not None:
                due.append(self.now + (self.water.due_cycle - self.counted) * round(RATE / HZ))
            await self._pass(max(min(due), self.now + 1))

    async def _pass(self, until: int) -> None:
        begun = self.now
        while self.now < until:
            block = await self.rig.acquisition.read(min(until - self.now, 100_000))
            await self.rig.acquisition.keep(block.frames)
            self.pages.frame += block.frames
        if self.cycling:
            self.pages.counted += (self.now - begun) * HZ // round(RATE)

    async def end(self):
        """End the water; return the spray rows (s, s, L, confirmed) and the events."""
        self.water.finish(self.now)
        await self.rig.acquisition.close()
        self.pages.recorder.commit()
        self.pages.recorder.abandon()
        with read_journal(self.pages.recorder.folder) as journal:
            rows = [(a, b, round(v * 1e3, 3), bool(c)) for a, b, v, c in journal.entries("spray")]
            return rows, [(e.time, e.kind, e.text) for e in journal.events()]


def by_time(**changes):
    """Return 2 min in every 15 min, from the beginning on."""
    return schedule(**{"begin": 0.0, "begin_unit": "s", **changes})


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
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
    await night.to(600)
    night.cycling = True
    await night.to(700)
    rows, _ = await night.end()
    # On at count 100 (20 s), 40 s before the pause and 60 s after it: 500 cycles.
    assert [row[:2] for row in rows] == [(20, 660)]


@pytest.mark.virtual
async def test_water_kept_in_a_pause_goes_on_by_time(tmp_path):
    night = Night(tmp_path, by_time(on_pause="keep"))
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
    await night.to(1100)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 120), (900, 1020)]


@pytest.mark.virtual
async def test_water_ended_by_a_pause_comes_back_with_the_next_counted_cycle(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
    assert (night.water.due_cycle, (await night.rig.pump.status()).on) == (301, False)
    await night.to(2000)
    night.cycling = True
    await night.to(2200)
    rows, _ = await night.end()
    assert [row[:2] for row in rows] == [(0, 60), (2000.2, 2120.2)]


@pytest.mark.virtual
async def test_a_pause_within_the_dry_part_moves_no_period(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.to(200)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
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


@pytest.mark.virtual
async def test_dry_for_over_two_hours_is_a_deviation_told_at_both_ends(tmp_path):
    night = Night(tmp_path, by_time(on_pause="off"))
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
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
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
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
    await night.to(60)
    night.cycling = False
    await night.water.pause(night.now, night.counted)
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


class MutePump:
    """A pump without a meter; it may be gone, or its motor protection may trip at once."""

    def __init__(self, *, gone=False, trips=False):
        self.on, self.gone, self.trips = False, gone, trips

    async def set(self, on):
        if self.gone:
            raise DeviceError("pump: no answer within 1 s")
        self.on = on and not self.trips

    async def status(self):
        return PumpStatus(self.on, None, None)


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


async def test_nothing_is_wetted_again_for_more_than_a_day(tmp_path):
    pages = Pages(tmp_path)
    water = Water(by_time(on_pause="off"), MutePump(), pages, RATE, submerged=False)
    await water.act(0, 0)
    await water.act(500, 0)
    await water.pause(3000, 0)
    assert water.rewet_time(3000 + round(23 * 3600 * RATE)) == 23 * 3600
    assert water.rewet_time(3000 + round(30 * 3600 * RATE)) == 24 * 3600
    pages.recorder.abandon()


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


def test_a_catch_can_reading_is_told_against_the_schedule():
    assert catch_can(schedule(), FLOW * 0.92, "top") == (
        "catch can at top: 1.38 L/min, 8% below the schedule's 1.50 L/min, within 15%"
    )
    assert catch_can(schedule(), FLOW * 1.2, "") == (
        "catch can: 1.80 L/min, 20% above the schedule's 1.50 L/min, outside 15%"
    )


def test_a_face_is_to_have_its_share_of_the_flow():
    plan = schedule(faces=("left side", "soffit"))
    assert catch_can(plan, FLOW / 2, "soffit").endswith(
        "0% below its share of 0.75 L/min of 1.50 L/min, within 15%"
    )
    with pytest.raises(InputError, match="'top' is not sprayed; the protocol names left side"):
        catch_can(plan, FLOW, "top")


@given(st.floats())
def test_a_reading_is_judged_or_refused_in_one_line(reading):
    try:
        text = catch_can(schedule(), reading, "top")
    except InputError as error:
        assert not (math.isfinite(reading) and reading >= 0)
        text = str(error)
    else:
        assert text.endswith("within 15%") == (
            0.85 * FLOW * 0.999999 <= reading <= 1.15 * FLOW * 1.000001
        )
    assert "\n" not in text
