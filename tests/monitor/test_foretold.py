"""What the screen says of the specimen's end: by the clock, or why nothing is foretold."""

import math
from dataclasses import replace

import pytest
from rich.cells import cell_len

from rig.monitor.foretold import failure
from rig.monitor.glyphs import glyphs
from rig.monitor.lines import report_line
from rig.monitor.terminal import screen_text
from rig.record.status import Foreseen
from tests.monitor.night_12 import HOUR, with_status
from tests.monitor.views import VIEWS

TOLD = Foreseen(96_000.0, 103_000.0, 110_000.0, 3550.0 + HOUR, 17_000.0)
SILENT = Foreseen(why="too wide an interval: what is left differs by a factor of 4.2")
SIZES = ((72, 22), (80, 24), (100, 30), (120, 40))


def line(told, width=80, **changed):
    [text] = failure(with_status(forecast=told, **changed), width, glyphs(ascii_only=False))
    assert cell_len(text.plain) <= width
    return text.plain


def test_an_end_is_told_by_the_clock_with_its_chance_and_its_cycles():
    view = with_status(forecast=TOLD)
    told = line(TOLD, 100)
    assert told == (
        f"failure    expected {view.moment(TOLD.soonest)} to {view.moment(TOLD.latest)} (80 %), "
        "cycle 96,000 to 110,000"
    )
    assert line(TOLD, 60) == told.partition(", cycle")[0]


def test_an_end_that_may_come_at_any_time_has_only_its_latest():
    view = with_status(forecast=TOLD)
    told = line(replace(TOLD, soonest=0.0))
    assert told.startswith(f"failure    expected any time until {view.moment(TOLD.latest)} (80 %)")


def test_a_rig_that_stands_foretells_cycles_alone():
    told = line(replace(TOLD, soonest=math.nan, latest=math.nan))
    assert told == "failure    expected at cycle 96,000 to 110,000 (80 %), once it cycles"


def test_an_inspection_that_waits_for_people_makes_it_later():
    assert "later by each wait for people" in line(replace(TOLD, waits=True), 100)


def test_silence_says_why_in_one_line():
    assert line(SILENT, 100).endswith(f"not foretold: {SILENT.why}")
    assert line(SILENT, 50).startswith("failure    not foretold: too wide an interval")


def test_silence_that_just_fits_is_not_cut():
    why = "too early: not yet in the middle of the life it expects"
    assert line(replace(SILENT, why=why), 80) == f"failure    not foretold: {why}"
    assert line(replace(SILENT, why=why), 79).endswith(" the life it …")


def test_a_column_says_in_two_lines_what_one_would_cut():
    signs = glyphs(ascii_only=False)
    silent = failure(with_status(forecast=SILENT), 57, signs, most=2)
    assert "".join(row.plain[11:] + " " for row in silent) == f"not foretold: {SILENT.why} "
    view = with_status(forecast=replace(TOLD, soonest=24 * HOUR, latest=25 * HOUR))
    first, second = failure(view, 57, signs, most=2)
    assert first.plain == line(view.status.forecast, 100).partition(" (80 %)")[0]
    assert second.plain == f"{' ' * 11}(80 %), cycle 96,000 to 110,000"
    assert all(cell_len(row.plain) <= 57 for row in (*silent, first, second))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("told", [TOLD, SILENT])
def test_it_stands_on_every_screen_that_has_room_for_a_stiffness(size, told):
    text = screen_text(with_status(forecast=told), *size, ascii_only=False)
    [found] = [row for row in text.splitlines() if "failure    " in row]
    assert ("expected" in found) is not told.why


@pytest.mark.parametrize("name", ["failure", "run_out", "gone"])
def test_nothing_is_foretold_of_a_test_that_is_over(name):
    view = VIEWS[name]
    view = replace(view, status=replace(view.status, forecast=TOLD))
    assert failure(view, 100, glyphs(ascii_only=False)) == []


def test_a_run_without_a_screen_tells_it_too():
    assert " | failure expected " in report_line(with_status(forecast=TOLD))
    assert "failure" not in report_line(with_status(forecast=SILENT))
