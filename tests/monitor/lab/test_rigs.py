"""What is kept of rigs: who is silent since when, whose word counts, and that it stays small."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.lab import rigs
from rig.monitor.lab.need import SILENT, Judged, Need, judge, judged
from rig.monitor.looks import Numbered
from rig.monitor.mqtt import messages
from rig.record.entries import Event
from tests.monitor.lab.hall import Hall, specimen
from tests.monitor.mqtt.seconds import one_second
from tests.monitor.night_12 import NOW, with_status
from tests.monitor.views import VIEWS

CYCLING = VIEWS["cycling"]


def found(hall: Hall, name: str = "frame-1", passed: float = 0.0) -> Judged:
    return judge(hall.told(name), hall.view(passed))


@pytest.mark.parametrize(
    ("name", "need"),
    [
        ("cycling", Need.WELL),
        ("wet", Need.WELL),
        ("warned", Need.LOOK),
        ("static", Need.LOOK),
        ("gone", Need.COME),
        ("paused", Need.COME),
        ("failure", Need.ENDED),
        ("run_out", Need.ENDED),
        ("limit", Need.LOOK),
        ("not_off", Need.COME),
    ],
)
def test_each_rig_needs_what_its_own_screen_says(name, need):
    hall = Hall()
    hall.tell("frame-1", VIEWS[name])
    assert found(hall).need is need


def test_a_rig_is_silent_from_its_last_word_on_and_well_again_with_the_next():
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    assert found(hall, passed=SILENT - 1).need is Need.WELL
    quiet = found(hall, passed=SILENT + 1)
    assert (quiet.need, quiet.since, quiet.silent) == (Need.SILENT, NOW, SILENT + 1)
    cycles = messages.as_payload(messages.cycles(CYCLING, one_second(CYCLING)))
    hall.send("frame-1", "cycles", cycles, SILENT + 2)
    assert found(hall, passed=SILENT + 3).need is Need.WELL


def test_a_rig_whose_connection_broke_is_silent_at_once():
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    hall.leave("frame-1", CYCLING, "lost", 2.0)
    quiet = found(hall, passed=2.5)
    assert (quiet.need, quiet.since) == (Need.SILENT, NOW)
    assert "the broker has lost it" in quiet.why[0]


@pytest.mark.parametrize("cause", ["lost", "left", "ended"])
def test_who_leaves_without_an_end_is_silent_and_who_has_ended_is_not(cause):
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    hall.tell("frame-2", VIEWS["failure"])
    for name, view in (("frame-1", CYCLING), ("frame-2", VIEWS["failure"])):
        hall.leave(name, view, cause, 1.0)
    assert found(hall, "frame-1", 2.0).need is Need.SILENT
    ended = found(hall, "frame-2", 10 * 86400.0)
    assert (ended.need, ended.silent) == (Need.ENDED, 0.0)


def test_what_the_broker_kept_of_a_dead_rig_never_looks_healthy():
    hall = Hall()
    ago = timedelta(minutes=12)
    old = replace(
        with_status(CYCLING, stamp=(NOW - ago).isoformat(), calendar=(NOW - ago).isoformat()),
        now=NOW - ago,
    )
    hall.tell("frame-1", old, kept=True)
    quiet = found(hall)
    assert (quiet.need, quiet.since) == (Need.SILENT, NOW - ago)
    assert not hall.told("frame-1").live


def test_what_the_broker_kept_from_a_clock_that_is_ahead_grows_old_all_the_same():
    hall = Hall()
    ahead = NOW + timedelta(hours=3)
    fresh = with_status(CYCLING, stamp=ahead.isoformat(), calendar=ahead.isoformat())
    hall.tell("frame-1", replace(fresh, now=ahead), kept=True)
    assert found(hall).need is Need.WELL
    assert found(hall, passed=SILENT + 1).need is Need.SILENT


def test_who_is_there_and_tells_nothing_is_silent():
    hall = Hall()
    told = messages.presence(CYCLING.header, NOW, online=True, since=NOW, cause=None)
    hall.send("frame-1", "presence", messages.as_payload(told), kept=True)
    assert found(hall).need is Need.SILENT


def test_what_a_rig_needed_before_it_fell_silent_is_not_forgotten():
    hall = Hall()
    hall.tell("frame-1", VIEWS["paused"])
    quiet = found(hall, passed=60.0)
    assert quiet.need is Need.COME
    assert quiet.why[0].startswith("SILENT since today 03:10 (60 s)")
    assert "IT WAITS FOR YOU" in quiet.why[1]


def test_the_last_will_of_an_earlier_run_takes_nothing_away_from_a_later_one():
    hall = Hall()
    earlier, later = specimen(CYCLING, "P-1"), specimen(CYCLING, "P-2")
    hall.tell("frame-1", later)
    hours = timedelta(hours=1)
    told = messages.presence(earlier.header, NOW - hours, online=False, since=NOW, cause="lost")
    hall.send("frame-1", "presence", messages.as_payload(told), 1.0)
    assert found(hall, passed=2.0).need is Need.WELL


def test_what_is_kept_of_an_earlier_run_tells_nothing_of_this_one():
    hall = Hall()
    hall.tell("frame-1", specimen(VIEWS["failure"], "P-1"), kept=True)
    told = messages.presence(
        specimen(CYCLING, "P-2").header, NOW, online=True, since=NOW, cause=None
    )
    hall.send("frame-1", "presence", messages.as_payload(told), 1.0)
    rig = hall.told("frame-1")
    assert (rig.status, rig.end, rig.forecast) == (None, None, None)
    assert found(hall, passed=1.0).need is Need.SILENT
    hall.tell("frame-1", specimen(CYCLING, "P-2"), 2.0)
    assert found(hall, passed=2.0).need is Need.WELL


def test_two_runs_that_speak_under_one_name_are_told():
    hall = Hall()
    for passed in range(0, 20, 5):
        hall.tell("frame-1", specimen(CYCLING, "P-1"), passed)
        hall.tell("frame-1", specimen(CYCLING, "P-2"), passed + 1.0)
    both = found(hall, passed=17.0)
    assert both.need is Need.LOOK
    assert both.why[0].startswith("TWO RUNS SPEAK UNDER THIS NAME")


def test_a_run_that_follows_another_one_is_no_second_one():
    hall = Hall()
    hall.tell("frame-1", specimen(CYCLING, "P-1"))
    for passed in range(5, 20, 5):
        hall.tell("frame-1", specimen(CYCLING, "P-2"), passed)
    assert found(hall, passed=16.0).need is Need.WELL


def test_a_rig_of_another_version_is_shown_as_not_understood():
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    newer = json.dumps(messages.status(CYCLING, "hall", "frame-1") | {"v": 2}).encode()
    hall.send("frame-1", "status", newer, 5.0)
    assert found(hall, passed=6.0).need is Need.LOOK
    assert found(hall, passed=6.0).why[0].startswith("NOT UNDERSTOOD")
    assert (hall.rigs.not_understood, hall.rigs.newest_of_them[:16]) == (1, "frame-1/status: ")
    hall.tell("frame-1", CYCLING, 7.0)
    assert found(hall, passed=8.0).need is Need.WELL


def test_what_somebody_has_the_broker_forget_is_forgotten():
    hall = Hall()
    hall.tell("frame-1", VIEWS["failure"])
    hall.send("frame-1", "end", b"", 1.0)
    assert hall.told("frame-1").end is None
    for kind in ("presence", "status"):
        hall.send("frame-1", kind, b"", 1.0)
    assert hall.rigs.told == ()


def test_an_event_that_comes_twice_is_told_once():
    hall = Hall()
    for seq in (1, 2, 2, 1, 3):
        told = messages.event(CYCLING, Numbered(seq, Event(9.0, 0, "note", f"note {seq}")))
        hall.send("frame-1", "events", messages.as_payload(told))
        hall.send("frame-2", "events", messages.as_payload(told))
    assert [(n.rig, n.told.seq) for n in hall.rigs.news if n.rig == "frame-2"] == [
        ("frame-2", 1),
        ("frame-2", 2),
        ("frame-2", 3),
    ]


def test_more_rigs_than_have_room_are_counted_and_the_first_ones_stay(monkeypatch):
    monkeypatch.setattr(rigs, "MOST", 3)
    hall = Hall()
    for number in range(1, 6):
        hall.tell(f"frame-{number}", CYCLING)
    assert [rig.name for rig in hall.rigs.told] == ["frame-1", "frame-2", "frame-3"]
    assert hall.rigs.beyond > 0


@pytest.mark.parametrize(
    "topic",
    [
        "nightrig/v1/hall/frame-1/state",
        "nightrig/v1/hall/frame-1/requests",
        "nightrig/v1/hall/Frame-1/status",
        "nightrig/v1/hall/frame_1/status",
        "nightrig/v1/hall/-1/status",
        "nightrig/v1/hall//status",
        "nightrig/v1/other/frame-1/status",
        "nightrig/v2/hall/frame-1/status",
        "nightrig/v1/hall/frame-1/status/more",
        "nightrig/v1/hall/" + "f" * 33 + "/status",
        "\x1b]0;x\x07",
        "",
    ],
)
def test_a_topic_that_is_none_is_counted_and_makes_no_rig(topic):
    hall = Hall()
    told = messages.as_payload(messages.status(CYCLING, "hall", "frame-1"))
    hall.rigs.take(topic, told, hall.view().now, retained=False)
    assert (hall.rigs.not_understood, hall.rigs.told) == (1, ())
    assert hall.rigs.newest_of_them.isprintable()


def test_rigs_are_sorted_by_need_and_then_as_people_count():
    hall = Hall()
    for number in (10, 2, 1):
        hall.tell(f"frame-{number}", CYCLING)
    hall.tell("frame-20", VIEWS["gone"])
    hall.tell("frame-3", VIEWS["warned"])
    hall.tell("frame-12", VIEWS["static"])  # loud: stay out
    names = [one.rig.name for one in judged(hall.view())]
    assert names == ["frame-20", "frame-12", "frame-3", "frame-1", "frame-2", "frame-10"]


names = st.sampled_from(["frame-1", "a", "b9", "Bad", "x" * 40, ""]) | st.text(max_size=6)
kinds = st.sampled_from(
    ["presence", "status", "cycles", "events", "forecast", "end", "alerts", "x"]
)
some = [
    messages.as_payload(told)
    for view in (CYCLING, VIEWS["failure"], VIEWS["paused"])
    for told in (
        messages.status(view, "hall", "a"),
        messages.presence(view.header, NOW, online=False, since=NOW, cause="lost"),
        messages.event(view, Numbered(4, view.events[0])),
        messages.end(view) or {},
    )
]
payloads = st.sampled_from(some) | st.binary(max_size=40) | st.just(b"")


@given(st.lists(st.tuples(names, kinds, payloads, st.booleans()), max_size=40))
def test_whatever_arrives_in_whatever_order_every_rig_can_be_judged(arriving):
    hall = Hall()
    for passed, (name, kind, told, kept) in enumerate(arriving):
        hall.send(name, kind, told, float(passed), kept=kept)
        judged(hall.view(passed + 0.5))
    assert len(hall.rigs.news) <= 60
