"""A lab without a terminal: lines of what changes, and one object for other programs."""

import io
import json
from dataclasses import replace
from datetime import timedelta

from rig.monitor.glyphs import glyphs
from rig.monitor.lab.lines import SETTLES, LabLines
from rig.monitor.lab.showing import show_lab
from rig.monitor.lab.values import lab_values
from rig.monitor.lab.view import LabView
from rig.monitor.looks import Numbered
from rig.monitor.mqtt import messages
from rig.record.entries import Event
from rig.record.status import Foreseen
from tests.monitor.lab.hall import Hall, specimen
from tests.monitor.night_12 import NOW, with_status
from tests.monitor.views import VIEWS

CYCLING = VIEWS["cycling"]
SETTLED = SETTLES.total_seconds()


def a_pair() -> Hall:
    hall = Hall()
    hall.tell("frame-1", specimen(CYCLING, "P-1"))
    hall.tell("frame-2", specimen(VIEWS["paused"], "P-2"))
    return hall


def connected(hall: Hall, passed: float, since: float = 0.0) -> LabView:
    return hall.view(passed, since=NOW + timedelta(seconds=since))


def test_each_rig_is_told_once_and_then_only_what_changes():
    hall, lines = a_pair(), LabLines(glyphs(ascii_only=True))
    first = lines.news(connected(hall, 0.0))
    assert first == ["lab hall, broker mqtt.example:8883 (times: CET)"]
    told = lines.news(connected(hall, SETTLED))
    assert [line[:26] for line in told] == [
        "03:10:18  frame-2: COME | ",
        "03:10:18  frame-1: runs we",
        "03:10:18  lab hall: COME: ",
    ]
    assert told[1] == (
        "03:10:18  frame-1: runs well | P-1 | cycling | 83,214 of 11,000,000 cycles | "
        "end Sat 26 Dec 17:16 | water off"
    )
    hall.tell("frame-1", specimen(with_status(CYCLING, cycles=83_300), "P-1"), 8.0)
    assert lines.news(connected(hall, 9.0)) == []
    hall.tell("frame-1", specimen(VIEWS["failure"], "P-1"), 10.0)
    changed = lines.news(connected(hall, 11.0))
    assert [line[:28] for line in changed] == [
        "03:10:23  frame-1: ended | E",
        "03:10:23  lab hall: COME: 1 ",
    ]


def test_a_broker_that_goes_is_one_line_and_so_is_its_coming_back():
    hall, lines = a_pair(), LabLines(glyphs(ascii_only=True))
    lines.news(connected(hall, SETTLED))
    away = replace(connected(hall, 60.0, 7.0), connected=False, why="connection refused")
    assert lines.news(away) == ["03:11:12  BROKER AWAY: connection refused"]
    assert lines.news(replace(away, now=connected(hall, 3600.0).now)) == []
    back = connected(hall, 3601.0, 3600.0)
    assert lines.news(back) == ["04:10:13  broker is back"]
    hall.tell("frame-1", specimen(CYCLING, "P-1"), 3603.0)
    (silent,) = lines.news(connected(hall, 3600.0 + SETTLED, 3600.0))
    assert "frame-2: COME | SILENT since today 03:10" in silent


def test_a_rig_that_somebody_took_away_is_told():
    hall, lines = a_pair(), LabLines(glyphs(ascii_only=True))
    lines.news(connected(hall, SETTLED))
    for kind in ("presence", "status"):
        hall.send("frame-1", kind, b"", 8.0)
    told = lines.news(connected(hall, 9.0))
    assert told[0] == "03:10:21  frame-1: forgotten by the broker"


def test_a_new_trouble_is_a_line_of_its_own():
    hall, lines = a_pair(), LabLines(glyphs(ascii_only=True))
    lines.news(connected(hall, SETTLED))
    trouble = Numbered(7, Event(21_000.0, 0, "sensor", "mid-span is noisy"))
    status = messages.status(specimen(CYCLING, "P-1"), "hall", "frame-1", trouble)
    hall.send("frame-1", "status", messages.as_payload(status), 8.0)
    (told,) = lines.news(connected(hall, 9.0))
    assert told.endswith("last trouble today 03:00: mid-span is noisy")


def test_lines_are_printed_until_somebody_leaves():
    hall, stream, left = a_pair(), io.StringIO(), iter([False, False, True])
    views = iter([connected(hall, 0.0), connected(hall, SETTLED), connected(hall, SETTLED)])
    show_lab(
        lambda: next(views),
        lambda: next(left),
        pause=lambda _seconds: None,
        stream=stream,
        hint="",
    )
    assert len(stream.getvalue().splitlines()) == 4


def test_one_object_tells_all_with_units_in_the_names():
    hall = a_pair()
    soon = Foreseen(90_000, 120_000, 200_000, 9000.0, 40_000.0)
    hall.tell("frame-3", specimen(with_status(VIEWS["wet"], forecast=soon), "P-3"))
    hall.tell("frame-4", VIEWS["limit"])
    hall.send("frame-5", "status", b"{}")
    told = json.loads(json.dumps(lab_values(hall.view(30.0)), allow_nan=False))
    assert told["counts"] == {"come": 1, "look": 2, "silent": 2, "well": 0, "ended": 0}
    assert (told["lab"], told["not_understood"]) == ("hall", 1)
    assert told["broker"]["connected"] is True
    rigs = {rig["rig"]: rig for rig in told["rigs"]}
    three = rigs["frame-3"]
    assert (three["need"], three["silent_s"], three["specimen_id"]) == ("silent", 30.0, "P-3")
    assert three["silent_since_utc"] == "2026-11-25T02:10:12+00:00"
    assert (three["cycles"], three["run_out"]) == (83_214, 11_000_000)
    assert three["end_utc"].startswith("2026-12-26T16:16")
    assert three["forecast"]["soonest_utc"].startswith("2026-11-25T04:40")
    assert three["water"]["flow_m3_per_s"] == 1.48e-3 / 60
    assert three["load_max_N"] == 92_410.0
    assert (rigs["frame-4"]["outcome"], rigs["frame-4"]["forecast"]) == ("limit", None)
    assert (rigs["frame-5"]["state"], rigs["frame-5"]["water"]) == (None, None)
