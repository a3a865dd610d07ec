"""The handover of made nights: what is told, in which order, and that nothing is told wrongly.

The nights are written with a run's own words (`handover_nights.py`): what happened is known.
"""

from __future__ import annotations

import contextlib
import json
import math
import random
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.states import TABLE as ROWS
from rig.errors import RigError
from rig.monitor.alerts.book import write
from rig.monitor.alerts.desk import line
from rig.monitor.call import call
from rig.monitor.glyphs import ASCII, UTF8
from rig.protocol.plan import Hours
from rig.record.entries import Event
from rig.record.history import read_journal
from rig.record.status import Coming, Foreseen
from rig.report.handover import changes
from rig.report.handover.happening import Rank
from rig.report.handover.needed import needs
from rig.report.handover.numbers_told import number_rows
from rig.report.handover.page import page
from rig.report.handover.plain import plain
from rig.report.handover.reading import Damage, Read, read_run
from rig.report.handover.states_told import Stood
from rig.report.handover.telling import Handover, hand_over, told_of
from tests.report import handover_nights as nights
from tests.report.handover_nights import Night, at

ROOM = 84e9


@pytest.fixture(scope="module", autouse=True)
def seven_in_the_morning():
    """It is 07:02, and the disk has as much room on every machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SystemClock, "utc", lambda _self: nights.NOW)
        patch.setattr(changes, "free_bytes", lambda _folder: ROOM)
        yield


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> dict[str, Path]:
    """The nights on the disk, each once."""
    folder = tmp_path_factory.mktemp("nights")
    killed = nights.healthy()
    killed.until = at(23, 30)
    killed.events = [event for event in killed.events if event[0] < killed.until]
    made = {
        "healthy": nights.healthy(),
        "without water": nights.without_water(),
        "failed": nights.failed(),
        "killed": killed,
    }
    for name, night in made.items():
        recorder = night.write(folder / name)
        if name == "failed":
            recorder.finish("failure", nights.WHY, len(night.times()), night.until)
        else:
            recorder.abandon()
    return {name: folder / name for name in made}


def alive() -> bool:
    return True


def gone() -> bool:
    return False


def shown(told: Handover, width: int = 80, height: int | None = 40) -> str:
    return "\n".join(page(told, width, height, UTF8))


def small(folder: Path, events: list[tuple[float, str, str]], **status: object) -> Path:
    """Write a night of few cycles, so that it is quickly written."""
    night = Night(until=nights.BEGINS + 60.0, events=events)
    night.status = replace(night.status, **status)
    recorder = night.write(folder)
    recorder.abandon()
    return folder


SCREEN = """\
HANDOVER P-12 on frame 2  Mon 30 Nov 07:02 CET
LOOK WHEN YOU CAN: look after the rig, then: nightrig note
since      yesterday 22:00, as asked; until now: 9 h 2 min
happened   01:27  pause: 4 h 28 min, continued by B. Night: hose is on; no
                  spray water: spray period missed: 0.00 L/min instead of 1.50
                  L/min; two periods missed in a row; unloaded by itself, …
           02:10  sensor, 12 times until 03:32; the last: support_left: 14
                  spikes in 60 s
           01:12  water, 2 times until 01:27: spray period missed: 0.00 L/min
                  instead of 1.50 L/min
           03:27  water: dry for over 2.0 h
numbers                                  22:00          now  change
           cycles                       13,800       30,058  +16,258
           stiffness, kN/mm              24.85        24.50  −0.35 (−1.4 %)
           stiffness lost, %               0.6          2.0  +1.4 points
           net deflection max, mm        3.718        3.771  +0.053 (+1.4 %)
           load max, kN                  92.40        92.40  0.00  target 92.40
           load min, kN                   9.20         9.20  0.00  target 9.24
           net deflection min, mm        0.370        0.376  +0.006
           residual, mm                  0.020        0.020  0.000
           water given, L                    3           24  +21
           periods missed                    0            2  +2
           tank, L                         986          953  −33
           check stiffness, kN/mm        26.00        25.50  −0.50 (−1.9 %)
           disk room, GB              not kept         84.0
           air, °C                        20.5         19.0  −1.5  14.9 to 20.5
           not measured, then or now: failure at cycle, 80 %
next       07:09  water on
           08:55  inspection, at cycle 200,000
           Thu 31 Dec 13:02  run-out, at cycle 11,000,000
needed     support_left: 14 spikes in 60 s
notes      22:02  A. Name: hairline [31mcrack[0m at the [bold]left[/bold] point,
                  0.1 mm
           05:40  B. Night: hose was off, on again
looked in  22:02  A. Name: note
           05:40 to 05:41  B. Night: note, continue"""


def test_a_night_without_water_is_told_like_this(written):
    told = hand_over(written["without water"], alive, "yesterday 22:00")
    assert shown(told) == SCREEN


@pytest.mark.parametrize("name", ["healthy", "without water", "failed", "killed"])
@pytest.mark.parametrize(("width", "height"), [(80, 23), (120, 39), (60, 30), (80, None)])
def test_it_fits_its_page_and_obeys_nothing_that_people_wrote(written, name, width, height):
    holds = gone if name == "killed" else alive
    for signs in (UTF8, ASCII):
        told = hand_over(written[name], holds, "18:30")
        lines = page(told, width, height, signs)
        assert all(cell_len(line) <= width for line in lines)
        assert all(line.isprintable() for line in lines)
        text = "\n".join(lines)
        assert "0.1 mm" in text
        if width >= 80 and height is not None:
            assert len(lines) <= height
        if height is None:
            assert "--all" not in text


@pytest.mark.parametrize("name", ["healthy", "without water", "failed", "killed"])
def test_the_first_sentence_is_the_verdict_that_watch_gives(written, name):
    holds = gone if name == "killed" else alive
    told = hand_over(written[name], holds)
    verdict = call(told.view)
    assert told.call == verdict
    first = " ".join(shown(told).split("\nsince")[0].split())
    assert f"{verdict.headline}: {verdict.why[0]}" in first


@pytest.mark.parametrize(
    ("alive", "foreseen", "now"),
    [
        (True, Foreseen(2e6, 3e6, 4e6), (3e6, 2e6, 4e6)),
        (True, Foreseen(why="too early"), ()),
        (True, None, (2e6, 1e6, 5e6)),  # no status tells it: as written down last
        (False, Foreseen(2e6, 3e6, 4e6), ()),
    ],
)
def test_a_failure_is_foretold_only_of_a_test_that_goes_on(reading, alive, foreseen, now):
    said = "failure expected at cycle 2,000,000, with 80 % between 1,000,000 and 5,000,000"
    read = happened(reading[0], [(100.0, "forecast", said)], 660.0)
    status = replace(read.view.status, forecast=foreseen)
    read = replace(read, view=replace(read.view, status=status, alive=alive))
    told = told_of(read, Damage(), "2 min ago", None)
    found = next(c for c in told.changes if c.name == "foretold_failure")
    assert found.then == 2e6
    assert [v for v in (found.now, found.least, found.most) if v == v] == [*now]


def test_a_healthy_night_needs_nobody_and_says_what_little_happened(written):
    text = shown(hand_over(written["healthy"], alive))
    assert "since      yesterday 22:02, when people were last at it (A. Name: note); until" in text
    assert "04:00  inspection: at cycle 100,000, 8 min, stiffness 25.50 kN/mm;" in text
    assert "nobody came" in text
    assert "needed     nobody" in text


def test_nothing_happened_is_said(written):
    text = shown(hand_over(written["healthy"], alive, "23:00", "03:00"))
    assert "happened   nothing out of the usual was recorded" in text
    assert "until today 03:00: 4 h" in text


def test_a_failure_at_night_comes_first_and_is_not_said_twice(written):
    told = hand_over(written["failed"], gone)
    text = shown(told)
    assert text.count("40.4% below") == 1
    assert "happened   03:00  end: failure at cycle 31,819" in text
    assert "until\n           today 03:00, when it ended: 4 h 58 min" in text
    assert "needed     pressure off, as the controller says" in text
    later = shown(hand_over(written["failed"], gone, "05:00"))
    assert "today 05:00, as asked; nothing has been recorded since then" in later


def test_a_killed_run_says_until_when_is_known(written):
    text = shown(hand_over(written["killed"], gone))
    assert "COME: ITS PROGRAM IS GONE" in text
    assert "23:30  gone: its record breaks off here, without an end; it was in" in text
    assert "when its record breaks off: 88 min" in text
    assert "nightrig resume" in text
    assert "next       nothing by itself" in text
    other = shown(hand_over(written["killed"], gone, another=lambda rig: "night-5"))
    assert "nothing by itself" not in other
    assert other.count("another run, night-5, has the rig now: it may move") == 2


NOTE = "Zoë: " + "größer als gedacht, " * 60 + "Ende"


def test_notes_stand_in_full_however_long(tmp_path):
    folder = small(tmp_path / "run", [(610.0, "note", NOTE)])
    for height in (10, 40):
        lines = shown(hand_over(folder, alive, "start"), height=height).splitlines()
        first = next(i for i, text in enumerate(lines) if text.startswith("notes"))
        last = next(i for i, text in enumerate(lines) if text.startswith("looked in"))
        told = " ".join(" ".join(line[11:] for line in lines[first:last]).split())
        assert told.partition("  ")[0].endswith(NOTE.strip())


@given(st.floats(0.0, 46_000.0), st.floats(1.0, 46_000.0))
def test_numbers_are_medians_of_the_last_hundred_cycles_whatever_the_moments(
    reading, since, lasting
):
    read, columns = reading
    begin = read.view.at(since)
    end = min(since + lasting, read.newest)
    if end - since < 0.01:
        return
    told = told_of(
        read, Damage(), f"{begin:%Y-%m-%dT%H:%M:%S}", f"{read.view.at(end):%Y-%m-%dT%H:%M:%S}"
    )
    numbers = {change.name: change for change in told.changes}
    for moment, of in ((told.period.since, "then"), (told.period.until, "now")):
        rows = int(np.searchsorted(columns["time"], moment, side="right"))
        assert getattr(numbers["cycles"], of) == rows
        for name in ("stiffness", "load_max", "deflection_min"):
            window = columns[name][max(rows - 100, 0) : rows]
            expected = float(np.median(window)) if rows else math.nan
            assert getattr(numbers[name], of) == pytest.approx(expected, nan_ok=True)


@pytest.fixture(scope="module")
def reading(written):
    """A night that was read, and all its cycles by the journal's own reader."""
    read = read_run(written["without water"], alive, Damage())
    with read_journal(written["without water"]) as journal:
        return read, journal.columns("cycles")


def test_one_noisy_cycle_in_ten_does_not_count(written):
    """Each tenth cycle of these nights reads five times the load."""
    told = hand_over(written["healthy"], alive, "22:00")
    numbers = {change.name: change for change in told.changes}
    assert numbers["load_max"].now == pytest.approx(92.4e3)
    assert numbers["load_max"].target == pytest.approx(92.4e3)
    times = nights.healthy().times()
    expected = float(np.median(nights.healthy().stiffness(times)[-100:]))
    assert numbers["stiffness"].now == pytest.approx(expected, rel=1e-4)
    assert numbers["loss"].now == pytest.approx(1 - expected / 25e6, abs=1e-4)


def test_a_tank_that_nobody_measured_then_is_told_as_roughly_as_ever():
    rows, _ = number_rows([changes.Change("tank", "m3", math.nan, 0.9793)])
    assert rows[0].split()[-1] == "979"


def test_what_was_not_measured_says_so(tmp_path):
    folder = small(tmp_path / "run", [], water=None, baseline=math.nan)
    told = hand_over(folder, alive, "start")
    text = shown(told, height=None)
    assert "stiffness, kN/mm        not measured" in text
    assert "not measured, then or now: " in text
    assert "water given" not in text
    none = {n["name"]: n["then"] for n in plain(told)["numbers"]}
    assert none["stiffness"] is None


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


def happened(read: Read, events: list[tuple[float, str, str]], newest: float) -> Read:
    """Return a night in which other things happened, up to the newest data [s]."""
    calendar = (nights.STARTED + timedelta(seconds=newest)).isoformat()
    status = replace(read.view.status, time=newest, calendar=calendar, stamp=calendar)
    made = tuple(Event(time, 0, kind, text) for time, kind, text in events)
    stood = (Stood(620.0, 15.0, "its program was gone (killed) while paused; unloaded; ended"),)
    return replace(read, view=replace(read.view, status=status), events=made, stood=stood)


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


def test_open_alerts_and_who_acknowledged_are_told(tmp_path):
    folder = small(tmp_path / "run", [])
    when = nights.STARTED + timedelta(seconds=650.0)
    alert = {
        **dict.fromkeys(("happened", "did", "mark"), ""),
        **{"key": "a", "headline": "IT STANDS", "kinds": ["pause"], "todo": [], "where": {}},
        **{"lasting": True, "stays": True, "calm": 60.0},
    }
    write(
        folder,
        [
            line("opened", when, n=1, **alert),
            line("opened", when, n=2, **{**alert, "key": "b", "headline": "IT LEAKS"}),
            line("acknowledged", when, n=1, by="B. Night"),
        ],
    )
    text = shown(hand_over(folder, alive, "start"), height=None)
    assert text.index("IT LEAKS; not") < text.index("IT STANDS; acknowledged by B. Night")
    assert needs(hand_over(folder, alive, "start"))[-2].endswith(
        f'IT LEAKS; not acknowledged: nightrig alerts {folder} --acknowledge 2 --by "YOUR NAME"'
    )
    assert "B. Night: alert 1 acknowledged" in text


def spoil(folder: Path, what: str) -> None:
    """Damage a record as a bad sector does."""
    database = sqlite3.connect(folder / "journal.db")
    try:
        database.execute(what)
        database.commit()
    finally:
        database.close()


@pytest.mark.parametrize(
    ("damage", "kept"),
    [
        ("UPDATE chunk SET body = zeroblob(60) WHERE kind = 'cycles'", "hairline"),
        ("UPDATE entry SET body = 'x' WHERE seq = 2", "hairline"),
        ("UPDATE entry SET body = 'x' WHERE seq = (SELECT max(seq) FROM entry)", "cycles"),
        ("DELETE FROM entry WHERE seq = 3", "hairline"),
        ("UPDATE samples SET head = 'x'", "hairline"),
    ],
)
def test_of_a_damaged_record_what_can_be_read_is_told(tmp_path, damage, kept):
    folder = small(tmp_path / "run", [(650.0, "note", nights.NOTE)])
    spoil(folder, damage)
    told = hand_over(folder, gone, "start")
    text = shown(told, height=None)
    assert kept in text
    if "samples" not in damage:
        assert told.damage
        assert "note:" in text


def damaged(whole: bytes, chance: random.Random) -> bytes:
    """Damage a file as a bad disk does: anywhere, some bytes or a sector."""
    data = bytearray(whole)
    for _ in range(chance.choice([1, 3, 20])):
        place, size = chance.randrange(len(data)), chance.choice([1, 16, 512])
        data[place : place + size] = chance.randbytes(len(data[place : place + size]))
    return bytes(data)


@pytest.mark.nights
def test_whatever_bytes_are_damaged_it_is_told_or_refused_in_words(written, tmp_path):
    whole = (written["without water"] / "journal.db").read_bytes()
    told = 0
    for seed in range(60):
        chance = random.Random(seed)
        folder = tmp_path / str(seed)
        folder.mkdir()
        (folder / "journal.db").write_bytes(damaged(whole, chance))
        since = chance.choice([None, "start", "18:30", "cycle 5000"])
        with contextlib.suppress(RigError):
            found = hand_over(folder, gone, since)
            assert json.dumps(plain(found), allow_nan=False)
            assert all(line.isprintable() for line in page(found, 80, 40, UTF8))
            told += 1
    assert told > 30


def test_who_asked_from_afar_has_not_looked_in_and_people_are_told_apart(tmp_path):
    events = [
        (20.0, "note", "A. Name: one"),
        (21.0, "note", "A. Name: two"),
        (22.0, "request", "pause by B. Night: noise"),
        (23.0, "request", "stop by C. Far from afar"),
    ]
    told = hand_over(small(tmp_path / "run", [(nights.BEGINS + t, *e) for t, *e in events]), alive)
    lines = shown(told, height=None).splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith("looked in"))
    looked, afar = lines[begin:]
    assert looked.endswith("A. Name: 2 notes; B. Night: pause")
    assert afar.startswith("from afar  ")
    assert afar.endswith("C. Far from afar: stop")
    assert [v["names"] for v in plain(told)["visits"]] == [["A. Name", "B. Night"]]
    assert [v["names"] for v in plain(told)["from_afar"]] == [["C. Far from afar"]]


@given(st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_the_change_is_that_of_the_numbers_that_are_shown(then, now):
    (row,), _ = number_rows([changes.Change("residual_deflection", "m", then, now)])
    shown_then, shown_now, change = (
        Decimal(text.replace("−", "-")) for text in row.split("mm")[1].split()
    )
    assert change == shown_now - shown_then
