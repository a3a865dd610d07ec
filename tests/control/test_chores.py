"""What goes on by time, with a rig whose slow channels or pump do not answer for a while."""

from __future__ import annotations

import math
from dataclasses import replace

import h5py
import numpy as np
import pytest

from rig.assembly import simulation_setup
from rig.clock import VirtualClock
from rig.control.book import Book
from rig.control.chores import Chores
from rig.control.stream import Stream
from rig.control.water import Water
from rig.errors import DeviceError
from rig.judging.looking import Nothing
from rig.record import Recorder, read_run
from simulators.rig import simulated_rig
from tests.control.test_pump_troubles import Deaf
from tests.record.runs import header

AIR = """
[[channel]]
name = "temperature_air"
resolution = "0.1 K"
noise = "0.05 K"
range = ["-20 degC", "60 degC"]
slow = true
"""


def _nothing_shown():
    raise AssertionError("no state is entered here and nothing is committed")


class LostSlow:
    """An acquisition whose slow channels do not come while `lost`, are none while `warming`."""

    def __init__(self, acquisition):
        self.acquisition, self.lost, self.warming = acquisition, False, False

    def __getattr__(self, name):
        return getattr(self.acquisition, name)

    async def slow(self):
        if self.lost:
            raise DeviceError("logger: no answer within 1 s")
        values = await self.acquisition.slow()
        return dict.fromkeys(values, math.nan) if self.warming else values


class Watch:
    """The chores of a rig at rest, its water not begun by the schedule."""

    def __init__(self, folder, plan):
        rig = simulated_rig(simulation_setup(plan), 1, VirtualClock())
        self.samples, self.pump = LostSlow(rig.acquisition), Deaf(rig.pump)
        self.rig = replace(rig, acquisition=self.samples, pump=self.pump)
        self.stream = Stream(self.rig)
        self.recorder = Recorder.create(
            folder / "run", replace(header(), rate=plan.rig.rate, channels=plan.rig.channels)
        )
        book = Book(plan, self.recorder, self.stream.rate, lambda judge: {}, _nothing_shown)
        self.stream.on_kept = book.kept
        spray = replace(plan.spray, on_pause="off")
        self.water = Water(spray, self.pump, book, self.stream.rate, submerged=False)
        self.chores = Chores(self.stream, book, self.rig, self.water, plan)

    @property
    def now(self):
        return self.stream.now

    async def to(self, seconds):
        """Go on to a time, acting whenever something is due."""
        until = self.stream.frames(seconds)
        while True:
            await self.chores.act()
            if self.now >= until:
                return
            await self.stream.advance(min(until, self.chores.next_frame()), Nothing())

    async def end(self):
        """Finish the record; return the slow channels and the events with their times."""
        self.water.finish(self.now)
        await self.samples.close()
        path = self.recorder.finish("operator", "", 0, self.now / self.stream.rate)
        with h5py.File(path) as file:
            slow = {name: column[:] for name, column in file["slow"].items()}
        with read_run(path) as run:
            return slow, [(e.time, e.kind, e.text) for e in run.events()]


@pytest.mark.nights
@pytest.mark.virtual
async def test_slow_channels_that_do_not_come_are_nan_and_told_at_both_ends(plan_of, tmp_path):
    watch = Watch(tmp_path, plan_of("overnight-wet-prism", rig={r"\Z": AIR}))
    await watch.to(90)
    watch.samples.lost = True
    await watch.to(250)
    watch.samples.lost = False
    await watch.to(310)
    slow, events = await watch.end()
    times = slow.pop("time")
    np.testing.assert_allclose(times, [0, 60, 120, 180, 240, 300])
    lost = np.isnan(slow["temperature_air"])
    assert lost.tolist() == [False, False, True, True, True, False]
    assert [e for e in events if e[1] == "sensor"] == [
        (120.0, "sensor", "the slow channels do not come: logger: no answer within 1 s"),
        (300.0, "sensor", "the slow channels come again"),
    ]


@pytest.mark.virtual
async def test_a_channel_without_a_first_value_is_looked_for_sooner(plan_of, tmp_path):
    watch = Watch(tmp_path, plan_of("overnight-wet-prism", rig={r"\Z": AIR}))
    watch.samples.warming = True
    await watch.to(12)
    watch.samples.warming = False
    await watch.to(80)
    watch.samples.warming = True  # later on the pace is that of the record
    await watch.to(200)
    slow, _ = await watch.end()
    np.testing.assert_allclose(slow["time"], [0, 5, 10, 15, 75, 135, 195])
    without = np.isnan(slow["temperature_air"])
    assert without.tolist() == [True, True, True, False, False, True, True]


@pytest.mark.virtual
async def test_a_pump_that_did_not_go_off_is_tried_again_where_no_schedule_runs(plan_of, tmp_path):
    watch = Watch(tmp_path, plan_of("overnight-wet-prism"))
    await watch.to(5)
    await watch.rig.pump.set(True)
    watch.pump.lost = {"off"}
    await watch.water.stop(watch.now, "leak")
    await watch.to(12)
    watch.pump.lost, watch.pump.asked = set(), []
    await watch.to(60)
    assert watch.pump.asked == ["off"]
    _, events = await watch.end()
    assert (15.0, "water", "the pump is off at last") in events


@pytest.mark.nights
@pytest.mark.virtual
async def test_rewetting_is_looked_after_where_no_schedule_runs(plan_of, tmp_path):
    watch = Watch(tmp_path, plan_of("overnight-wet-prism"))
    begin = watch.water.due_cycle
    await watch.water.act(watch.now, begin)
    await watch.water.pause(watch.now, begin)
    await watch.to(5)
    await watch.water.rewet_begin(watch.now)
    watch.pump.asked = []
    await watch.to(60)
    # Looked at after 10 s and 30 s later.
    assert watch.pump.asked == ["status", "status"]
    await watch.water.rewet_break(watch.now, begin)
    watch.pump.asked = []
    await watch.to(200)
    assert watch.pump.asked == []
    await watch.end()
