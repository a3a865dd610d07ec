"""A recording on the screen of a run: nobody takes it for the running test, and its keys."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.playing import LEAVE, PAUSE, STEP, Playhead, play
from rig.monitor.screen import screen_text
from rig.monitor.view import Playing, View
from rig.record.entries import Event
from tests.monitor.views import VIEWS

HOUR = 3600.0
CALLS = ("COME", "STAY OUT", "NOTHING TO DO", "ask it", "Ctrl-C", "NO NEW DATA", "today", "now ")


def played(view: View, playing: Playing) -> View:
    """A view as the player makes it: nothing of it happens now."""
    status = replace(view.status, live=False, stamp="", asks="", troubles=(), on_call="")
    return replace(view, status=status, playing=playing, alive=True)


@pytest.mark.parametrize(
    "size",
    [
        (80, 24),
        (20, 4),
        *(pytest.param(s, marks=pytest.mark.nights) for s in ((120, 40), (60, 15), (40, 9))),
    ],
)
@pytest.mark.parametrize("name", VIEWS)
def test_a_recording_says_so_and_calls_nobody(name, size):
    width, height = size
    view = played(VIEWS[name], Playing(12 * HOUR, 100.0))
    text = screen_text(view, width, height, ascii_only=False)
    assert "RECORDING" in "\n".join(text.splitlines()[:2])
    happened = {event.text for event in view.events}
    shown = [line for line in text.splitlines() if not any(t[:20] in line for t in happened)]
    # What was written down then may say anything; the screen itself calls nobody.
    for word in CALLS:
        assert not any(line.startswith((word, f" {word}", f"> {word}")) for line in shown)


@pytest.mark.parametrize("size", [(120, 40), (80, 24), (80, 12)])
def test_it_says_where_it_stands_and_which_keys_there_are(size):
    view = played(VIEWS["cycling"], Playing(12 * HOUR, 100.0))
    text = screen_text(view, *size, ascii_only=False, hint="space pauses, n goes on, q leaves")
    assert "6 h of 12 h = 50.0 %" in text
    assert "keys       space pauses, n goes on, q leaves" in text
    assert "100 times as fast as recorded" in text
    stands = replace(view, playing=Playing(12 * HOUR, 100.0, paused=True))
    assert "PAUSED" in screen_text(stands, *size, ascii_only=False)
    over = replace(view, playing=Playing(6 * HOUR, math.inf))
    assert "at its end" in screen_text(over, *size, ascii_only=False)


def test_times_are_those_of_then(monkeypatch):
    view = played(VIEWS["cycling"], Playing(12 * HOUR, 1.0))
    line = screen_text(view, 100, 30, ascii_only=False).splitlines()[0]
    assert line.endswith("Wed 25 Nov 2026 03:10:11 as recorded")


class Film:
    """An hour with an event every ten minutes; it is asked forward only."""

    def __init__(self) -> None:
        self.end = HOUR
        self.asked: list[float] = []
        self.events = [Event(t * 600.0, 0, "note", f"event {t}") for t in range(1, 7)]

    def next_event(self, time: float) -> float | None:
        return next((e.time for e in self.events if e.time > time), None)

    def view(self, time: float, playing: Playing) -> View:
        assert not self.asked or time >= self.asked[-1]
        self.asked.append(time)
        view = played(VIEWS["cycling"], playing)
        events = tuple(e for e in self.events if e.time <= time)
        return replace(view, events=events, status=replace(view.status, time=time))


class Hands:
    """Real time that passes by pauses alone, and keys at its moments [s]."""

    def __init__(self, **keys: float) -> None:
        self.now = 0.0

    def pause(self, seconds: float) -> None:
        self.now += seconds

    def seconds(self) -> float:
        return self.now


@pytest.mark.parametrize("speed", [100.0, 7.0, math.inf])
def test_without_a_terminal_there_are_plain_lines_up_to_the_end(speed):
    film, hands, stream = Film(), Hands(), io.StringIO()
    came = play(
        film,
        speed,
        lambda: False,
        pause=hands.pause,
        keys=str,
        stream=stream,
        seconds=hands.seconds,
    )
    assert came
    lines = stream.getvalue().splitlines()
    assert [line for line in lines if "event" in line and "note" in line] == [
        line for line in lines if line.endswith(tuple(f"event {t}" for t in range(1, 7)))
    ]
    assert sum("note" in line for line in lines) == 6
    assert lines[0].startswith("P-12")
    assert "[RECORDING]" in lines[0]
    assert lines[-1].startswith("RECORDING, NOT A RUNNING TEST")
    assert hands.now == pytest.approx(0.0 if math.isinf(speed) else HOUR / speed, abs=1.1)


def test_whoever_leaves_has_not_come_to_its_end():
    film, hands = Film(), Hands()
    left = play(
        film,
        100.0,
        lambda: hands.now > 5.0,
        pause=hands.pause,
        keys=str,
        stream=io.StringIO(),
        seconds=hands.seconds,
    )
    assert not left
    assert film.asked[-1] == pytest.approx(600.0, abs=150.0)


@given(
    speed=st.one_of(st.floats(1e-3, 1e6), st.just(math.inf)),
    acts=st.lists(st.one_of(st.floats(0.0, 60.0), st.sampled_from([PAUSE, STEP, LEAVE, "x"]))),
)
def test_a_recording_only_goes_forward_and_stands_while_it_is_paused(speed, acts):
    film, now = Film(), 0.0
    head = Playhead(film.end, speed, now)
    for act in acts:
        before, paused = head.time, head.paused
        if isinstance(act, str):
            head.key(act, film.next_event)
            if act == STEP and before < film.end:
                assert head.time == film.next_event(before)
            else:
                assert head.time == before
            assert head.paused == (paused != (act == PAUSE))
        else:
            now += act
            head.advance(now)
            if paused:
                assert head.time == before
            elif not math.isinf(speed):
                assert head.time == pytest.approx(min(before + act * speed, film.end))
        assert before <= head.time <= film.end
