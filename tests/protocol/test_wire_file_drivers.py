"""For which driver lines and settings mean something, and who reads such a file."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from subprocess import run

import pytest
from click.testing import CliRunner

from rig.commands.check import check
from rig.protocol.load import load_plan
from simulators.wire.rig_text import rig_text
from simulators.wire.uart import Framing
from tests.protocol.texts import (
    RIG,
    WET,
    WHOLE,
    load_edited,
    shipped,
    shipped_names,
)
from tests.protocol.wire_texts import WIRED, edited, loaded, problems_in

FROM = 'from = { port = "samples", number = 1, unit = "kN" }\n'


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


@pytest.mark.nights
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
