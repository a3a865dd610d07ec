"""Plain lines where there is no terminal, and the state in one line."""

import contextlib
import io
import os
import time
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings

from rig.monitor.glyphs import ASCII, UTF8
from rig.monitor.lines import PlainLines, report_line
from rig.monitor.terminal import show
from rig.monitor.view import View
from rig.record.entries import Event
from tests.monitor.night_12 import NOW, and_events
from tests.monitor.test_screen import views
from tests.monitor.views import VIEWS

cycling = VIEWS["cycling"]
ON = Event(6 * 3600.0, 83_214, "water", "on")


def test_stale_data_counts_nothing_down():
    assert "next: inspection today 04:20 | data 2 min 10 s old" in report_line(VIEWS["old"])


def test_each_new_event_is_one_line_with_clock_time_kind_and_words():
    lines = PlainLines(UTF8)
    lines.news(cycling, 0.0)
    assert lines.news(and_events(cycling, ON), 1.0) == ["03:10:11  water       on"]
    assert lines.news(and_events(cycling, ON), 2.0) == []


def test_the_first_lines_say_which_run_and_in_which_zone_times_are():
    first = PlainLines(UTF8).news(VIEWS["simulated"], 0.0)[0]
    assert first == (
        "P-12 on frame 2, in runs/night-12 [SIMULATED]: Prism P-12 on a simulated rig (times: CET)"
    )
    assert "rehearsal calendar" in PlainLines(UTF8).news(VIEWS["rehearsal"], 0.0)[0]


def test_a_new_day_is_said_once():
    said = PlainLines(UTF8).news(cycling, 0.0)
    assert said.count("Tue 24 Nov 2026") == 1
    assert said.index("Tue 24 Nov 2026") < said.index("Wed 25 Nov 2026")


def status_lines(view: View, seconds: int) -> list[int]:
    lines = PlainLines(UTF8)
    return [s for s in range(seconds) if any(" | " in line for line in lines.news(view, float(s)))]


def test_a_run_tells_its_state_every_ten_seconds_at_first_and_every_minute_later():
    assert status_lines(cycling, 200) == [0, 10, 20, 30, 40, 50, 60, 120, 180]


def test_a_rehearsal_tells_its_state_every_ten_seconds():
    assert status_lines(VIEWS["rehearsal"], 100) == list(range(0, 100, 10))


def test_more_events_than_anybody_reads_are_counted_not_listed():
    lines = PlainLines(UTF8)
    lines.news(cycling, 0.0)
    many = and_events(cycling, *(replace(ON, cycle=i) for i in range(40)))
    said = lines.news(many, 1.0)
    assert said[0].strip() == "(28 or more before these)"
    assert len(said) == 13


def test_one_line_tells_the_whole_state():
    assert report_line(cycling) == (
        "NOTHING TO DO | cycling | 83,214 of 11,000,000 cycles, 0.8 % | "
        "stiffness 1.1 % below baseline | next: inspection in 70 min"
    )
    assert report_line(VIEWS["run_out"]) == (
        "ENDED: RUN-OUT | 11,000,000 cycles | no failure in 11,000,000 cycles"
    )
    assert report_line(VIEWS["locked"]).startswith(
        "COME: IT WAITS FOR YOU | the guard was opened; held for people at the rig | locked"
    )


@settings(max_examples=25)
@given(views)
def test_lines_hold_no_control_characters_and_ascii_where_asked(view):
    for line in PlainLines(ASCII).news(view, 0.0):
        assert line.isascii()
        assert line.isprintable()
    assert report_line(view).isprintable()


def test_without_a_terminal_a_run_is_followed_in_lines_until_its_end():
    looks = iter([cycling, and_events(cycling, ON), VIEWS["failure"]])
    out = io.StringIO()
    clock = iter(range(0, 100, 2))
    view = show(
        lambda: next(looks),
        lambda: False,
        pause=lambda _: None,
        stream=out,
        hint="",
        seconds=lambda: float(next(clock)),
    )
    assert view is VIEWS["failure"]
    assert out.getvalue().count("water       on") == 1
    assert out.getvalue().splitlines()[-1].startswith("ENDED: FAILURE | 87,212 cycles")


def test_whoever_leaves_ends_it_and_gets_the_last_view():
    waited = []
    later = replace(cycling, now=NOW + timedelta(seconds=1))
    view = show(
        lambda: later, lambda: bool(waited), pause=waited.append, stream=io.StringIO(), hint=""
    )
    assert view is later
    assert len(waited) == 1


@pytest.mark.parametrize("during", ["the wait", "the look"])
def test_a_rehearsal_that_is_over_is_told_to_its_end(during):
    over: list[float] = []
    out = io.StringIO()

    def look() -> View:
        view = VIEWS["failure"] if over else VIEWS["rehearsal"]
        if during == "the look":
            over.append(0.0)
        return view

    view = show(
        look,
        lambda: bool(over),
        pause=over.append,
        stream=out,
        hint="",
        seconds=lambda: 0.0,
    )
    assert view is VIEWS["failure"]
    assert out.getvalue().splitlines()[-1].startswith("ENDED: FAILURE | 87,212 cycles")


class Closed(io.StringIO):
    def write(self, _text: str) -> int:
        raise BrokenPipeError


def test_a_closed_pipe_ends_it_quietly():
    view = show(lambda: cycling, lambda: False, pause=lambda _: None, stream=Closed(), hint="")
    assert view is cycling


def test_a_pipe_that_nobody_empties_holds_back_only_until_somebody_leaves():
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(writer, bytes(4096)):
            pass
    os.set_blocking(writer, True)
    asked: list[bool] = []

    def leaving() -> bool:
        asked.append(True)
        return len(asked) > 2

    # The reading side is closed first: what is left in a buffer could never be written.
    with os.fdopen(writer, "w") as stream, os.fdopen(reader):
        view = show(lambda: cycling, leaving, pause=lambda _: None, stream=stream, hint="")
    assert view is cycling


def test_a_program_counts_as_gone_only_if_it_is_at_a_look_a_second_later_as_well():
    gone = replace(cycling, alive=False)
    looks = iter([gone, cycling, cycling, gone, gone])
    seconds = iter(range(5))
    out = io.StringIO()
    view = show(
        lambda: next(looks),
        lambda: False,
        pause=lambda _: None,
        stream=out,
        hint="",
        seconds=lambda: float(next(seconds)),
    )
    assert view is gone
    assert next(looks, None) is None
    assert out.getvalue().count("ITS PROGRAM IS GONE") == 1


def test_a_zone_that_no_clock_has_is_read_as_utc(monkeypatch):
    # POSIX lets TZ be up to 167 hours off as here, Python's datetime less than 24.
    monkeypatch.setenv("TZ", "XYZ-99")
    time.tzset()
    view = replace(cycling, zone=None)
    said = PlainLines(UTF8).news(view, 0.0)
    monkeypatch.undo()
    time.tzset()
    assert view.local(NOW) == NOW
    assert any("(times: UTC)" in line for line in said)


@pytest.mark.parametrize(("age", "told"), [(4.0, False), (6.0, True), (29.0, True)])
def test_the_age_of_data_is_told_from_five_seconds_on(age, told):
    view = replace(cycling, now=NOW + timedelta(seconds=age) - timedelta(seconds=cycling.age))
    assert (f"data {age:.0f} s old" in report_line(view)) is told
