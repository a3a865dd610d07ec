"""What happened in a night, as a handover joins it: what belongs together, and since when."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.states import TABLE as ROWS
from rig.monitor.glyphs import UTF8
from rig.protocol.plan import Hours
from rig.record.status import Coming
from rig.report.handover.happening import Rank
from rig.report.handover.page import page
from rig.report.handover.plain import plain
from rig.report.handover.reading import Damage
from rig.report.handover.telling import hand_over, told_of
from tests.report import handover_nights as nights
from tests.report.handover_nights import alive, at, happened, shown

pytestmark = pytest.mark.usefixtures("seven_in_the_morning")

MISSED = f"spray period missed: {nights.NO_WATER}"
TRY = f"flow not confirmed: {nights.NO_WATER}; will try again"
JOINED = [
    (
        "a pause that somebody asked for, and what they asked, in one",
        [
            (601.0, "request", "pause by A. Name: look at the noise"),
            (601.1, "state", "pausing, pause: by A. Name, look at the noise"),
            (602.0, "state", "paused, at rest"),
            (630.0, "request", "continue by A. Name"),
            (630.1, "state", "starting, continue: by A. Name"),
            (640.0, "state", "build-up, stage"),
        ],
        [("pause", 1, "29 s, continued by A. Name; paused by A. Name: look at the noise")],
    ),
    (
        "a pause that still stands",
        [
            (640.0, "state", "pausing, finding: midspan is flat"),
            (641.0, "state", "paused, at rest"),
        ],
        [("pause", 1, "for 20 s so far; it found something: midspan is flat")],
    ),
    (
        "what is refused stays a request",
        [(620.0, "request", "continue by A. Name refused: quiet hours")],
        [("request", 1, "continue by A. Name refused: quiet hours")],
    ),
    (
        "tries of a missed period belong to it, others do not",
        [
            (605.0, "water", TRY),
            (606.0, "water", TRY),
            (607.0, "water", MISSED),
            (650.0, "water", TRY),
        ],
        [("water", 1, MISSED), ("water", 1, TRY)],
    ),
    (
        "alike ones are counted, other words are not alike",
        [(600.0 + n, "sensor", f"midspan: {n} spikes in 60 s") for n in range(1, 13)]
        + [(630.0, "sensor", "support_left: 2 spikes in 60 s")],
        [
            ("sensor", 12, "midspan: 12 spikes in 60 s"),
            ("sensor", 1, "support_left: 2 spikes in 60 s"),
        ],
    ),
    (
        "what a pause was for is told with it",
        [
            (620.0, "sensor", "midspan stays the same for 125 samples"),
            (620.1, "state", "pausing, finding: midspan stays the same for 125 samples"),
            (630.0, "state", "unloading, wait over: nobody came"),
            (650.0, "request", "stop by A. Name: enough"),
            (650.1, "state", "stopping, operator: stopped by A. Name: enough"),
            (655.0, "state", "stopped, stopped: operator: stopped by A. Name: enough"),
        ],
        [
            ("end", 1, "operator: stopped by A. Name: enough"),
            (
                "pause",
                1,
                "30 s, then it was stopped; it found something: midspan stays the same for 125 "
                "samples; unloaded by itself, nobody came",
            ),
        ],
    ),
    (
        "a test that was taken up did not begin anew",
        [
            (610.0, "state", "pausing, pause: by A. Name, a look"),
            (630.0, "resume", "its program was gone (killed) while paused"),
            (630.0, "resume", "4 cycles run and not recorded, by its counter"),
            (
                630.0,
                "state",
                "starting, start: taken up again: its program was gone (killed) while paused",
            ),
        ],
        [
            ("pause", 1, "20 s, then its program was gone; paused by A. Name: a look"),
            ("taken up", 1, "15 s: its program was gone (killed) while paused"),
            ("taken up", 1, "4 cycles run and not recorded, by its counter"),
        ],
    ),
    (
        "what is alert only says so",
        [(620.0, "stiffness-loss", "would have stopped the test as failure: stiffness low")],
        [("stiffness", 1, "alert only: would have stopped the test as failure: stiffness low")],
    ),
    (
        "the gravest first, whatever the time",
        [
            (605.0, "correction", "upper load corrected"),
            (606.0, "request", "stop by somebody refused: not while idle"),
            (607.0, "sensor", "midspan is flat"),
            (608.0, "pressure", "NOT confirmed off: do not go near"),
            (609.0, "forecast", "failure expected at cycle 9, with 80 % between 8 and 10"),
        ],
        [
            ("pressure", 1, "NOT confirmed off: do not go near"),
            ("sensor", 1, "midspan is flat"),
            ("request", 1, "stop by somebody refused: not while idle"),
            ("load", 1, "upper load corrected"),
            ("forecast", 1, "failure expected at cycle 9, with 80 % between 8 and 10"),
        ],
    ),
    (
        "an inspection that was held by people",
        [
            (605.0, "state", "inspection, count: cycle 100"),
            (610.0, "static", "check 1: stiffness 25.50 kN/mm, residual 0.020 mm; more"),
            (611.0, "state", "waiting, checked: map the cracks"),
            (620.0, "note", "A. Name: here"),
            (620.0, "state", "locked, people: note by A. Name"),
            (640.0, "state", "starting, continue: by A. Name"),
        ],
        [
            (
                "inspection",
                1,
                "at cycle 100, 35 s, stiffness 25.50 kN/mm; people were at it; "
                "continued by A. Name",
            )
        ],
    ),
]


@pytest.mark.parametrize(("_what", "events", "expected"), JOINED, ids=[j[0] for j in JOINED])
def test_what_belongs_together_is_told_in_one(reading, _what, events, expected):
    told = told_of(happened(reading[0], events, 660.0), Damage(), "start", None)
    assert [(h.kind, h.count, h.text) for h in told.happened] == expected


TEXT = st.text(max_size=40) | st.sampled_from(
    ["by A. Name, a look", "nobody came", "\x1b[2J\u202e"]
)
KINDS = st.sampled_from(
    [
        *("note", "request", "sensor", "water", "pressure", "stop", "limit", "static", "forecast"),
        *("deviation", "pause", "messages", "catch can", "checklist", "no such kind"),
    ]
)


@st.composite
def histories(draw) -> list[tuple[float, str, str]]:
    """Any way through the table of states, with anything said beside."""
    state, time, events = "idle", 0.0, []
    for _ in range(draw(st.integers(1, 60))):
        time += draw(st.floats(0.0, 900.0))
        if draw(st.integers(0, 3)) == 0:
            events.append((time, draw(KINDS), draw(TEXT)))
            continue
        steps = [row for row in ROWS if row.state == state]
        if not steps:
            break
        step = draw(st.sampled_from(steps))
        state = step.to
        events.append((time, "state", f"{step.to}, {step.cause}: {draw(TEXT)}"))
    return events


@given(histories(), st.integers(20, 60), st.integers(40, 130))
def test_whatever_a_test_went_through_is_told_on_a_page(reading, events, height, width):
    read = happened(reading[0], events, max(events[-1][0], 1.0))
    told = told_of(read, Damage(), "start", None)
    for size in (height, None):
        lines = page(told, width, size, UTF8)
        assert all(cell_len(line) <= width and line.isprintable() for line in lines)
    pauses = sum(h.count for h in told.happened if h.kind == "pause" and h.rank is Rank.PAUSE)
    begun = [text.partition(",")[0] for _, kind, text in events if kind == "state"]
    assert begun.count("pausing") <= pauses <= begun.count("pausing") + begun.count("unloading")
    inspections = sum(h.count for h in told.happened if h.kind == "inspection")
    assert inspections == sum(
        kind == "state" and text.startswith("inspection, count") for _, kind, text in events
    )
    assert sum(h.kind == "end" for h in told.happened) <= 1
    assert len(told.notes) == sum(kind in ("note", "catch can") for _, kind, _ in events)
    assert json.dumps(plain(told), allow_nan=False)


def test_quiet_hours_and_who_has_to_look_by_when_are_told(reading, monkeypatch):
    read = reading[0]
    monkeypatch.setattr(SystemClock, "utc", lambda _self: nights.STARTED + timedelta(hours=11))
    status = replace(
        read.view.status,
        time=11 * 3600.0,
        stamp=(nights.STARTED + timedelta(hours=11)).isoformat(),
        calendar=(nights.STARTED + timedelta(hours=11)).isoformat(),
        coming=(Coming("pauses unless somebody has looked", 1800.0),),
    )
    view = replace(read.view, status=status, now=SystemClock().utc())
    hours = Hours(zone="Europe/Berlin", quiet=(20 * 60, 6 * 60))
    plan = replace(load("overnight-wet-prism", None), hours=hours)
    text = shown(told_of(replace(read, view=view, plan=plan), Damage(), "00:00", None))
    assert "quiet hours: nothing is resumed until today 06:00" in text
    assert "needed     support_left" in text
    assert "pauses unless somebody has looked: today 05:30; nightrig note" in text


def test_a_night_in_which_the_clocks_go_back_lasts_as_long_as_it_lasted(reading, monkeypatch):
    # Directive 2000/84/EC: on the last Sunday of October, at 01:00 UTC.
    read, end = reading[0], datetime(2026, 10, 25, 5, 0, tzinfo=UTC)
    monkeypatch.setattr(SystemClock, "utc", lambda _self: end)
    status = replace(
        read.view.status, time=11 * 3600.0, stamp=end.isoformat(), calendar=end.isoformat()
    )
    view = replace(read.view, status=status, now=end, zone=ZoneInfo("Europe/Berlin"))
    text = shown(told_of(replace(read, view=view), Damage(), "start", None))
    assert "since      yesterday 20:00, as asked; until now: 11 h; the clocks went back" in text


def test_a_pause_that_began_before_is_told_whole(written):
    told = hand_over(written["without water"], alive, "04:00")
    pause = next(h for h in told.happened if h.kind == "pause")
    assert (pause.begin, pause.end) == (at(1, 27), at(5, 55))


VISITS = [
    ("nobody was ever there", [], "a day before"),
    ("a note over an hour ago", [(at(22), "note", "A. N.: x")], at(22)),
    (
        "the whole visit, not its last doing",
        [
            (at(22), "request", "pause by A. N."),
            (at(22, 20), "note", "A. N.: x"),
            (at(22, 45), "request", "continue by A. N."),
        ],
        at(22),
    ),
    (
        "who is there now is not who was there last",
        [(at(22), "note", "A. N.: x"), (at(6, 50), "note", "B. M.: good morning")],
        at(22),
    ),
    (
        "who asks from afar has not looked",
        [(at(22), "note", "A. N.: x"), (at(3), "request", "pause by B. M. from afar")],
        at(22),
    ),
]


@pytest.mark.parametrize(("_what", "events", "since"), VISITS, ids=[v[0] for v in VISITS])
def test_without_words_it_is_since_people_were_last_there(reading, _what, events, since):
    told = told_of(happened(reading[0], events, nights.STATUS.time), Damage(), None, None)
    if since == "a day before":
        assert (told.period.since, told.period.why) == (0.0, "when it began")
    else:
        assert told.period.since == since
        assert told.period.why.startswith("when people were last at it")
