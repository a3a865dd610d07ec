"""Each event says what happened in words that need no manual."""

import pytest

from rig.monitor.happened import event_words
from rig.record.entries import Event

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
