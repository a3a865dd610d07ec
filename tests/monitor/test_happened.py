"""Each event says what happened in words that need no manual."""

from dataclasses import replace

import pytest

from rig.control.line_watch import line_words
from rig.monitor.glyphs import glyphs
from rig.monitor.happened import event_words, happened, worth_telling
from rig.monitor.lines import PlainLines
from rig.ports import LineReport
from rig.record.entries import Event
from tests.monitor.views import VIEWS

HELD = "unless a note, a pause, the button or the guard holds it"


@pytest.mark.parametrize(
    ("text", "state", "said"),
    [
        ("starting, start: Prism P-01", "starting", "the test begins: Prism P-01"),
        ("starting, start: taken up again: it was gone", "starting", "taken up again"),
        ("starting, confirm: confirmed by A. Name", "starting", "confirmed by A. Name"),
        ("starting, wait over: nobody came", "starting", "goes on by itself: nobody came"),
        ("starting, continue: by root", "starting", "continued by root"),
        ("starting, wetted: by root", "starting", "wet enough, goes on"),
        ("approach, stage: approach", "approach", "towards the specimen"),
        ("approach, stage: contact again", "approach", "towards the specimen: contact again"),
        ("static, stage: pre-crack", "static", "stage begins: pre-crack"),
        ("build-up, stage", "build-up", "the amplitude grows"),
        (
            "cycling, range reached: counts from cycle 101",
            "cycling",
            "loads reached, counts from cycle 101",
        ),
        ("inspection, count: cycle 100", "inspection", "begins at cycle 100"),
        ("inspection, go on: cycle 100", "inspection", "goes on at cycle 100"),
        (
            "inspection, go on: it was cut off: made again",
            "inspection",
            "it was cut off: made again",
        ),
        ("inspection, go on: goes on", "inspection", "goes on"),
        ("static, stage: goes on", "static", "goes on"),
        (f"waiting, checked: goes on by itself {HELD}", "waiting", f"goes on by itself {HELD}"),
        ("locked, people: guard open", "locked", "held for people: guard open"),
        ("locked, pause: by root, a look", "locked", "held by root: a look"),
        ("pausing, pause: by root, look", "pausing", "paused by root: look"),
        ("paused, at rest", "paused", "stands still, power kept"),
        ("unloading, wait over: nobody came", "unloading", "unloads by itself: nobody came"),
        ("unloading, unload: by root", "unloading", "unloaded by root"),
        ("unloaded, unloaded", "unloaded", "specimen free, pressure off"),
        ("stopping, limit: load too high", "stopping", "load too high"),
        ("a state, nobody knows", "a state", "nobody knows"),
    ],
)
def test_a_new_state_says_what_happened(text, state, said):
    assert event_words(Event(0.0, 0, "state", text)) == (state, said)


def test_a_result_is_told_from_the_begin_of_its_stage():
    begins = event_words(Event(0.0, 0, "state", "static, stage: pre-crack"))
    result = event_words(Event(0.0, 0, "static", "pre-crack 1: stiffness 21.56 kN/mm"))
    assert begins[0] != result[0]
    assert result == ("slow cycle", "pre-crack 1: stiffness 21.56 kN/mm")


def test_why_a_test_was_taken_up_is_told():
    resumed = Event(0.0, 0, "resume", "its program was gone while cycling")
    assert event_words(resumed) == ("taken up", "its program was gone while cycling")


def test_a_kind_is_not_said_twice():
    water = Event(0.0, 0, "water", "water: 90 s wet, 2.2 L, no period missed")
    assert event_words(water) == ("water", "90 s wet, 2.2 L, no period missed")
    baseline = Event(0.0, 0, "baseline", "baseline over 41 cycles: stiffness 28.742 kN/mm")
    assert event_words(baseline) == ("baseline", "over 41 cycles: stiffness 28.742 kN/mm")


BY_ID = "/dev/serial/by-id/usb-A_Converter_0001-if00-port0"
SOUND = LineReport("servo", BY_ID, "controller", "a controller, 1", 7, round_trip=(0.01, 0.02))


def test_the_path_of_a_line_leaves_its_room_to_what_happened():
    told = Event(0.0, 0, "line", f'port "servo" ({BY_ID}): answers: 3 did not come (late)')
    assert event_words(told) == ("line", 'port "servo": answers: 3 did not come (late)')


def test_a_line_on_which_all_is_well_is_not_told_to_who_looks_on():
    assert not worth_telling(Event(0.0, 0, "line", line_words(SOUND)))
    lost = replace(SOUND, trouble="nothing answers", remedy="is it switched on?")
    said = Event(0.0, 0, "line", line_words(lost))
    assert worth_telling(said)
    assert event_words(said)[1].startswith("servo (controller): a controller, 1; 7 good")
    assert event_words(said)[1].endswith("trouble: nothing answers; is it switched on?")


def test_other_events_are_told():
    assert worth_telling(Event(0.0, 0, "note", "7 good, 0 bad, 0 dropped"))
    assert worth_telling(Event(0.0, 0, "line", 'port "servo" (/dev/ttyS0): is open again'))


def test_reports_of_lines_take_no_room_from_what_happened():
    stage = Event(1.0, 0, "note", "seen by nobody else")
    reports = tuple(Event(2.0, 0, "line", line_words(SOUND)) for _ in range(8))
    view = replace(VIEWS["cycling"], events=(stage, *reports))
    shown = [line.plain for line in happened(view, 80, 4, glyphs(ascii_only=False))]
    assert len(shown) == 1
    assert "seen by nobody else" in shown[0]
    news = PlainLines(glyphs(ascii_only=False)).news(view, 0.0)
    assert not any("good, 0 bad" in line for line in news)
