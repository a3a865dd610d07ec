"""What a look at a rig shows: values, what is missing, what to try; in words or as one object."""

from __future__ import annotations

import json
import os
import termios
from dataclasses import replace

import pytest

from drivers.gauge import Seen
from drivers.survey import Survey
from rig.assembly.survey import Missing, missing
from rig.commands.devices_json import look_object
from rig.commands.found_devices import drawn, in_words
from rig.monitor.glyphs import ASCII, UTF8
from rig.ports import LineReport
from tests.commands.surveys import GOOD, PLAN, SILENT, wired_plan


def text(found: Survey, width: int = 100, signs=UTF8) -> str:
    lines = drawn(PLAN, found, missing(found, PLAN), width, signs)
    return "\n".join(line.plain.rstrip() for line in lines)


def test_values_are_shown_in_the_units_of_the_trade():
    shown = text(GOOD)
    for words in (
        "ALL THERE",
        "97.13 kN",
        "2.30 mm",
        "20.0 °C",
        "1.50 L/min",
        "answers in 4.0 ms, 12.3 ms at most",
        "skew 900 ms",
        "12 good, 0 bad, 1 missing",
        "load −2.00 to 97.00 kN, stroke: none set",
        "guard open",
        "oil 38.0 °C",
        "stopped by its watchdog",
        "off, flow 0.00 L/min, tank 850 L",
        "answers: 1 did not come",
    ):
        assert words in shown


def test_what_is_missing_comes_first_with_what_to_try():
    lines = text(SILENT).splitlines()
    assert "3 MISSING OR IN DOUBT" in lines[1]
    assert lines[2:4] == [
        " > servo (/dev/ttyS7): nothing answers",
        "   try: is it switched on, are receive and transmit crossed?",
    ]
    assert " > load: has no value" in lines
    assert " > midspan: reads 300 mm, its range is -5 to 50 mm" in lines
    assert "nobody answers" in text(SILENT)
    wrong = replace(SILENT, lines=(replace(SILENT.lines[0], bad=3), SILENT.lines[1]))
    assert "is not understood" in text(wrong)
    # What happened on a line whose trouble was said is not said once more.
    assert "did not come" not in text(SILENT)


@pytest.mark.parametrize("signs", [UTF8, ASCII], ids=["utf8", "ascii"])
@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("found", [GOOD, SILENT, Survey()], ids=["good", "silent", "nothing"])
def test_it_fits_into_the_terminal(found, width, signs):
    for line in drawn(PLAN, found, missing(found, PLAN), width, signs):
        assert line.cell_len <= width or " " not in line.plain.strip()
        assert signs is UTF8 or line.plain.isascii()


def test_a_terminal_of_the_usual_size_shows_all_of_it():
    assert len(text(GOOD, 80).splitlines()) <= 24


@pytest.mark.parametrize(("rows", "told"), [(24, 2), (60, 1)])
def test_a_verdict_that_has_gone_off_the_top_of_a_terminal_is_said_again_below(rows, told):
    found = replace(SILENT, told=("the line of the frame was lost for a while",) * 9)
    primary, secondary = os.openpty()
    termios.tcsetwinsize(secondary, (rows, 80))
    with os.fdopen(primary, "rb"), os.fdopen(secondary, "w", encoding="utf-8") as stream:
        shown = in_words(PLAN, found, missing(found, PLAN), stream, ascii_only=False)
    assert shown.count("3 MISSING OR IN DOUBT") == told
    assert ("3 MISSING OR IN DOUBT" in shown.splitlines()[-1]) == (told == 2)


def test_what_only_follows_from_a_silent_line_is_not_told():
    plan = wired_plan()
    lines = tuple(LineReport(p.name, p.path, "", good=1, who="x") for p in plan.wire.ports)
    silent = replace(lines[1], trouble="nothing comes")
    found = Survey(lines=(lines[0], silent, *lines[2:]))
    told = [m.where for m in missing(found, plan)]
    assert told[0] == "samples (/dev/none/samples)"
    assert not {"load", "midspan", "support_left"} & set(told)
    assert {"flow", "tank", "temperature_air", "temperature_oil"} < set(told)


def test_scripts_get_one_object_without_a_number_that_is_none():
    found = look_object(PLAN, SILENT, (Missing("load", "has no value", "plug it in"),))
    told = json.loads(json.dumps(found, allow_nan=False))
    assert (told["ok"], told["missing"][0]["try"]) == (False, "plug it in")
    assert told["values"]["load"] == {
        "unit": "N",
        "value": None,
        "lowest": None,
        "highest": None,
    }
    assert told["limits"]["stroke"] == [None, None]
    assert told["lines"][0]["round_trip_s"] == [0.004, 0.0123]
    assert told["controller"] is None


def test_noise_that_leaves_the_range_is_in_doubt_though_its_mean_does_not():
    noisy = {**GOOD.values, "load": Seen(6e3, -135e3, 165e3)}
    (one,) = missing(replace(GOOD, values=noisy), PLAN)
    assert (one.where, one.what) == ("load", "reads -135 to 165 kN, its range is -25 to 260 kN")
