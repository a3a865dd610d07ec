"""The screen of a lab: by exact text, at every size, and with more rigs than have room."""

import json
import unicodedata
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.monitor.glyphs import glyphs
from rig.monitor.lab.need import judged
from rig.monitor.lab.screen import TURN, lab_screen, lab_text
from rig.monitor.lab.view import LabView
from rig.monitor.looks import Numbered
from rig.monitor.mqtt import messages
from rig.record.entries import Event
from rig.record.status import Foreseen
from tests.monitor.lab.hall import Hall, night, specimen
from tests.monitor.mqtt.broker import shown as in_readme
from tests.monitor.mqtt.seconds import one_second
from tests.monitor.night_12 import NOW, with_status
from tests.monitor.views import VIEWS

HINT = "Ctrl-C leaves this screen; the tests go on"
SIZES = ((20, 5), (40, 12), (72, 22), (80, 24), (100, 30), (120, 40), (200, 60))
CYCLING = VIEWS["cycling"]


def a_night() -> LabView:
    """Return twenty rigs of which the broker has lost one."""
    hall = night()
    hall.leave("frame-4", CYCLING, "lost", 3.0)
    return hall.view(16.0)


def shown(view: LabView, width: int = 80, height: int = 24, *, ascii_only: bool = False) -> str:
    return lab_text(view, width, height, ascii_only=ascii_only, hint=HINT)


FEW = """\
lab hall  broker mqtt.example:8883                                           Wed 25 Nov 03:10:16 CET
 ! COME: 1 calls, 1 runs well, 1 ended of 3 rigs !
       rig     specimen state    done           cycles end           failure foretold water
COME   frame-2 P-22     paused  0.8 % 83,214 of 11.00M 32 days to go -                off
       COME: IT WAITS FOR YOU: mid-span sensor flat over 50 cycles; it stands still, power kept;
       find out why it stands, then nightrig continue, unload or stop; mid-span sensor flat
well   frame-1 P-21     cycling 0.8 % 83,214 of 11.00M 26 Dec 17:16  05:40-14:16      on
       83,214 of 11,000,000 cycles; 9.21 to 92.41 kN; stiffness 1.1 % below baseline; water on;
       next: inspection today 04:20
ended  frame-3 P-23     failure 0.8 % 87,212 of 11.00M 03:10         -                -
       ENDED: FAILURE: stiffness 15.108 kN/mm, median of 100 cycles, is 40.0% below the baseline
       25.182 kN/mm; limit 40%




-- what happened last ------------------------------------------------------------------------------
03:09:51  frame-1 water: period 24: on, flow confirmed
03:10:11  frame-1 water: period 24: off
Ctrl-C leaves this screen; the tests go on
"""

AWAY = """\
lab hall  broker mqtt.example:8883                       Wed 25 Nov 03:20:12 CET
 ■ BROKER AWAY since today 03:10 ■
 > connection refused; what stands below was known before
 > 1 to look at, 2 silent of 3 rigs
       rig     specimen state     done           cycles end          water
LOOK   frame-3 P-03     cycling 17.6 %  1.93M of 11.00M 21 Dec 08:41 missed 1
       SILENT since today 03:10 (10 min): nobody here knows what it does; the
       test may go on, look at the rig; load correction is at its end: load
       may fall short; net deflection is 0.070 mm from its limit 5.86 mm, …
SILENT frame-1 P-01     cycling  0.8 % 83,214 of 11.00M 26 Dec 17:16 on
       SILENT since today 03:10 (10 min): nobody here knows what it does; the
       test may go on, look at the rig
SILENT frame-2 P-02     cycling 94.7 % 10.41M of 11.00M Thu 19:57    off
       SILENT since today 03:10 (10 min): nobody here knows what it does; the
       test may go on, look at the rig








Ctrl-C leaves this screen; the tests go on
"""


def away() -> LabView:
    """Return three rigs whose broker went away ten minutes ago."""
    went = NOW + timedelta(seconds=30)
    return night(3).view(600.0, connected=False, since=went, why="connection refused")


def three() -> Hall:
    hall = Hall()
    soon = Foreseen(90_000, 120_000, 200_000, 9000.0, 40_000.0)
    hall.tell("frame-1", specimen(with_status(VIEWS["wet"], forecast=soon), "P-21"))
    hall.tell("frame-2", specimen(VIEWS["paused"], "P-22"))
    hall.tell("frame-3", specimen(VIEWS["failure"], "P-23"))
    for seq, text in enumerate(("period 24: on, flow confirmed", "period 24: off"), 1):
        told = messages.event(
            VIEWS["wet"], Numbered(seq, Event(21_560.0 + 20 * seq, 0, "water", text))
        )
        hall.send("frame-1", "events", messages.as_payload(told))
    return hall


def test_twenty_rigs_on_24_lines_read_as_the_readme_shows():
    assert shown(a_night()) == in_readme("several rigs")


def test_three_rigs_in_plain_letters_read_like_this():
    assert shown(three().view(4.0), 100, 20, ascii_only=True) == FEW


def test_a_broker_that_is_away_is_told_before_all():
    assert shown(away()) == AWAY


def check(view: LabView, width: int, height: int, *, ascii_only: bool) -> list[str]:
    lines = lab_screen(view, width, height, glyphs(ascii_only=ascii_only), HINT)
    assert len(lines) == height
    for line in lines:
        assert cell_len(line.plain) == width
        hidden = {unicodedata.category(c) for c in line.plain} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
        assert not hidden
        if ascii_only:
            assert line.plain.isascii()
    return [line.plain for line in lines]


@pytest.mark.parametrize("rigs", [0, 1, 4, 20, 45])
@pytest.mark.parametrize("size", SIZES)
def test_every_lab_fits_every_terminal(rigs, size):
    for ascii_only in (False, True):
        check(night(rigs).view(1.0), *size, ascii_only=ascii_only)


@pytest.mark.parametrize("rigs", [20, 45])
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_those_that_need_somebody_are_always_seen_and_the_others_in_turn(rigs, size):
    hall = night(rigs)
    needy = [one.rig.name for one in judged(hall.view(1.0)) if one.needs_somebody]
    assert needy == ["frame-5", "frame-9", "frame-3"]
    seen: set[str] = set()
    for turn in range(rigs):
        passed = turn * TURN
        for number in range(1, rigs + 1):  # nobody may fall silent meanwhile
            hall.send(f"frame-{number}", "cycles", cycles_of(f"P-{number:02}"), passed)
        text = shown(hall.view(passed), *size)
        names = {line.split()[1] for line in text.splitlines() if " frame-" in line[:14]}
        assert set(needy) <= names
        hidden = rigs - len(names)
        assert not hidden or f"and {hidden} more, nothing to do" in text
        seen |= names
        if len(seen) == rigs:
            break
    assert len(seen) == rigs


def cycles_of(name: str) -> bytes:
    return messages.as_payload(
        messages.cycles(specimen(CYCLING, name), one_second(specimen(CYCLING, name)))
    )


@pytest.mark.parametrize("size", [(80, 24), (40, 12)])
def test_more_that_need_somebody_than_have_room_are_all_named_or_seen_in_turn(size):
    hall = Hall()
    for number in range(1, 31):
        hall.tell(f"frame-{number}", VIEWS["warned" if number > 2 else "gone"])
    seen: set[str] = set()
    for turn in range(30):
        lines = shown(hall.view(turn * TURN % 16), *size).splitlines()
        text = " ".join(lines)
        assert "2 call" in text
        assert {"frame-1", "frame-2"} <= set(text.split())
        seen |= {line.split()[1] for line in lines if line.startswith(("COME", "LOOK"))}
        hall.tell("frame-1", VIEWS["gone"], turn * TURN)
    assert len(seen) > 10


def test_long_names_that_differ_at_their_end_stay_different():
    hall = Hall()
    names = [f"servo-frame-of-the-north-hall-{n}" for n in ("ab", "ac")]
    for name in names:
        hall.tell(name, CYCLING)
    for width in (40, 80):
        assert all(name in shown(hall.view(1.0), width, 12) for name in names)


def test_a_silent_rig_is_never_painted_as_one_that_runs_well():
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    lines = lab_screen(hall.view(60.0), 80, 24, glyphs(ascii_only=False), HINT)
    (line,) = [each for each in lines if "frame-1" in each.plain]
    assert line.plain.startswith("SILENT frame-1")
    assert not any("green" in str(span.style) for each in lines for span in each.spans)


@pytest.mark.parametrize(
    ("soonest", "latest", "told"),
    [
        (9000.0, 40_000.0, "05:40–14:16"),
        (9000.0, 100_000.0, "05:40–Thu 06:56"),
        (200_000.0, 300_000.0, "Fri 10:43–Sat 14:30"),
        (7 * 86400.0, 14 * 86400.0, "2–9 Dec"),
        (2 * 86400.0, 14 * 86400.0, "27 Nov–9 Dec"),
        (100 * 86400.0, 400 * 86400.0, "5 Mar–30 Dec 2027"),
        (-5.0, 40_000.0, "until 14:16"),
    ],
)
def test_a_forecast_is_told_by_the_clock_in_few_letters(soonest, latest, told):
    hall = Hall()
    view = with_status(CYCLING, forecast=Foreseen(9e4, 1e5, 2e5, soonest, latest))
    hall.tell("frame-1", view)
    assert f" {told} " in shown(hall.view(1.0), 100)


def test_a_forecast_that_is_silent_says_so_and_a_test_that_waits_has_no_end_by_the_clock():
    hall = Hall()
    hall.tell("frame-1", with_status(CYCLING, forecast=Foreseen(why="no trend yet")))
    hall.tell("frame-2", VIEWS["paused"])
    text = shown(hall.view(1.0), 100)
    assert "not foretold" in text
    assert "32 days to go" in text


texts = st.text(max_size=60) | st.sampled_from(["\x1b[2J", "試験体の梁" * 30, "a\nb", "\u202e"])
instants = st.none() | st.integers(86_400, 6_000_000_000).map(
    lambda seconds: f"{datetime(2000, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds):%Y-%m-%dT%TZ}"
)


@given(
    texts,
    st.lists(texts, max_size=6),
    st.sampled_from(["come", "look", "nothing", "ended"]),
    st.tuples(instants, instants, instants),
    st.integers(0, 10**15),
    st.integers(20, 220),
    st.integers(5, 70),
    st.booleans(),
)
def test_whatever_a_rig_says_fits_the_terminal_and_cannot_command_it(
    said, why, level, whens, count, width, height, ascii_only
):
    hall = Hall()
    told = messages.status(CYCLING, "hall", "frame-1")
    at, soonest, latest = whens
    told |= {
        **{
            "title": said,
            "specimen_id": said,
            "state": said,
            "run_out": count,
            "cycles": count // 3,
        },
        "call": {"level": level, "headline": said, "why": why, "loud": True},
        "coming": [{"what": said, "at_utc": at, "cycle": count}],
        "forecast": {
            "low_cycles": 1,
            "high_cycles": 1e300,
            "soonest_utc": soonest,
            "latest_utc": latest,
        },
        "last_trouble": {"seq": 1, "at_utc": at, "text": said},
    }
    hall.send("frame-1", "status", messages.as_payload(told))
    hall.send("frame-1", "events", b'{"v":1,"run":"r","seq":1,"kind":"x","text":"\\u001b[1m"}')
    assert hall.rigs.not_understood == 0
    hall.send("\x1b[1m", "status", b"x")
    check(hall.view(1.0), width, height, ascii_only=ascii_only)


def test_the_last_trouble_of_each_rig_has_a_column_where_there_is_room():
    hall = Hall()
    trouble = Numbered(3, Event(21_000.0, 0, "sensor", "mid-span is noisy"))
    told = messages.status(CYCLING, "hall", "frame-1", trouble)
    hall.send("frame-1", "status", messages.as_payload(told))
    text = shown(hall.view(1.0), 120)
    assert "last trouble" in text.splitlines()[2]
    assert "03:00 mid-span is noisy" in text.splitlines()[3]
    below = " ".join(shown(hall.view(1.0), 80).split())
    assert "last trouble today 03:00: mid-span is noisy" in below


def test_alerts_stand_out_among_what_happened_last():
    hall = Hall()
    hall.tell("frame-1", CYCLING)
    for rig in ("frame-1", "frame-2"):  # the second one only tries whether it gets through
        alert = {"v": 1, "run": "r", "seq": 1, "kind": "water", "text": "a letter"}
        alert["subject"] = "the tank is empty"
        hall.send(rig, "alerts", json.dumps(alert).encode())
    report = "controller (/dev/ttyUSB0): 9,000 bytes; 900 good, 0 bad, 0 dropped"
    told = messages.event(CYCLING, Numbered(1, Event(9.0, 0, "line", report)))
    hall.send("frame-1", "events", messages.as_payload(told))
    assert "--:--:--  frame-1 ALERT water: the tank is empty" in shown(hall.view(1.0))
    assert "frame-2 ALERT water" in shown(hall.view(1.0))
    assert "900 good" not in shown(hall.view(1.0))
    assert "the one rig runs well" in shown(hall.view(1.0))
