"""A test that would end on a weekend, and what to do about it, in the protocol's own zone."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.weekend import ends_on_weekend
from rig.protocol.plan import Hours
from tests.protocol.texts import WET, WHOLE, load_edited

PLAN = load_edited({WET: WHOLE})
LISBON = replace(PLAN, hours=Hours(zone="Europe/Lisbon"))
UTC_DAYS = replace(PLAN, hours=Hours(zone="UTC"))
MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
DAY = 86400.0


@pytest.mark.parametrize("days", range(14))
def test_only_ends_on_saturday_and_sunday_are_told_of(days):
    told = ends_on_weekend(UTC_DAYS, days * DAY, MONDAY)
    assert bool(told) == (days % 7 in (5, 6))


def test_day_and_hour_are_said_and_how_much_later_it_ends_on_monday():
    told = ends_on_weekend(UTC_DAYS, 5 * DAY + 3600 * 3.2, MONDAY)
    assert told.startswith("started now, the test would end on Saturday 5 December at 12:12 if ")
    assert "start 44 h later to end on Monday" in told


def test_the_run_out_advised_ends_on_friday_afternoon():
    """Saturday 12:12 back to Friday 16:00 are 20.2 h, 290,880 cycles at 4 Hz, of 11 million."""
    told = ends_on_weekend(UTC_DAYS, 5 * DAY + 3600 * 3.2, MONDAY)
    assert 'run_out = "10700000 cycles" to end on Friday' in told


def test_the_day_is_that_of_the_protocols_zone():
    """At half past 23 UTC on a Friday in August it is Saturday in Lisbon (UTC+1)."""
    friday = datetime(2026, 8, 28, 23, 30, tzinfo=UTC)
    friday -= timedelta(hours=10)
    assert ends_on_weekend(UTC_DAYS, 36_000.0, friday) == ""
    assert "Saturday 29 August at 00:30" in ends_on_weekend(LISBON, 36_000.0, friday)


def test_who_starts_a_short_test_on_a_weekend_is_there_when_it_ends():
    saturday = MONDAY + timedelta(days=5)
    assert ends_on_weekend(UTC_DAYS, 7.9 * 3600, saturday) == ""
    assert ends_on_weekend(UTC_DAYS, 8.1 * 3600, saturday) != ""


@given(st.floats(1.0, 60 * DAY), st.integers(0, 60 * 24 * 7))
def test_what_is_advised_ends_on_no_weekend(duration, minutes):
    now = MONDAY + timedelta(minutes=minutes)
    told = ends_on_weekend(UTC_DAYS, duration, now)
    if not told:
        return
    later = float(re.search(r"start (\d+) h later", told)[1]) * 3600
    monday = now + timedelta(seconds=duration + later)
    assert (monday.weekday(), 8 <= monday.hour <= 9) == (0, True)
    fewer = re.search(r'run_out = "(\d+) cycles"', told)
    if fewer:
        sooner = (PLAN.cyclic.run_out - int(fewer[1])) / PLAN.loading.frequency
        friday = now + timedelta(seconds=duration - sooner)
        assert ends_on_weekend(UTC_DAYS, duration - sooner, now) == ""
        assert int(fewer[1]) >= PLAN.cyclic.run_out / 2
        assert friday.weekday() < 5


def test_working_hours_of_the_protocol_are_kept_to():
    shifts = replace(UTC_DAYS, hours=Hours(zone="UTC", working=(6 * 60, 22 * 60)))
    told = ends_on_weekend(shifts, 5 * DAY, MONDAY)
    # Saturday 9:00 to Monday 6:00.
    assert "start 45 h later" in told
    assert "[hours]" not in told


def test_inspections_are_pulled_out_of_the_weekend_where_working_hours_say_so():
    told = ends_on_weekend(UTC_DAYS, 5 * DAY, MONDAY)
    assert 'working = ["08:00", "17:00"] in [hours] also pulls inspections' in told
    without = replace(UTC_DAYS, inspections=None)
    assert "inspections" not in ends_on_weekend(without, 5 * DAY, MONDAY)


def test_a_short_test_is_not_told_to_be_another():
    short = replace(UTC_DAYS, stages=tuple(replace_run_out(PLAN.stages, 20_000)))
    told = ends_on_weekend(short, 30_000.0, MONDAY + timedelta(days=5))
    assert "later to end on Monday" in told
    assert "run_out" not in told


def replace_run_out(stages, run_out: int):
    for stage in stages:
        yield replace(stage, run_out=run_out) if hasattr(stage, "run_out") else stage
