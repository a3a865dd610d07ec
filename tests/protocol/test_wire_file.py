"""What the wire tables of a good rig file become, what is warned of, and for which driver."""

from __future__ import annotations

import json
import math
import sys
from dataclasses import fields
from pathlib import Path
from subprocess import run

import pytest
from click.testing import CliRunner

from rig.commands.check import check
from rig.protocol.load import load_plan
from rig.protocol.wire import (
    Controller,
    Instrument,
    Point,
    Port,
    Scaling,
    Source,
    Wire,
)
from simulators.wire.rig_text import rig_text
from simulators.wire.uart import Framing
from tests.protocol.texts import (
    RIG,
    WET,
    WHOLE,
    load_edited,
    problems_of,
    shipped,
    shipped_names,
)
from tests.protocol.wire_texts import WIRED, loaded, problems_in

DEFLECTION = 'deflection = "SOURce:DEFLection:RAMP {to},{speed}"\n'
LEVEL = '  { what = "level", table = "input", at = 8, kind = "float32", unit = "mm" },\n'
IDLE = '[[port]]\nname = "x"\npath = "COM3"\nbaud = 9600\n\n'
INPUTS = ("emergency_stop", "guard_open", "oil_pressure_low", "mains_lost")


def wire_of(text: str) -> Wire:
    wire = loaded(text).wire
    assert wire is not None
    return wire


def edited(*changes: tuple[str, str]) -> str:
    text = WIRED
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def warnings_of(*changes: tuple[str, str]) -> list[str]:
    """Return what is warned of in an edited rig file beside what is warned of without the edit."""
    return list(load_edited({RIG: edited(*changes), WET: WHOLE}).warnings)


# What is read, in SI.


def test_every_port_is_read_with_its_line():
    assert wire_of(WIRED).ports == (
        Port("servo", "/dev/pts/5", 115200),
        Port("samples", "/dev/pts/6", 921600),
        Port("bus", "/dev/pts/7", 19200, parity="even", answer_within=0.1),
        Port("thermometer", "/dev/pts/8", 9600, stop_bits=2, ask_again=0, reopen=False),
    )


def test_samples_come_in_si():
    load, midspan, support = wire_of(WIRED).sources
    assert load == Source("load", "samples", 1, Scaling(1e3, 0.0))
    # Half a millimetre a step, counted downward from 25 mm.
    assert (midspan.channel, midspan.port, midspan.number) == ("midspan", "samples", 2)
    assert midspan.scaling.si(0) == pytest.approx(25e-3)
    assert midspan.scaling.si(10) == pytest.approx(20e-3)
    # An inch is 0.0254 m exactly: NIST SP 811 (2008), appendix B.
    assert support == Source("support_left", "samples", 4, Scaling(0.0254, 0.0))


def test_the_controller_is_read_with_its_commands_words_units_and_limits():
    controller = wire_of(WIRED).controller
    assert controller is not None
    assert (controller.port, controller.identity) == ("servo", "emulated controller")
    assert (controller.decimals, controller.line_end) == (5, "\r\n")
    assert controller.fields == (
        *("mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke", "-"),
    )
    assert controller.words["NONE"] == ""
    assert controller.words["FORC"] == "load"
    assert controller.limits == {"load": "FORCe", "stroke": "STRoke"}
    assert controller.units == {
        "force": Scaling(1e4),  # scale = 10: it says tens of kilonewtons
        "length": Scaling(1e-3),
        "speed": Scaling(1e-3),
        "force rate": Scaling(1e3),
        "frequency": Scaling(1.0),
        "time": Scaling(1.0),
    }
    assert controller.actions["identify"] == ("*IDN?",)
    assert controller.actions["cycle"] == (
        "SOURce:FUNCtion SINusoid;FREQuency {frequency};FORCe:OFFSet {mean};AMPLitude {amplitude}",
        "SOURce:CYCLe:STARt {over}",
    )
    assert len(controller.actions) == 20


def test_devices_on_the_bus_are_read_with_their_points():
    station, cabinet = wire_of(WIRED).modbus
    assert (station.name, station.port, station.address) == ("water station", "bus", 1)
    assert station.watchdog == (0, 500)
    pump, running, leak, flow, tank = station.points
    assert pump == Point("pump", "coil", 0, "bit")
    assert running == Point("pump_running", "discrete", 0, "bit")
    assert leak == Point("leak", "discrete", 1, "bit")
    assert (flow.table, flow.at, flow.kind) == ("input", 0, "float32")
    # A litre a minute is 1/60000 m3/s.
    assert flow.scaling.si(3.0) == pytest.approx(3.0 / 60000)
    assert (flow.low, flow.high) == (0.0, pytest.approx(5.0 / 60000))
    assert tank == Point("tank", "input", 2, "float32", Scaling(1e-3), high_first=False)
    assert (cabinet.address, cabinet.watchdog) == (247, None)
    closed_is_well = {p.what: p.true_is for p in cabinet.points[1:6]}
    assert closed_is_well == {**dict.fromkeys(INPUTS, False), "local_button": True}
    oil = cabinet.points[6]
    assert (oil.table, oil.at, oil.kind, oil.every) == ("holding", 0, "int16", 5.0)
    # 1220 tenths of a degree Fahrenheit are 50 degC: (F - 32) * 5 / 9.
    assert oil.scaling.si(1220) == pytest.approx(273.15 + 50.0)
    assert (oil.low, oil.high) == (-math.inf, math.inf)


def test_instruments_are_read_with_their_answers():
    (instrument,) = wire_of(WIRED).instruments
    (answer,) = instrument.answers
    assert (instrument.name, instrument.port) == ("thermometer", "thermometer")
    assert (instrument.ask, instrument.line_end) == ("MEASure:TEMPerature?", "\r")
    assert instrument.every == 10.0
    assert (answer.channel, answer.place) == ("temperature_air", 2)
    assert answer.scaling.si(20.0) == pytest.approx(273.15 + 19.6)
    assert (answer.low, answer.high) == (pytest.approx(233.15), pytest.approx(353.15))


def test_what_is_left_out_is_what_the_words_of_the_program_say():
    """Defaults stand twice, in rig/protocol/wire.py and in the tables of the file."""
    plain = edited(
        ('stale_after = "500 ms"\n', ""),
        ('parity = "even"\nanswer_within = "100 ms"\n', ""),
        ("decimals = 5\n", ""),
        ('line_end = "CRLF"\n', ""),
        ('identity = "emulated controller"\n', ""),
        ('every = "10 s"\nline_end = "CR"\n', ""),
    )
    wire = wire_of(plain)
    assert wire.ports[2] == Port("bus", "/dev/pts/7", 19200)
    for built in (wire, wire.controller, wire.instruments[0], wire.modbus[0].points[4]):
        defaults = {f.name: f.default for f in fields(built) if f.name in PLAIN[type(built)]}
        assert {name: getattr(built, name) for name in defaults} == defaults


PLAIN = {
    Wire: {"stale_after"},
    Controller: {"decimals", "line_end", "identity"},
    Instrument: {"every", "line_end"},
    Point: {"true_is", "every", "low", "high"},
}


def test_points_may_stand_in_tables_of_their_own():
    begin = WIRED.index("points = [")
    end = WIRED.index("]\n\n[[modbus]]")
    lines = WIRED[begin:end].splitlines()[1:]
    tables = "".join(
        "[[modbus.points]]\n"
        + row.strip(" {},").replace(", ", "\n").replace('min"\n"5', 'min", "5')
        + "\n"
        for row in lines
    )
    assert wire_of(WIRED[:begin] + tables + WIRED[end + 2 :]) == wire_of(WIRED)


def test_words_that_differ_by_field_name_it():
    changes = [
        ('OFF = "off"', '"mode 0" = "off"\n"pressure 0" = "off"'),
        ('LOW = "low"', '"pressure 1" = "low"'),
        ('HIGH = "high"', '"pressure 2" = "high"'),
        ('STR = "stroke"', '"mode 1" = "stroke"\n"tripped 1" = "stroke"'),
        ('FORC = "load"', '"mode 2" = "load"\n"tripped 2" = "load"\n"moving RUN" = "moving"'),
    ]
    controller = wire_of(edited(*changes)).controller
    assert controller is not None
    assert controller.words["mode 2"] == "load"
    assert controller.words["pressure 2"] == "high"
    assert warnings_of(*changes) == []


# What good practice would do otherwise.


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


FROM = 'from = { port = "samples", number = 1, unit = "kN" }\n'
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


# Other drivers.

KEYS = {"port", "controller", "modbus", "instrument", "stale_after"}


@pytest.mark.parametrize("driver", ["simulated", "frame_7"])
def test_to_another_driver_lines_mean_nothing_and_each_is_told(driver):
    problems = problems_in(edited(('driver = "serial"', f'driver = "{driver}"')))
    sources = {f"channel[{n}].from" for n in (1, 2, 3)}
    assert {p.field for p in problems} == KEYS | sources
    for problem in problems:
        assert problem.problem == f'means nothing to driver "{driver}"'
        assert problem.remedy == 'take it out, or write driver = "serial"'


@pytest.mark.parametrize(
    "line",
    ['stale_after = "1 s"', "port = []", "modbus = []", "instrument = []", "controller = {}"],
)
def test_a_single_key_of_lines_is_refused_by_the_simulated_rig_too(line):
    text = shipped(RIG).replace("[actuator]", f"{line}\n\n[actuator]", 1)
    problems = problems_in(text)
    assert {p.line for p in problems} == {text[: text.index(line)].count("\n") + 1}
    key = line.partition(" ")[0]
    assert f'{key}: means nothing to driver "simulated"' in "\n".join(map(str, problems))


def test_a_sample_that_the_simulated_rig_has_no_line_for_is_refused():
    text = shipped(RIG).replace('name = "load"\n', 'name = "load"\n' + FROM, 1)
    (problem,) = problems_in(text)
    assert (problem.field, problem.problem) == (
        "channel[1].from",
        'means nothing to driver "simulated"',
    )


def objected(name: str) -> tuple[str, str] | None:
    return (
        None if name in ("serial", "simulated") else (f'"{name}" is not installed', "write serial")
    )


def test_a_driver_whose_name_is_wrong_is_one_problem_whatever_it_may_be():
    texts = {WET: WHOLE, RIG: edited(('driver = "serial"', 'driver = "serail"'))}
    with pytest.raises(Exception, match="not installed") as caught:
        load_plan(WET, RIG, lambda path: texts.get(path) or shipped(path), objected)
    assert [p.field for p in caught.value.problems] == ["driver"]
    texts[RIG] = edited(('driver = "serial"', "driver = 7"), ("baud = 921600", "baud = 0"))
    with pytest.raises(Exception, match="no name of a driver") as caught:
        load_plan(WET, RIG, lambda path: texts.get(path) or shipped(path), objected)
    assert {p.field for p in caught.value.problems} == {"driver", "port[2].baud"}


def test_a_simulated_rig_has_no_wire():
    plan = load_edited({})
    assert plan.rig.wire is None
    assert plan.rig.settings == {}


SETTINGS = """
[settings]
address = "tcp://10.0.0.7"
channels = 8
gain = 0.5
terminated = true
"""


def with_settings(driver: str, settings: str) -> str:
    text = shipped(RIG).replace('driver = "simulated"', f'driver = "{driver}"')
    return text.replace("\n[limits]", f"{settings}\n[limits]", 1)


def test_settings_go_to_a_driver_from_elsewhere_as_they_are():
    plan = loaded(with_settings("frame_7", SETTINGS))
    assert plan.settings == {
        "address": "tcp://10.0.0.7",
        "channels": 8,
        "gain": 0.5,
        "terminated": True,
    }
    assert plan.wire is None


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("[1, 2]", "[1, 2] is no setting"),
        ("{ a = 1 }", "{ a = 1 } is no setting"),
        ("2020-01-01", "2020-01-01 is no setting"),
        ("nan", "nan is not a finite number"),
        ("-inf", "-inf is not a finite number"),
    ],
)
def test_a_setting_that_is_neither_text_nor_number_nor_true_or_false_is_refused(value, said):
    text = with_settings("frame_7", f"\n[settings]\ngain = {value}\n")
    (problem,) = problems_in(text)
    assert (problem.field, problem.problem) == ("settings.gain", said)
    assert text.splitlines()[problem.line - 1] == f"gain = {value}"


def test_the_simulated_rig_has_no_settings():
    (problem,) = problems_in(with_settings("simulated", SETTINGS))
    assert (problem.field, problem.problem) == ("settings", 'means nothing to driver "simulated"')


# The command, and what it costs.


def test_check_finds_the_serial_driver_and_accepts_the_file(tmp_path):
    (tmp_path / "frame.toml").write_text(WIRED, encoding="utf-8")
    done = CliRunner().invoke(
        check, ["first-night", "--rig", str(tmp_path / "frame.toml"), "--json"]
    )
    told = json.loads(done.stdout)
    assert (done.exit_code, told["problems"]) == (0, [])


def test_reading_lines_opens_none_and_imports_neither_numpy_nor_their_libraries(tmp_path):
    (tmp_path / "frame.toml").write_text(WIRED, encoding="utf-8")
    program = (
        "import sys; from pathlib import Path; from rig.protocol.load import load_rig\n"
        "load_rig(sys.argv[1], lambda path: Path(path).read_text())\n"
        "slow = {'numpy', 'serial', 'pymodbus', 'drivers', 'simulators', 'asyncio'}\n"
        "sys.exit(str(slow & set(sys.modules)) if slow & set(sys.modules) else 0)"
    )
    done = run(
        [sys.executable, "-c", program, str(tmp_path / "frame.toml")],
        check=False,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert (done.returncode, done.stderr) == (0, "")


# The emulation prints the rig file that a laboratory would write; both know it by this reader only.

FRAMINGS = {
    "servo": Framing(115200, "none", 1),
    "samples": Framing(921600, "none", 1),
    "bus": Framing(19200, "even", 1),
    "thermometer": Framing(9600, "none", 1),
}


@pytest.mark.parametrize("limits", ["controller", "software only"])
@pytest.mark.parametrize("name", shipped_names("rigs"))
def test_the_rig_file_of_an_emulated_rig_is_read_without_a_problem(name, limits):
    text = shipped(name).replace('limits = "controller"', f'limits = "{limits}"')
    rig = loaded(text)
    paths = {port: f"/tmp/ports/{port}" for port in FRAMINGS}
    printed = rig_text(rig, paths, FRAMINGS)
    read = load_edited({RIG: printed, WET: WHOLE}).rig
    assert read.wire is not None
    assert {p.name: (p.path, p.baud, p.parity, p.stop_bits) for p in read.wire.ports} == {
        port: (paths[port], line.baud, line.parity, line.stop_bits)
        for port, line in FRAMINGS.items()
    }
    assert [s.channel for s in read.wire.sources] == [c.name for c in rig.sampled]
    assert (read.actuator, read.limits, read.pump) == (rig.actuator, rig.limits, rig.pump)
