"""Whole rehearsals foretell their end: written down, by the clock, and after a cut the same."""

from __future__ import annotations

import math

import pytest

from rig.assembly import rehearse
from rig.control.foretold import as_shown
from rig.criteria.forecast import Forecast
from rig.protocol.estimate import cycling_seconds
from rig.record import read_journal
from tests.control.night import walk
from tests.control.taken import cut_off, point_of, taken_up
from tests.control.test_rehearsal import BRISK, SHORT, assert_blocks_do_not_matter, events_of

SCALED = {r"^\[simulation\].*$": "[simulation]\nlife_scale = 0.006"}
"""Submerged specimens that fail after some 3,000 cycles."""


@pytest.fixture
def plan(plan_of):
    return plan_of("submerged-prism", {**SHORT, **BRISK}, SCALED)


def foretold(events):
    return [(cycle, text) for cycle, kind, text in events if kind == "forecast"]


@pytest.mark.nights
def test_an_end_is_foretold_written_down_and_comes(plan, tmp_path):
    result = rehearse(plan, tmp_path / "run", 1)
    assert result.outcome == "failure"
    [first, *others] = foretold(events_of(result.run))
    cycle, text = first
    assert cycle < 0.7 * result.cycles
    median = float(text.partition("cycle ")[2].partition(", with")[0].replace(",", ""))
    # Of so short a life: creep, which fades with the logarithm of time, still bends it as much.
    assert result.cycles / 1.5 < median < 1.5 * result.cycles
    assert all("expected" in text or "any more" in text for _, text in others)
    with read_journal(tmp_path / "run") as journal:
        assert journal.status is not None


@pytest.mark.endurance
def test_blocks_do_not_matter_to_what_is_foretold(plan, tmp_path):
    assert_blocks_do_not_matter(plan, tmp_path, 1)
    assert foretold(events_of(tmp_path / "short" / "run.h5"))


@pytest.mark.endurance
def test_a_test_taken_up_again_goes_on_with_its_forecast(plan, tmp_path):
    whole = walk(plan, tmp_path / "whole")
    [(shown, _), *_] = told_in(whole)
    period = round(plan.rig.rate / plan.loading.frequency)
    night = cut_off(plan, tmp_path / "cut", whole.entered("cycling", 1) + (shown + 60) * period)
    [known] = told_in(night)
    before = point_of(night)["cycling"]["forecast"]
    assert before["newest"][4] == ""
    goes_on = taken_up(plan, tmp_path / "on", night)
    # It is not told anew: what was gathered before the cut is still known.
    assert told_in(goes_on)[0] == known
    assert all("expected" not in text for _, text in told_in(goes_on)[1:])
    after = point_of(goes_on)["cycling"]["forecast"]
    assert after["base"] == before["base"]
    assert after["points"]["done"][0][0] == before["points"]["done"][0][0]


def told_in(night):
    with read_journal(night.folder) as journal:
        events = journal.newest_events(500)
    return [(event.cycle, event.text) for event in events if event.kind == "forecast"]


def test_times_hold_the_inspections_on_the_way(plan_of):
    plan = plan_of("overnight-wet-prism")
    told = as_shown(plan, Forecast(60_000, 90_000.0, 100_000.5, 110_000.0, ""), 60_000, True)
    bare = 30_000 / plan.loading.frequency
    assert told.soonest == pytest.approx(bare)
    stands = cycling_seconds(plan, plan.cyclic, 99_999, 100_001) - 2 / plan.loading.frequency
    assert stands > plan.inspections.go_on_after
    assert told.latest == pytest.approx(50_000 / plan.loading.frequency + stands)
    assert not told.waits


def test_a_rig_that_stands_knows_no_time_and_people_take_theirs(plan_of):
    plan = plan_of("overnight-wet-prism", {r"^go_on_after = .*$": 'go_on_after = "never"'})
    newest = Forecast(60_000, 90_000.0, 100_000.5, 110_000.0, "")
    told = as_shown(plan, newest, 60_000, False)
    assert (math.isnan(told.soonest), math.isnan(told.latest), told.waits) == (True, True, True)
    assert as_shown(plan, newest, 105_000, True).soonest == 0.0
    assert not as_shown(plan, newest, 105_000, True).waits


def test_silence_is_shown_with_its_reason(plan_of):
    assert as_shown(plan_of("dry-short"), Forecast(9, why="so"), 10, True).why == "so"
