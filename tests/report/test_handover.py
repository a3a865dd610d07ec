"""The handover of made nights: what is told, in which order, and that nothing is told wrongly.

The nights are written with a run's own words (`handover_nights.py`): what happened is known.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.monitor.alerts.book import write
from rig.monitor.alerts.desk import line
from rig.monitor.call import call
from rig.monitor.glyphs import ASCII, UTF8
from rig.record.status import Foreseen
from rig.report.handover import changes
from rig.report.handover.needed import needs
from rig.report.handover.numbers_told import number_rows
from rig.report.handover.page import page
from rig.report.handover.plain import plain
from rig.report.handover.reading import Damage
from rig.report.handover.telling import hand_over, told_of
from tests.report import handover_nights as nights
from tests.report.handover_nights import alive, gone, happened, shown, small

pytestmark = pytest.mark.usefixtures("seven_in_the_morning")

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
