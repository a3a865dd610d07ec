"""What is warned of in a good rig file, and what a protocol asks of its controller."""

from __future__ import annotations

import pytest

from tests.protocol.texts import (
    RIG,
    WET,
    WHOLE,
    load_edited,
    problems_of,
)
from tests.protocol.wire_texts import WIRED, edited, problems_in, warnings_of, wire_of

DEFLECTION = 'deflection = "SOURce:DEFLection:RAMP {to},{speed}"\n'
LEVEL = '  { what = "level", table = "input", at = 8, kind = "float32", unit = "mm" },\n'
IDLE = '[[port]]\nname = "x"\npath = "COM3"\nbaud = 9600\n\n'


def test_the_whole_file_is_read_without_a_warning():
    assert warnings_of() == []


@pytest.mark.parametrize(
    ("old", "new", "phrase"),
    [
        ('"/dev/pts/6"', '"/dev/ttyUSB0"', ":27: port[2].path: "),
        ('"/dev/pts/6"', '"/dev/ttyACM12"', "name the one of /dev/serial/by-id"),
        ("baud = 921600", "baud = 96000", "96000 is no usual speed; 76800 is the nearest"),
        ("baud = 921600", "baud = 115200", "115200 carries 372 frames of 4 samples a second"),
        # 21 characters of 11 bits to each of two devices.
        ("baud = 19200", "baud = 600", "600 needs 0.77 s or more for a question to each device"),
        ('answer_within = "200 ms"', 'answer_within = "300 ms"', "longer than the 0.25 s"),
        ("[pump]\n", IDLE + "[pump]\n", "port[5]: carries nothing"),
        ("watchdog = { at = 0, value = 500 }\n", "", "water runs on when this program ends"),
        ("at = 4 }", "at = 10005 }", "looks like a number of the manual, where the first one is"),
        ("at = 4 }", "at = 1 }", 'is the bit of "guard_open" too'),
        ('  { what = "horn"', LEVEL + '  { what = "horn"', '"level" is no [[channel]]'),
        ('[warning_signal]\nkind = "horn"\nbefore = "5 s"\n', "", '"horn" is never switched'),
        ('  { what = "horn", table = "coil", at = 0 },\n', "", "moves without a warning"),
        ('local_input = "button"\n', "", '"local_button" is read and allows nothing'),
        ('  { what = "local_button", table = "discrete", at = 4 },\n', "", "neither goes on nor"),
        (
            '  { what = "emergency_stop", table = "discrete", at = 0, true_is = 0 },\n',
            "",
            "no point tells emergency_stop: this program stops for none of them",
        ),
        ('  { what = "leak", table = "discrete", at = 1 },\n', "", "no point tells leak"),
        ('WATC = "watchdog"\n', "", 'have none that means stopped_by "watchdog"'),
        ('FORC = "load"\n', "", 'mode "load", tripped "load"'),
        ('"tripped", ', "", "leaves out tripped"),
        ("STARt {over}", "STARt", "leaves out {over}"),
    ],
)
def test_what_may_go_wrong_at_the_rig_is_a_warning(old, new, phrase):
    warnings = warnings_of((old, new))
    assert [w for w in warnings if phrase in w], warnings


def test_a_pump_whose_flow_nothing_measures_is_a_warning():
    begin = WIRED.index('[[channel]]\nname = "flow"')
    end = WIRED.index('[[channel]]\nname = "tank"')
    point = WIRED[WIRED.index('  { what = "flow"') : WIRED.index('  { what = "tank"')]
    told = warnings_of((WIRED[begin:end], ""), (point, ""))
    assert [w for w in told if "every spray counts as confirmed" in w]


def test_flow_tank_and_oil_are_looked_at_without_a_channel():
    begin = WIRED.index('[[channel]]\nname = "flow"')
    end = WIRED.index('[[channel]]\nname = "temperature_air"')
    assert warnings_of((WIRED[begin:end], "")) == []


# A controller without limits of its own, and what a protocol asks of one.


def test_a_controller_without_limits_needs_no_commands_for_them_and_no_watchdog():
    changes = [
        ('limits = "controller"', 'limits = "software only"'),
        ('limits = { load = "FORCe", stroke = "STRoke" }\n', ""),
        ('"write limit" = "CALCulate:LIMit:{limit} {low},{high}"\n', ""),
        ('"read limit" = "CALCulate:LIMit:{limit}?"\n', ""),
        ('heartbeat = "SYSTem:BEAT"\n', ""),
        ('LIM = "limit"\n', ""),
        ('WATC = "watchdog"\n', ""),
        ('"tripped", ', ""),
    ]
    controller = wire_of(edited(*changes)).controller
    assert controller is not None
    assert controller.limits == {}
    (told,) = warnings_of(*changes)
    assert "the controller goes on by itself when this program ends" in told


def test_a_stage_that_the_controller_cannot_control_is_a_problem_of_the_protocol():
    (problem,) = problems_of({WET: WHOLE, RIG: edited((DEFLECTION, ""))})
    line = WHOLE[: WHOLE.index('control = "deflection"')].count("\n") + 1
    assert (problem.file, problem.line, problem.field) == (WET, line, "stage[2].control")
    assert 'has no command for "deflection"' in problem.problem


STROKE = """\
[[channel]]
name = "stroke"
resolution = "1 um"
range = ["-60 mm", "60 mm"]
from = { port = "samples", number = 3, unit = "mm" }

[[channel]]
name = "flow"
"""


def test_a_limit_that_the_controller_does_not_have_is_a_problem_where_it_is_named():
    changes = [
        ('[[channel]]\nname = "flow"\n', STROKE),
        (', stroke = "STRoke" }', " }"),
    ]
    protocol = WHOLE.replace("[limits]\n", '[limits]\nstroke = ["-50 mm", "50 mm"]\n')
    (problem,) = problems_of({WET: protocol, RIG: edited(*changes)})
    assert (problem.file, problem.field) == (WET, "limits.stroke")
    assert "has no limit of its own on stroke" in problem.problem
    own = ("[limits]\n", '[limits]\nstroke = ["-50 mm", "50 mm"]\n')
    (problem,) = problems_in(edited(*changes, own))
    assert problem.field == "controller.limits.stroke"
    assert load_edited({WET: protocol, RIG: edited(changes[0], own)})
