"""`nightrig devices`: what it shows, what it misses, what it never does."""

from __future__ import annotations

import asyncio
import json
import math
import os
import re
import signal
import subprocess
import sys
import termios
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.gauge import Seen
from drivers.lines import SerialLine
from drivers.survey import Survey
from drivers.survey import survey as survey_lines
from rig.assembly.emulation import run_until
from rig.assembly.survey import Missing, missing, survey
from rig.assembly.trying import tried
from rig.channels import Channel
from rig.clock import SystemClock, VirtualClock
from rig.commands.consent import consent
from rig.commands.devices_json import look_object
from rig.commands.files import load
from rig.commands.found_devices import drawn, in_words
from rig.commands.main import main
from rig.commands.rig_alone import load_rig_alone
from rig.control.lock import lock_rig
from rig.errors import DeviceError, InputError, NotBegun
from rig.monitor.glyphs import ASCII, UTF8
from rig.ports import ActuatorStatus, InputState, LineReport, PumpStatus
from rig.protocol.load import load_rig
from simulators.wire.emulation import framings
from simulators.wire.rig_text import rig_text
from tests.assembly.nights import COMMAND, ROOT, a_night, eventually
from tests.wire.live import a_wire_night

PLAN = replace(
    load_rig_alone(None).rig,
    channels=(
        Channel("load", "N", 5.0, -25e3, 260e3),
        Channel("midspan", "m", 5e-7, -5e-3, 50e-3),
        Channel("temperature_water", "K", 0.1, 273.15, 333.15, slow=True),
        Channel("flow", "m3/s", 1e-7, 0.0, 1e-4, slow=True),
    ),
)
GOOD = Survey(
    lines=(
        LineReport(
            "servo", "/dev/ttyS7", "controller", "a controller", 31, round_trip=(0.004, 0.0123)
        ),
        LineReport("bus", "/dev/ttyS8", "Modbus RTU", "water station", 12, 0, 1, skew=0.9),
    ),
    values={
        "load": Seen(97_130.0, 96_000.0, 98_000.0),
        "midspan": Seen(0.0023),
        "temperature_water": Seen(293.15),
        "flow": Seen(2.5e-5),
    },
    status=ActuatorStatus("off", False, 1234, "", "watchdog", "off", 0.012),
    limits={"load": (-2e3, 97e3), "stroke": (-math.inf, math.inf)},
    inputs=InputState(guard_open=True, oil_temperature=311.15),
    pump=PumpStatus(False, 0.0, 0.85),
    emulated=True,
    told=('port "servo" (/dev/ttyS7): answers: 1 did not come, 0 did not fit',),
)
SILENT = replace(
    GOOD,
    lines=(
        replace(
            GOOD.lines[0],
            who="",
            good=0,
            trouble="nothing answers",
            remedy="is it switched on, are receive and transmit crossed?",
        ),
        GOOD.lines[1],
    ),
    values={**GOOD.values, "load": Seen(math.nan), "midspan": Seen(0.3)},
    status=None,
)


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


def wired_plan():
    """Return the rig of an emulation's rig file, whose ports nobody has made."""
    rig = load_rig_alone(None).rig
    set_as = framings(rig.rate, len(rig.sampled))
    paths = {name: f"/dev/none/{name}" for name in set_as}
    return load_rig("rig.toml", lambda _path: rig_text(rig, paths, set_as))


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


def nightrig(*words: str) -> int:
    """Run a command in this process; return its exit code."""
    with pytest.raises(SystemExit) as left:
        main(["devices", *words])
    return int(left.value.code)


def test_the_simulated_rig_is_looked_at_as_any_other(capfd, tmp_path):
    rig = (ROOT / "protocols/rigs/simulated-full.toml").read_text()
    name = f"frame {tmp_path.name} {os.getpid()}"
    (tmp_path / "rig.toml").write_text(rig.replace("simulated frame, full", name))
    assert nightrig("--rig", str(tmp_path / "rig.toml"), "--seconds", "0.5", "--json") == 0
    told = json.loads(capfd.readouterr().out)
    assert (told["rig"], told["ok"], told["emulated"]) == (name, True, True)
    assert set(told["values"]) > {"load", "midspan", "crack_opening", "temperature_oil", "tank"}
    assert all(value["value"] is not None for value in told["values"].values())
    assert told["controller"]["pressure"] == "off"


def test_a_rig_on_which_a_test_runs_is_left_alone(capfd, tmp_path):
    rig = (ROOT / "protocols/rigs/simulated.toml").read_text()
    name = f"frame {tmp_path.name} {os.getpid()}"
    (tmp_path / "rig.toml").write_text(rig.replace("simulated frame", name))
    lock = lock_rig(name, tmp_path / "night-1", datetime.now(UTC))
    try:
        for more in ((), ("--try", "horn")):
            assert nightrig("--rig", str(tmp_path / "rig.toml"), *more) == 2
            assert f"is in use by {tmp_path / 'night-1'}" in capfd.readouterr().err
    finally:
        lock.release()
        lock.path.unlink()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--seed", "3"), "--seed goes with --emulate"),
        (("first-night",), "PROTOCOL goes with --emulate"),
        (("--emulate", "--try", "pump"), "--emulate goes without --try"),
        (("--try", "actuator"), "'actuator' is not one of 'pump', 'horn'"),
        (("--rig", "no-such-rig"), 'cannot read "no-such-rig"'),
    ],
)
def test_words_that_go_together_with_nothing_are_refused(capfd, words, said):
    assert nightrig(*words) == 2
    assert said in capfd.readouterr().err


DRIVER = """
from dataclasses import replace
from rig.errors import DeviceError
from rig.ports import InputState, PumpStatus
from simulators.rig import simulated_rig
from rig.assembly.simulation import simulation_setup
from rig.commands.rig_alone import load_rig_alone

ORDERS = []

class Pump:
    def __init__(self, pump, wrong):
        self.pump, self.wrong = pump, wrong

    async def set(self, on):
        ORDERS.append(on)
        if self.wrong == "stays on" and not on:
            raise DeviceError("no answer from the pump")
        await self.pump.set(on)

    async def status(self):
        status = await self.pump.status()
        return PumpStatus(False, 0.0, None) if self.wrong == "never runs" else status

class Wet:
    async def read(self):
        return InputState(leak=True)

class Broken:
    async def read(self):
        raise RuntimeError("half an answer")

async def open_rig(plan, clock):
    ORDERS.clear()
    wrong = plan.settings["wrong"]
    if wrong == "missing":
        raise DeviceError("frame: nothing comes; is it on?\\npump: no such port; plug it in")
    setup = simulation_setup(replace(load_rig_alone(None), rig=plan))
    rig = simulated_rig(setup, 1, clock, paced=True)
    rig = replace(rig, pump=Pump(rig.pump, wrong))
    inputs = {"leak": Wet(), "inputs": Broken()}.get(wrong, rig.inputs)
    return replace(rig, inputs=inputs)
"""


@pytest.fixture
def pumps(tmp_path, monkeypatch):
    """Install a driver whose pump has something wrong; return the orders that it was given."""
    (tmp_path / "pumps_of_the_tests.py").write_text(DRIVER)
    offered = tmp_path / "pumps-1.dist-info"
    offered.mkdir()
    (offered / "METADATA").write_text("Metadata-Version: 2.1\nName: pumps\nVersion: 1\n")
    (offered / "entry_points.txt").write_text(
        "[nightrig.drivers]\npumps = pumps_of_the_tests:open_rig\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    yield lambda: sys.modules["pumps_of_the_tests"].ORDERS
    sys.modules.pop("pumps_of_the_tests", None)


def pump_plan(wrong: str):
    plan = load_rig_alone(None)
    return replace(plan, rig=replace(plan.rig, driver="pumps", settings={"wrong": wrong}))


@pytest.mark.virtual
async def test_a_driver_that_finds_nothing_is_told_line_by_line(pumps):
    plan = pump_plan("missing")
    found = await survey(plan, VirtualClock(), 1.0)
    assert missing(found, plan.rig) == (
        Missing("", "frame: nothing comes", "is it on?"),
        Missing("", "pump: no such port", "plug it in"),
    )


@pytest.mark.virtual
async def test_a_device_of_any_driver_that_fails_hides_nothing(pumps):
    plan = pump_plan("inputs")
    found = await survey(plan, VirtualClock(), 1.0)
    (one,) = missing(found, plan.rig)
    assert "half an answer" in one.what
    assert set(found.values) == {"load", "midspan", "support_left"}
    assert found.values["load"].lowest < found.values["load"].highest
    assert (found.status.pressure, found.inputs) == ("off", None)
    assert found.pump is not None
    assert pumps() == []


@pytest.mark.virtual
async def test_a_pump_is_on_for_two_seconds_and_its_flow_is_measured(pumps):
    clock = VirtualClock()
    done = await tried(pump_plan(""), "pump", clock)
    assert pumps() == [True, False]
    assert (done.seconds, done.ran) == (2.0, True)
    assert 0 < done.flow < 2.6e-5


@pytest.mark.virtual
async def test_a_pump_that_never_runs_is_told(pumps):
    assert (await tried(pump_plan("never runs"), "pump", VirtualClock())).ran is False
    assert pumps() == [True, False]


@pytest.mark.virtual
async def test_a_pump_that_cannot_be_switched_off_is_shouted(pumps):
    with pytest.raises(DeviceError, match=r"THE PUMP MAY STILL BE ON: .* close the water by hand"):
        await tried(pump_plan("stays on"), "pump", VirtualClock())
    assert pumps().count(False) == 5


@pytest.mark.virtual
async def test_no_water_is_put_where_water_was_found(pumps):
    with pytest.raises(DeviceError, match="was not switched on: water is found"):
        await tried(pump_plan("leak"), "pump", VirtualClock())
    assert pumps() == []


@pytest.mark.virtual
async def test_a_try_that_is_broken_off_switches_off(pumps):
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(1.0):
            await tried(pump_plan(""), "pump", VirtualClock())
    assert pumps() == [True, False]


@pytest.mark.virtual
async def test_a_horn_sounds_for_two_seconds():
    clock = VirtualClock()
    begun = clock.now()
    done = await tried(load_rig_alone(None), "horn", clock)
    assert (done.what, done.seconds, clock.now() - begun) == ("horn", 2.0, pytest.approx(2.0))


@pytest.fixture
def terminal(monkeypatch):
    """Return a function that types lines on a terminal which is standard input."""
    primary, secondary = os.openpty()
    with os.fdopen(secondary, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield lambda *lines: os.write(primary, "".join(f"{x}\n" for x in lines).encode())
    os.close(primary)


def test_a_name_and_the_word_are_typed_before_anything_is_switched(terminal, capfd):
    terminal("A. Name", "pump")
    assert consent("pump", emulated=False) == "A. Name"
    said = capfd.readouterr().err
    assert said.count("CAUTION: ") == 3
    assert "residual-current device" in said
    assert "within reach" in said


@pytest.mark.parametrize("lines", [("A. Name", "yes"), ("A. Name", "horn "), ("",)])
def test_without_the_word_nothing_is_switched(terminal, lines):
    terminal(*lines)
    with pytest.raises(NotBegun, match="the pump was not switched"):
        consent("pump", emulated=False)


@pytest.mark.parametrize("lines", [(), ("A. Name",)], ids=["at the name", "at the word"])
def test_who_breaks_it_off_at_the_questions_is_told_that_nothing_was_switched(
    terminal, capfd, monkeypatch, lines
):
    terminal(*lines)
    typed = [f"{line}\n" for line in lines]

    def readline() -> str:
        if typed:
            return typed.pop(0)
        raise KeyboardInterrupt

    monkeypatch.setattr(sys.stdin, "readline", readline)
    with pytest.raises(NotBegun, match="the horn was not switched: broken off"):
        consent("horn", emulated=True)
    assert "nothing real is switched" in " ".join(capfd.readouterr().err.split())


def test_without_a_terminal_only_an_emulated_rig_is_tried(monkeypatch):
    with open(os.devnull, encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        assert consent("horn", emulated=True)
        with pytest.raises(InputError, match="only a person at a terminal may try it"):
            consent("horn", emulated=False)


async def test_each_line_of_an_emulated_rig_is_looked_at_by_itself(tmp_path):
    plan = load("first-night", None)
    ended, written, files = asyncio.Event(), asyncio.Event(), list[str]()
    clock = SystemClock()

    def ready(text: str) -> None:
        files.append(text)
        written.set()

    async with asyncio.TaskGroup() as group:
        group.create_task(run_until(ended, plan, 1, tmp_path / "ports", ready, clock=clock))
        await asyncio.wait_for(written.wait(), 10)
        # So that what it answers first is soon thrown away.
        text_ = files[0].replace('answer_within = "500 ms"', 'answer_within = "100 ms"')
        gone = text_.replace(str(tmp_path / "ports" / "servo"), str(tmp_path / "none"))
        wired = load_rig("rig.toml", lambda _path: text_)
        found = await survey_lines(wired, clock, 0.6)
        assert missing(found, wired) == ()
        assert [line.port for line in found.lines] == ["servo", "samples", "bus", "thermometer"]
        assert all(line.good and line.who for line in found.lines)
        assert (found.emulated, found.status.pressure) == (True, "off")
        assert set(found.values) == {c.name for c in wired.channels}
        assert not any(math.isnan(seen.value) for seen in found.values.values())

        other = load_rig("rig.toml", lambda _path: gone)
        taken = SerialLine(other.wire.port("thermometer"), clock)
        taken.open(lambda _data, _when: None)
        try:
            found = await survey_lines(other, clock, 0.6)
        finally:
            await asyncio.to_thread(taken.close)
        lacks = missing(found, other)
        assert [m.where.split()[0] for m in lacks] == ["servo", "thermometer"]
        assert "there is no such port" in lacks[0].what
        assert "in use by another program" in lacks[1].what
        assert found.inputs is not None
        assert not found.emulated
        assert not math.isnan(found.values["load"].value)
        ended.set()


async def test_each_port_that_is_not_there_is_told_once_with_what_to_try():
    plan = wired_plan()
    found = await survey_lines(plan, SystemClock(), 0.1)
    assert missing(found, plan) == tuple(
        Missing(
            f"{name} (/dev/none/{name})",
            "there is no such port",
            "is it plugged in and switched on? look in /dev/serial/by-id",
        )
        for name in ("servo", "samples", "bus", "thermometer")
    )


def test_noise_that_leaves_the_range_is_in_doubt_though_its_mean_does_not():
    noisy = {**GOOD.values, "load": Seen(6e3, -135e3, 165e3)}
    (one,) = missing(replace(GOOD, values=noisy), PLAN)
    assert (one.where, one.what) == ("load", "reads -135 to 165 kN, its range is -25 to 260 kN")


def edited(folder: Path, *changes: tuple[str, str]) -> str:
    """Write a rig file that differs from the emulation's; return its name."""
    rig = (folder / "rig.toml").read_text()
    for old, new in changes:
        assert old in rig
        rig = rig.replace(old, new)
    (folder / "other.toml").write_text(rig)
    return "other.toml"


def exchanged(folder: Path, one: str, other: str) -> tuple[tuple[str, str], ...]:
    """Return the changes that exchange the paths of two ports."""
    first, second = (f'"{folder / "ports" / name}"' for name in (one, other))
    return (first, "@"), (second, first), ("@", second)


WRONG = {
    "other speeds": (
        lambda _: (
            ("baud = 921600", "baud = 115200"),
            ("baud = 19200", "baud = 38400"),
            ("baud = 9600", "baud = 57600"),
        ),
        {
            "samples": ("no frame fits", "understood at 921600 baud"),
            "bus": ("do not answer", "understood at 19200 baud"),
            "thermometer": ("", "understood at 9600 baud"),
        },
    ),
    "a controller and a bus exchanged": (
        lambda folder: exchanged(folder, "servo", "bus"),
        {
            "servo": ("nothing answers", "a Modbus device .* exchanged"),
            "bus": ("do not answer", "the controller .* exchanged"),
        },
    ),
    "samples and a thermometer exchanged": (
        lambda folder: exchanged(folder, "samples", "thermometer"),
        {"samples": ("", "the instrument"), "thermometer": ("", "a device that sends samples")},
    ),
    "other devices than the rig file's": (
        lambda folder: (
            ("address = 2", "address = 77"),
            ('rate = "1 kHz"', 'rate = "500 Hz"'),
            ('identity = "emulated controller"', 'identity = "big one"'),
            (str(folder / "ports" / "thermometer"), "/dev/serial/by-id/none"),
        ),
        {
            "servo": ('answers and the rig file expects "big one"', "right port"),
            "samples": ("samples at 1000 Hz, the rig file says 500 Hz", ""),
            "bus": (r'"cabinet" \(address 77\) does not answer, the others', "address"),
            "thermometer": ("^there is no such port$", "plugged in"),
        },
    ),
    "words that are not the devices' own": (
        lambda _: (
            ("STATus:RIG?", "STATus:RIGG?"),
            ('table = "input", at = 6', 'table = "input", at = 70'),
            ("place = 1", "place = 2"),
        ),
        {
            "servo": ('^no answer to "STATus:RIGG\\?"', "answers other questions"),
            "bus": ("illegal data address", "look up this address"),
            "thermometer": ("is no answer to", "places, words, order"),
        },
    ),
    "another echo, and another line end": (
        lambda _: (
            ("*ESE {number};*ESE?", "*ESR {number};*ESR?"),
            ('answers = [{ channel = "temp', 'line_end = "CR"\nanswers = [{ channel = "temp'),
        ),
        {
            "servo": ("does not bring its number back", "is echo in .* one of its own commands"),
            "thermometer": ("nothing answers", 'write line_end = "LF"'),
        },
    ),
}
"""Changes of a rig file, and by port what is then told, and what to try."""


@pytest.mark.nights
@pytest.mark.timeout(180)
@pytest.mark.xdist_group("live")
def test_what_is_wrong_is_told_with_what_to_try_and_nothing_is_moved_or_written(tmp_path):
    with a_wire_night(tmp_path) as night:
        before = night.truth()
        done = night.nightrig("devices", "--rig", "rig.toml", "--seconds", "1")
        assert (done.returncode, "ALL THERE" in done.stdout) == (0, True), done.stdout
        for name, (changes, wanted) in WRONG.items():
            rig = edited(tmp_path, *changes(tmp_path))
            done = night.nightrig("devices", "--rig", rig, "--seconds", "1", "--json")
            assert done.returncode == 4, f"{name}: {done.stdout}"
            found = {m["where"].split()[0]: m for m in json.loads(done.stdout)["missing"]}
            assert set(found) == set(wanted), name
            for port, (what, remedy) in wanted.items():
                assert re.search(what, found[port]["what"]), (name, found[port])
                assert re.search(remedy, found[port]["try"]), (name, found[port])
        assert night.truth() == before
        assert night.end_emulation() == 0


@pytest.mark.nights
@pytest.mark.timeout(120)
@pytest.mark.xdist_group("live")
def test_a_pump_is_tried_by_somebody_at_a_terminal(tmp_path):
    with a_wire_night(tmp_path) as night:
        asking = [*COMMAND, "devices", "--rig", "rig.toml"]
        shown = night.on_terminal([*asking, "--try", "pump"])
        shown.until("Name of who asks")
        shown.type("A. Name")
        shown.until('Type "pump"')
        before = night.truth()
        shown.type("pump")
        shown.until("L/min")
        assert shown.code() == 0
        switched = [(line["what"], line["value"]) for line in night.truth()[len(before) :]]
        assert switched == [
            ("pump", "on"),
            ("pump output", "on"),
            ("pump", "off"),
            ("pump output", "off"),
        ]


@pytest.mark.nights
@pytest.mark.timeout(120)
@pytest.mark.xdist_group("live")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_whoever_ends_a_try_leaves_the_pump_off(tmp_path, number):
    with a_wire_night(tmp_path) as night:

        def pump() -> list[str]:
            return [line["value"] for line in night.truth() if line["what"] == "pump"]

        trying = subprocess.Popen(
            [*COMMAND, "devices", "--rig", "rig.toml", "--try", "pump"],
            cwd=tmp_path,
            env=night.env,
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        night.children.append(trying)
        eventually(lambda: pump()[-1:] == ["on"], "the pump")
        trying.send_signal(number)
        assert trying.wait(20) == 5
        assert trying.stderr.read() == "broken off; the pump is switched off\n"
        assert pump()[-1] == "off"


@pytest.mark.nights
@pytest.mark.xdist_group("live")
def test_a_rig_is_not_asked_while_it_tests(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        assert night.start("--detach").wait(60) == 0
        done = night.nightrig("devices", "--rig", "rig.toml")
        assert done.returncode == 2
        assert f"in use by {night.out}" in done.stderr
        assert night.nightrig("stop").returncode == 0
        night.until_gone()
