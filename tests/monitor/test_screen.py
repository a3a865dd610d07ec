"""Every screen fits its terminal and shows what a tired person needs first."""

import math
import re
import unicodedata
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.monitor import words
from rig.monitor.bounds import bounds
from rig.monitor.curve import Curve
from rig.monitor.glyphs import glyphs
from rig.monitor.screen import screen
from rig.monitor.terminal import screen_text
from rig.monitor.view import View
from rig.record.entries import Ending, Event
from rig.record.status import Armed, Coming, Foreseen, WaterStatus
from tests.monitor.night_12 import CYCLING, HEADER, NOW, STANDING, with_status
from tests.monitor.views import VIEWS

SIZES = ((20, 5), (40, 12), (80, 24), (100, 30), (120, 40), (200, 60))
HINT = "Ctrl-C leaves it running"

numbers = st.floats(allow_nan=True, allow_infinity=True)
texts = st.text(max_size=60) | st.sampled_from(
    [
        "試験体の梁" * 30,
        "x" * 4000,
        "\x1b[31mred\x07\x00",
        "e\u0301\u200d👩\u200d🔧\ufe0f",
        "\ud800",
        "a\nb",
    ]
)
maybe = st.none() | numbers
comings = st.builds(Coming, texts, maybe, st.none() | st.integers(-(10**12), 10**12))
armed = st.builds(Armed, st.sampled_from(["load", "deflection", "stroke"]) | texts, *[numbers] * 4)
waters = st.builds(
    WaterStatus,
    *(texts, st.booleans(), st.booleans(), st.integers(0, 99), numbers, numbers),
    *(numbers, numbers, numbers, st.none() | comings),
)
events = st.builds(
    Event, numbers, st.integers(0, 10**9), st.sampled_from(["state", "note"]) | texts, texts
)
stamps = st.sampled_from(
    [CYCLING.stamp, "", "nonsense", "2001-01-01T00:00:00", "9999-12-31T23:59:59+00:00"]
)
statuses = st.builds(
    replace,
    st.just(CYCLING),
    stamp=stamps,
    calendar=stamps,
    time=numbers,
    live=st.booleans(),
    state=st.sampled_from(["cycling", "waiting", "paused", "stopping", ""]) | texts,
    means=texts,
    cause=texts,
    why=texts,
    since=numbers,
    rig=texts,
    stage=texts,
    cycles=st.integers(0, 10**12),
    run_out=st.integers(0, 10**12),
    frequency=numbers,
    load=numbers,
    deflection=numbers,
    target_upper=numbers,
    target_lower=numbers,
    load_max=numbers,
    load_min=numbers,
    deflection_max=numbers,
    stiffness=numbers,
    baseline=numbers,
    loss_warn=numbers,
    loss_stop=numbers,
    forecast=st.none() | st.builds(Foreseen, *[numbers] * 5, st.booleans(), st.just("") | texts),
    limits=st.lists(armed, max_size=9).map(tuple),
    coming=st.lists(comings, max_size=5).map(tuple),
    water=st.none() | waters,
    slow=st.dictionaries(st.sampled_from(["temperature_air", "tank", "end_slip_2", "?"]), numbers),
    oil_temperature=numbers,
    inputs=st.lists(texts, max_size=2).map(tuple),
    troubles=st.lists(texts, max_size=3).map(tuple),
    asks=texts,
    on_call=texts,
    possible=st.lists(texts, max_size=5).map(tuple),
    local_input=texts,
)
points = st.lists(st.tuples(numbers, numbers), max_size=30)
views = st.builds(
    View,
    folder=st.just(VIEWS["cycling"].folder),
    header=st.builds(
        replace, st.just(HEADER), title=texts, specimen_id=texts, simulated=st.booleans()
    ),
    status=statuses,
    ending=st.none() | st.builds(Ending, texts, texts, st.integers(0, 10**9), numbers),
    events=st.lists(events, max_size=9).map(tuple),
    curve=points.map(lambda p: Curve(tuple(a for a, _ in p), tuple(b for _, b in p))),
    now=st.just(NOW),
    alive=st.booleans(),
    told=st.booleans(),
    speed=numbers,
    unreadable=texts,
    zone=st.sampled_from([VIEWS["cycling"].zone, None]),
)


def check(view: View, width: int, height: int, hint: str, *, ascii_only: bool) -> None:
    lines = screen(view, width, height, glyphs(ascii_only=ascii_only), hint)
    assert len(lines) == height
    for line in lines:
        assert cell_len(line.plain) == width
        hidden = {unicodedata.category(c) for c in line.plain} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
        assert not hidden
        assert "nan" not in line.plain.split()
        if ascii_only:
            assert line.plain.isascii()


@pytest.mark.nights
@settings(max_examples=35)
@given(views, st.integers(20, 250), st.integers(5, 80), texts, st.booleans())
def test_whatever_is_shown_fits_the_terminal_and_cannot_command_it(
    view, width, height, hint, ascii_only
):
    check(view, width, height, hint, ascii_only=ascii_only)


@pytest.mark.parametrize("name", VIEWS)
def test_each_named_run_fits_every_terminal(name):
    for width, height in SIZES:
        for ascii_only in (False, True):
            check(VIEWS[name], width, height, HINT, ascii_only=ascii_only)


def shown(name: str, width: int = 80, height: int = 24, *, ascii_only: bool = False) -> str:
    return screen_text(VIEWS[name], width, height, ascii_only=ascii_only, hint=HINT)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_one_screen_answers_every_question_of_the_night(size):
    text = shown("cycling", *size)
    for answer in (
        *("NOTHING TO DO", "cycling", "inspection", "today 04:20", "water on: in 7 min 48 s"),
        *("83,214 of 11,000,000 = 0.76 %", "by Sat 26 Dec 17:16", "CET"),
        *("92.41 kN", "92.40 kN", " 0.0 % of range", "9.21 kN", "0.370 to 3.71 mm"),
        *("24.91 kN/mm", "1.1 % below baseline 25.18", "warn 20 %", "stop 40 %"),
        *("9.21 kN,  4.59 above limit   4.62", "stroke", "10.20 mm, 13.80 below limit  24.00"),
        *("640 L", "empty Fri 27 Nov 08:28", "oil 41.2 °C", "air 19.1 °C"),
        *("A. Name, +00 000 0000", "0 s old", "upper load corrected", HINT),
        *("nightrig pause, unload, stop, note",),
    ):
        assert answer in text


@pytest.mark.parametrize("size", [(20, 5), (38, 8)])
def test_a_tiny_screen_still_says_verdict_state_next_and_cycles(size):
    text = shown("cycling", *size)
    for answer in ("NOTHING TO DO", "cycling", "water on", "83,214"):
        assert answer in text


def test_the_newest_event_stands_at_the_bottom_and_the_verdict_on_top():
    lines = shown("cycling").splitlines()
    assert "NOTHING TO DO" in lines[1]
    first, last = (
        next(i for i, row in enumerate(lines) if t in row) for t in ("note  ", "correction")
    )
    assert first < last


def test_the_curve_falls_from_the_baseline_to_the_stop_of_a_specimen_that_failed():
    rows = [row for row in shown("failure", 120, 40).splitlines() if "│" in row]
    drawn = [row for row in rows if any(0x2800 < ord(c) < 0x2900 for c in row)]
    assert "baseline" in drawn[0]
    assert "stop" in drawn[-1]
    last = [max(i for i, c in enumerate(row) if 0x2800 < ord(c) < 0x2900) for row in drawn]
    assert last == sorted(last)


def test_a_simulated_run_says_so_and_a_real_one_does_not():
    for size in SIZES:
        assert "SIMULATED" in shown("simulated", *size)
        assert "SIMULATED" not in shown("cycling", *size)
        assert "REHEARSAL" in shown("rehearsal", *size)


def test_a_rehearsal_has_its_own_calendar_its_speed_and_what_remains_for_who_waits():
    text = shown("rehearsal")
    assert "Wed 3 Jan 04:36:10 rehearsal calendar" in text
    assert "CET" not in text
    # (11,000,000 - 470,211) cycles at 4 Hz and 36,200 times real speed are 72.7 s; the run-out's
    # own estimate of the named run is 75 s.
    assert "75 s from now at 36,200 times real speed" in text


def test_old_data_is_shouted():
    assert "▲ 9 s old" in shown("ageing")
    assert "NO NEW DATA for 2 min 10 s" in shown("old")


def test_nothing_known_is_a_dash():
    view = with_status(
        **dict.fromkeys(
            ("load_max", "load_min", "load", "deflection", "stiffness", "oil_temperature"), math.nan
        )
    )
    text = screen_text(view, 80, 24, ascii_only=False)
    assert "nan" not in text.lower()
    assert "load       –" in text


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_reasons_that_have_no_room_are_counted(size):
    troubles = [
        f"the load range of channel {n} differs from cycle to cycle five times as much as it did: "
        "look for air in the line, at the pump and at the servo gain"
        for n in range(7)
    ]
    text = screen_text(with_status(troubles=tuple(troubles)), *size, ascii_only=False)
    [hidden] = re.findall(r"… and (\d) more", text)
    assert int(hidden) + sum(f"channel {n} " in text for n in range(7)) == 7


def test_a_number_is_never_cut_in_its_middle():
    whole = screen_text(VIEWS["long_run"], 200, 60, ascii_only=True)
    known = {w.strip(",;") for w in whole.split() if any(c.isdigit() for c in w)}
    for width in range(20, 80):
        text = screen_text(VIEWS["long_run"], width, 20, ascii_only=True)
        for word in text.split():
            if word[0].isdigit() and word.replace(",", "").isdigit():
                assert word in known or int(word.replace(",", "")) < 100


def test_the_text_is_the_same_without_colour(monkeypatch):
    before = shown("warned")
    monkeypatch.setenv("NO_COLOR", "1")
    assert shown("warned") == before


def test_clock_times_go_on_while_the_data_stands_still():
    later = replace(VIEWS["cycling"], now=NOW + timedelta(seconds=61))
    assert "03:11:13 CET" in screen_text(later, 80, 24, ascii_only=False)


def test_only_what_can_be_asked_by_a_command_is_offered():
    assert "nightrig stop, note (in any terminal)" in shown("checklist")
    assert "nightrig" not in shown("rehearsal")


def test_a_load_is_marked_where_it_misses_its_target_but_not_while_it_grows():
    # 92.4 - 89.1 kN are 4.0 % of the range of 92.4 - 9.24 kN; 92.4 - 61.3 kN are 37.4 %.
    assert "−4.0 % ▲ of range" in shown("warned")
    assert "−37.4 % of range\n" in shown("build_up")
    # A fifth of a small lower load is little of the range: 1.6 of 83.16 kN are 1.9 %.
    near, off = (with_status(load_min=9.24e3 + kn * 1e3) for kn in (1.6, 1.7))
    assert "+1.9 % of range" in screen_text(near, 80, 24, ascii_only=False)
    assert "+2.0 % ▲ of range" in screen_text(off, 80, 24, ascii_only=False)
    young = with_status(off, since=off.status.time - 30.0)
    assert "+2.0 % of range" in screen_text(young, 80, 24, ascii_only=False)


def limit_rows(*limits: Armed, most: int, width: int = 100) -> list[str]:
    view = with_status(limits=limits)
    rows = bounds(view, width, glyphs(ascii_only=True), most=most, label="limits")
    return [row.plain for row in rows]


LOAD = Armed("load", 4e3, 100e3, 9e3, 92e3, learned=True)
NET = Armed("deflection", -1e-3, 6e-3, 0.3e-3, 5.5e-3)
STROKE = Armed("stroke", -20e-3, 24e-3, 6e-3, 10e-3)


def test_limits_keep_their_order_and_the_one_with_the_least_room_is_marked():
    first, second, third = limit_rows(LOAD, NET, STROKE, most=3)
    assert ("load" in first, "deflection" in second, "stroke" in third) == (True, True, True)
    assert [", least" in row for row in (first, second, third)] == [True, False, False]
    assert ["learned" in row for row in (first, second, third)] == [True, False, False]
    # 5 kN of 96 kN are less than 0.5 mm of 7 mm, but more than 0.3 mm of them.
    nearer = replace(NET, most=5.7e-3)
    assert [", least" in row for row in limit_rows(LOAD, nearer, most=2)] == [False, True]
    # 8 kN of 96 kN are 8.3 %, 0.5 mm of 7 mm are 7.1 %.
    wider = replace(LOAD, least=20e3)
    assert [", least" in row for row in limit_rows(wider, NET, most=2)] == [False, True]


@pytest.mark.parametrize("near", range(4))
def test_the_limit_with_the_least_room_is_never_hidden(near):
    # 0.026 % and 0.041 % of the span: a coarse step would take both for the same.
    names = ("load", "load_2", "stroke", "midspan")
    limits = [Armed(name, 0.0, 1.0, 0.5, 0.99959) for name in names]
    limits[near] = replace(limits[near], most=0.99974)
    for most in (1, 2, 3):
        assert ", least" in "".join(limit_rows(*limits, most=most))
        assert words.channel_name(names[near]) in "".join(limit_rows(*limits, most=most))


def test_little_room_has_a_sign_even_where_nothing_else_has_room():
    (row,) = limit_rows(replace(NET, most=5.99e-3), most=1, width=64)
    assert row.endswith("5.99 mm, 0.010 below limit   6.00 !")


def test_a_signal_beyond_an_open_limit_at_zero_is_told():
    (row,) = limit_rows(Armed("load", 0.0, math.inf, -500.0, 9e3), most=1)
    assert "0.50 BEYOND limit" in row


def test_stale_data_counts_nothing_down_and_is_what_was_known_last():
    for width, height in ((80, 24), (120, 40)):
        text = screen_text(VIEWS["old"], width, height, ascii_only=False)
        assert "last known" in text
        assert " in 7" not in text
        assert "water on, today 03:17" in text.replace(": ", ", ")
    live = shown("cycling")
    assert "last known" not in live
    assert "water on: in 7 min 48 s" in live


def test_after_an_end_the_load_is_that_of_the_rig_and_not_of_the_last_cycle():
    text = shown("failure")
    assert "upper load" not in text
    assert "load       0.02 kN" in text


@pytest.mark.parametrize("state", ["stopping", "stopped"])
def test_a_rig_that_is_stopped_promises_no_more_cycles_and_says_why_once(state):
    why = "emergency stop pressed"
    view = with_status(
        **STANDING | {"baseline": math.nan},
        **{"state": state, "cause": "emergency_stop", "why": why, "inputs": (why,), "coming": ()},
    )
    text = screen_text(replace(view, curve=Curve(), events=()), 80, 24, ascii_only=False)
    assert text.count(why) == 1
    for promise in ("of cycling", "cycles: ", "baseline comes"):
        assert promise not in text


def test_events_stand_in_one_column_whatever_kind_they_are():
    text = "net deflection at lower load has grown"
    kinds = ("note", "residual-growth", "stiffness-loss", "a kind nobody has heard of")
    view = replace(VIEWS["cycling"], events=tuple(Event(9.0, 0, k, text) for k in kinds))
    lines = screen_text(view, 120, 40, ascii_only=False).splitlines()
    places = {line.index(text) for line in lines if text in line}
    assert len(places) == 1
    assert any("residual  " in line for line in lines)


def test_what_comes_within_minutes_has_its_seconds():
    view = with_status(coming=(Coming("counting begins", 25.0),))
    assert "counting begins: in 25 s, today 03:10:36" in screen_text(view, 80, 24, ascii_only=False)


def test_a_run_out_that_is_broken_afterwards_is_not_the_end():
    def labels(**changes: int) -> list[str]:
        text = screen_text(with_status(VIEWS["cycling"], **changes), 80, 24, ascii_only=True)
        return [line.split()[0] for line in text.splitlines() if "sooner if it fails" in line]

    assert labels(stage_number=3, stages=3) == ["end"]
    assert labels(stage_number=3, stages=5) == ["run-out"]
