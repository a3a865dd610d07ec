"""What the computer's clocks do must reach neither a schedule nor a count."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from rig.clock import VirtualClock
from rig.control.cyclic_stage import COUNT_MARGIN
from rig.control.desk import Request
from rig.record import read_journal
from simulators.faults import Miscounted
from tests.control.night import Accidents, walk

QUICK = {
    r"^run_out = .*$": 'run_out = "160 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["100 cycles"]',
}
BY = "P. Tester"


class SteppedClock(VirtualClock):
    """A clock whose calendar somebody steps: (from second, by seconds)."""

    def __init__(self, *steps: tuple[float, float]) -> None:
        self._steps = steps

    def utc(self) -> datetime:
        by = sum(step for since, step in self._steps if self.now() >= since)
        return super().utc() + timedelta(seconds=by)


class CalendarClock(VirtualClock):
    """A clock that begins at a given moment."""

    def __init__(self, begin: datetime) -> None:
        self._begin = begin

    def utc(self) -> datetime:
        return self._begin + timedelta(seconds=self.now())


class SleepyClock:
    """A clock of a computer that sleeps: once, at a second, for a while.

    The device has its own supply and goes on: `now` jumps, nobody has run meanwhile.
    """

    def __init__(self, at: float, long: float) -> None:
        self._now, self._at, self._long = 0.0, at, long

    def now(self) -> float:
        return self._now

    def utc(self) -> datetime:
        return datetime(2001, 1, 1, 18, tzinfo=UTC) + timedelta(seconds=self._now)

    async def sleep(self, seconds: float) -> None:
        self._now += seconds
        if self._now >= self._at:
            self._now, self._at = self._now + self._long, float("inf")
        await asyncio.sleep(0)


class BusyClock(VirtualClock):
    """A clock of a computer that is too busy: for a while every look at the time takes some."""

    def __init__(self, begin: float, end: float, takes: float) -> None:
        self._begin, self._end, self._takes = begin, end, takes
        self._late = 0.0

    def now(self) -> float:
        now = super().now() + self._late
        if self._begin <= now < self._end:
            self._late += self._takes
        return now


def told(folder, kind):
    with read_journal(folder) as journal:
        return [e.text for e in journal.events() if e.kind == kind]


def columns(folder):
    with read_journal(folder) as journal:
        return journal.columns("cycles")


@pytest.mark.nights
def test_a_stepped_wall_clock_is_told_and_changes_no_row(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    steady = walk(plan, tmp_path / "steady", clock=SteppedClock())
    steps = ((62.0, 3600.0), (75.0, -7200.0), (95.0, 86_400.0 * 400))
    stepped = walk(plan, tmp_path / "stepped", clock=SteppedClock(*steps))
    assert stepped.path == steady.path
    assert stepped.frames == steady.frames
    assert stepped.verdict == steady.verdict
    before, after = columns(steady.folder), columns(stepped.folder)
    for name, column in before.items():
        np.testing.assert_array_equal(after[name], column, err_msg=name, strict=True)
    assert told(steady.folder, "clock") == []
    texts = told(stepped.folder, "clock")
    assert len(texts) == 3
    assert "+3600 s" in texts[0]
    assert "-7200 s" in texts[1]


@pytest.mark.parametrize(
    ("begin", "refused_until"),
    [
        # Central European clocks (zone CET), as published in the IANA time zone database: on
        # 25 March 2001 at 01:00 UTC they went from 02:00 to 03:00, on 28 October at 01:00 UTC
        # back to 02:00.
        (datetime(2001, 3, 25, 0, 58, tzinfo=UTC), datetime(2001, 3, 25, 1, 10, tzinfo=UTC)),
        pytest.param(
            datetime(2001, 10, 28, 1, 58, tzinfo=UTC),
            datetime(2001, 10, 28, 2, 10, tzinfo=UTC),
            marks=pytest.mark.nights,
        ),
    ],
    ids=["an hour is left out", "an hour comes twice"],
)
def test_quiet_hours_end_by_the_wall_clock_where_it_is_changed(
    plan_of, tmp_path, begin, refused_until
):
    # Quiet until 03:10 by the wall clock.
    hours = '[hours]\nzone = "CET"\nquiet = ["22:00", "03:10"]\n[pauses]'
    plan = plan_of("first-night", {**QUICK, r"^\[pauses\].*$": hours})
    last = round((refused_until - begin).total_seconds() * 1000)
    script = [
        (65_000, Request("pause", who=BY)),
        (last - 2_000, Request("continue", who=BY)),
        (last + 2_000, Request("continue", who=BY)),
    ]
    walked = walk(plan, tmp_path / "w", script=script, clock=CalendarClock(begin))
    assert walked.verdict.outcome == "run-out"
    refused = [text for text in told(walked.folder, "request") if "quiet hours" in text]
    assert len(refused) == 1
    assert "03:10" in refused[0]
    gone_on = walked.entered("starting", 1)
    assert last + 2_000 <= gone_on <= last + 2_040


@pytest.mark.nights
@pytest.mark.timeout(120)
def test_a_computer_that_sleeps_finds_the_rig_stopped_and_every_count_right(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    walked = walk(plan, tmp_path / "w", clock=SleepyClock(70.0, 30.0), paced=True)
    assert walked.verdict.outcome == "fault"
    assert walked.verdict.cause == "watchdog"
    stopped = walked.entered("stopping")
    with read_journal(walked.folder) as journal:
        rows = journal.columns("cycles")
    numbers = rows["number"]
    assert numbers.tolist() == list(range(1, len(numbers) + 1))
    # Half a second after the last heartbeat the controller let the amplitude fall: no cycle of
    # full range after it, and the rest of the sleep holds none at all.
    full = rows["load_max"] - rows["load_min"] > 0.9 * plan.loading.range
    assert rows["time"][full].max() < 70.0 + 0.5 + 0.3
    assert rows["time"].max() < 70.0 + 0.5 + 3.0
    assert stopped <= 101_000


@pytest.mark.endurance
def test_a_computer_that_lags_at_the_end_still_finds_the_run_out(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    calm = walk(plan, tmp_path / "calm", clock=VirtualClock(), paced=True)
    assert calm.verdict.outcome == "run-out"
    end = calm.entered("stopping") / plan.rig.rate
    # So late that the controller has counted to its end while cycles wait to be read.
    busy = BusyClock(end - 2.0, end + 1.0, 0.006)
    lags = walk(plan, tmp_path / "lags", clock=busy, paced=True)
    assert lags.verdict.outcome == "run-out", lags.verdict
    numbers = columns(lags.folder)["number"]
    counted = columns(calm.folder)["number"][:160]
    assert numbers[:160].tolist() == counted.tolist() == list(range(1, 161))
    # It did come to the end of its own count, which leaves a margin behind the run-out.
    assert lags.conductor.stream.tally.counter == calm.conductor.stream.tally.counter + COUNT_MARGIN


@pytest.mark.nights
def test_a_count_that_runs_out_too_early_is_a_fault_where_nothing_waits_to_be_read(
    plan_of, tmp_path
):
    plan = plan_of("first-night", QUICK)
    early = Accidents(faults=(Miscounted(66_000, 200),))
    walked = walk(plan, tmp_path / "w", accidents=early, clock=VirtualClock(), paced=True)
    assert walked.verdict.outcome == "fault"
    assert walked.verdict.why == "the controller's count ran out before the verdict"
