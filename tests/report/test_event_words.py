"""Facts that the record keeps in words alone: what is looked for in them is what is written there.

Each pattern of the report is held against the part of the program that writes the words, so that
words cannot change on one side alone. Where they are written in the middle of a long task the text
of its module is searched.
"""

from __future__ import annotations

import inspect
import math

import numpy as np
import pytest

from rig.control import cyclic_stage, pump_switch, standing, taking_up, water
from rig.control.book import Book
from rig.control.slow_cycle import reopening_words
from rig.control.slow_stages import ramp
from rig.control.states import PAUSE_CAUSES, TABLE
from rig.control.water_account import DryTime, Totals
from rig.criteria import confirming, forecast, load
from rig.mechanics.reopening import Reopening
from rig.record.reasons import UNLOADED, ultimate_of
from rig.report import event_words as words
from tests.control.test_spray import FLOW, schedule, walk
from tests.criteria.test_outcome import collapse, name
from tests.criteria.test_ultimate import ended, loading
from tests.report import run_records as records


def test_the_ultimate_load_and_the_deflection_named_with_it():
    fall = np.concatenate((loading(), np.linspace(20e3, 15.9e3, 400), np.full(1000, 15.9e3)))
    end = ended(fall)
    assert ultimate_of(end.text) == pytest.approx((end.peak_load, end.peak_deflection), rel=1e-3)
    earlier = (
        f"{end.text}; before it was cut off it had held 25.00 kN at 4.10 mm: that is its ultimate "
        "load"
    )
    assert ultimate_of(earlier) == pytest.approx((25e3, 4.1e-3))
    assert "before it was cut off it had held {" in inspect.getsource(ramp)
    assert ultimate_of("stopped by A. Name") is None
    load_alone = ultimate_of("it had held 7 kN")
    assert load_alone is not None
    assert math.isnan(load_alone[1])


def test_what_a_static_check_tells():
    found = Reopening(load=51e3, low=50.5e3, high=51.5e3, below=250e6, above=75e6, residual=0.0)
    text = reopening_words(found, records.plan().specimen)
    told, ends = words.PRESTRESS.search(text), words.INTERVAL.search(text)
    assert told
    assert ends
    assert 1000 < float(told[1].replace(",", "")) < 1500  # MPa: that of the shipped strand
    assert [float(end) for end in ends.groups()] == [50.5, 51.5]


def test_what_a_forecast_tells():
    text = forecast._words(forecast.Forecast(10, 8e4, 9.5e4, 1.2e6, ""), 7e4)
    found = words.FORETOLD.search(text)
    assert found
    assert found.groups() == ("95,000", "80,000", "1,200,000")


def test_a_missed_period_and_flow_that_did_not_come():
    _, steps, _ = walk(schedule(), lambda _: 0.0, until=2_500_000 + 900_000)
    told = [done.event for done in steps if done.event]
    assert [text.startswith(words.MISSED) for text in told].count(True) == 1
    assert sum(text.startswith(words.WATER_TROUBLE) for text in told) == 2  # its retries
    _, steps, _ = walk(schedule(), lambda at: FLOW if at < 2_511_000 else 0.0, until=2_700_000)
    assert any((done.event or "").startswith(words.WATER_TROUBLE) for done in steps)


class Told:
    """A book that keeps what it is told."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def event(self, _kind: str, text: str) -> None:
        self.texts.append(text)


def test_dry_spells_and_the_sum_of_water():
    book = Told()
    dry = DryTime(7200.0, 1000.0, book, never=False)
    dry.since = 0
    dry.look(7_300_000)
    dry.end(9_000_000, "wet again")
    begun, over = book.texts
    assert words.WAS_DRY.match(begun) is None
    found = words.WAS_DRY.match(over)
    assert found
    assert float(found[1]) == 2.5
    assert Totals().words(0, 1000.0).startswith(words.WATER_SUM)


def test_a_failure_that_a_limit_found_first():
    outcome, why = name(*collapse(), at=180)
    assert outcome == "failure"
    assert words.TRIPPED in why


def test_states_begin_as_the_table_has_them():
    assert '{state}, {cause}: {why}"' in inspect.getsource(Book.enter)
    causes = {cause for cause in PAUSE_CAUSES if cause != "pause"}
    assert {f"pausing, {cause}" for cause in causes} == set(words.FOUND)
    assert words.UNATTENDED in words.FOUND
    steps = {(row.state, row.cause): row.to for row in TABLE}
    assert f"{steps['waiting', 'wait over']}, wait over" == words.NOBODY_CAME
    assert words.STOPPING in {row.to for row in TABLE}
    assert f"{steps['paused', 'continue']}, continue" == words.LET_GO_ON[0]
    assert f"{steps['unloaded', 'long dry']}, long dry" == words.LET_GO_ON[1]


@pytest.mark.parametrize(
    ("where", "written"),
    [
        (load, f"upper {words.SHORT} in"),
        (cyclic_stage, f"nobody answers in a rehearsal, {words.GOES_ON}"),
        (taking_up, 'f"{lost} cycles run and not recorded, '),
        (taking_up, 'f"about {most} cycles run and not recorded '),
        (confirming, f'return "{words.UNCONFIRMED}"'),
        (standing, 'book.enter("starting", cause, why)'),
        (standing, 'enter("re-wetting", "long dry", '),
        (standing, 'else "unloaded") + station.wetness()'),
        (Book, f'f"{words.MOVED}'),
        (Book, 'f"{why}; {how}"'),
        (pump_switch, f"{words.WATER_TROUBLE[2]}does not answer"),
        (water, f"{words.WATER_TROUBLE[3]}: "),
    ],
)
def test_words_that_are_written_in_the_middle_of_a_task(where, written):
    assert written in inspect.getsource(where)


def test_an_unloaded_interruption_is_told_from_one_that_unloads_later():
    assert UNLOADED.search("pause: by A. Name; unloaded, dry for 6 min; ended: by A. Name")
    assert not UNLOADED.search("pause: unloads in 30 min; 9.2 kN held; ended: by A. Name")


def test_cycles_that_are_not_counted_are_told_from_none():
    told = "301 cycles run and not recorded, by its counter; its own stop is among them"
    assert words.UNRECORDED.match(told)
    assert words.UNRECORDED.match("about 12 cycles run and not recorded at the most: its counter")
    assert not words.UNRECORDED.match("0 cycles run and not recorded, by its counter")
    assert words.UNRECORDED.match("10 cycles run and not recorded, by its counter")
