"""The README is true: what it shows is run as a newcomer would, what it names exists."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import TypeAdapter

import bootstrap
from rig.channels import CHANNEL_UNITS
from rig.commands.main import COMMANDS
from rig.errors import EXIT_CODES
from rig.protocol import (
    calibration_tables,
    people_tables,
    protocol_file,
    rig_file,
    trust_tables,
    wire_tables,
    wired_rig,
)
from rig.protocol.fields import Table
from rig.protocol.limit_tables import USUAL_LEARNED
from rig.protocol.wire import ACTIONS, ROLES
from rig.samples import Flag
from rig.units import UNITS
from simulators.wire.troubles import RANDOM, SCRIPTS
from tests.assembly.nights import Night, a_night

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
NIGHTRIG = [sys.executable, "-P", "-m", "rig.commands.main"]

FIRST_QUARTER = "## The first quarter of an hour"
NIGHT = "## A night in real time"
MORE = "## More of a protocol"
SERIAL = "## Your rig on serial lines"


def section(title: str) -> str:
    """Return the text from a heading to the next one of its rank."""
    found = re.search(rf"^{re.escape(title)}\n(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1]


@dataclass
class Step:
    """A command as the README shows it and the lines it is said to print, or a piece of code."""

    kind: str
    text: str
    printed: list[str] = field(default_factory=list)


def steps(text: str) -> Iterator[Step]:
    """Return what a reader is asked to type, in its order."""
    for block in re.finditer(
        r"^```(\w+)\n(.*?)^```|(?:^    [^\n]*\n)+", text, re.MULTILINE | re.DOTALL
    ):
        if block[1]:
            yield Step(block[1], block[2])
            continue
        step = None
        for line in (line[4:] for line in block[0].splitlines()):
            if line.startswith("$ "):
                if step:
                    yield step
                step = Step("command", line[2:].partition("  #")[0].strip())
            elif step:
                step.printed.append(line)
        if step:
            yield step


def commands(text: str) -> list[str]:
    return [step.text for step in steps(text) if step.kind == "command"]


def called(folder: Path, command: str, within: float = 60) -> subprocess.CompletedProcess[str]:
    """Run a command of the README in a folder, `within` some seconds."""
    name, *arguments = shlex.split(command)
    assert name == "nightrig"
    return subprocess.run(
        [*NIGHTRIG, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=within,
    )


def without_this_machine(lines: list[str]) -> list[str]:
    """Leave out of a result what differs from one computer and folder to the next."""
    kept = [re.sub(r"(of test), .*", r"\1", line) for line in lines]
    return [line for line in kept if not line.startswith("  record ")]


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Return a folder in which the packaged files lie as in a fresh clone."""
    (tmp_path / "protocols").symlink_to(ROOT / "protocols", target_is_directory=True)
    return tmp_path


def test_the_first_quarter_of_an_hour_goes_to_the_letter(checkout):
    written, seen = "", set()
    for step in steps(section(FIRST_QUARTER)):
        if step.kind == "toml":
            written += step.text
            (checkout / "my-first.toml").write_text(written, encoding="utf-8")
        elif step.kind == "python":
            done = subprocess.run(
                [sys.executable, "-c", step.text],
                cwd=checkout,
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.stdout.startswith("run-out "), done.stderr
            assert "kN/mm at first" in done.stdout
        elif step.kind == "command":
            done = called(checkout, step.text)
            quoted = without_this_machine(step.printed)
            if quoted:
                assert without_this_machine(done.stdout.splitlines()) == quoted, step.text
            wanted = 2 if "nothing can start" in done.stdout else 0
            assert done.returncode == wanted, done.stderr
            seen.add(step.text.split()[1])
    assert seen == {"check", "rehearse", "watch"}


def test_the_troubles_that_are_named_are_those_that_there_are():
    (told,) = re.findall(r"`--trouble NAME`.*?any other number", section(SERIAL), re.DOTALL)
    words = re.findall(r"`([\w-]+)`", told)
    ports = [word for word in words if word.endswith("-")]
    kinds = words[words.index("dropped") : words.index("unplugged") + 1]
    whole = words[words.index("unplugged") + 1 :]
    assert whole.pop().startswith(RANDOM)
    assert {f"{port}{kind}" for port in ports for kind in kinds} | {*whole} == {*SCRIPTS}


def test_the_checked_protocol_is_answered_as_quoted(checkout):
    (step,) = [s for s in steps(section(MORE)) if s.kind == "command"]
    assert called(checkout, step.text).stdout.splitlines() == step.printed


def test_the_tables_about_people_fit_into_the_first_protocol(checkout):
    first = [s.text for s in steps(section(FIRST_QUARTER)) if s.kind == "toml"]
    people = [s.text for s in steps(section(NIGHT)) if s.kind == "toml"]
    assert people
    (checkout / "whole.toml").write_text("".join(first + people), encoding="utf-8")
    assert "no problems" in called(checkout, "nightrig check whole.toml").stdout


def run_and_ask(night: Night) -> None:
    """Start the run of the README on a short protocol, look at it, and ask it all it shows."""
    run, watch, *requests = commands(section(NIGHT))
    assert run == "nightrig run first-night --out night-1"
    assert watch == "nightrig watch night-1"
    asked = [shlex.split(request) for request in requests]
    assert [words[1] for words in asked] == ["pause", "note", "continue", "stop"]
    runner = night.start()
    night.until_state("cycling")
    looker = subprocess.Popen(
        [*NIGHTRIG, *shlex.split(watch)[1:]],
        cwd=night.folder,
        env=night.env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    night.children.append(looker)
    for words in asked:
        done = night.nightrig(*words[1:])
        assert done.returncode == 0, done.stderr
        lines = done.stdout.splitlines()
        assert (lines[0].partition(":")[0], lines[1]) == ("acted", "recorded")
        if words[1] == "pause":
            night.until_state("paused")
        elif words[1] == "continue":
            night.until_state("cycling")
    assert runner.wait(60) == looker.wait(60) == EXIT_CODES["operator"]


@pytest.mark.nights
@pytest.mark.xdist_group("live")
def test_a_night_is_started_watched_and_asked_as_written(tmp_path):
    with a_night(tmp_path, run_out=3000) as night:
        run_and_ask(night)


def test_a_request_is_answered_as_quoted():
    assert "    acted: written down\n    recorded\n" in README


@pytest.mark.endurance
def test_the_first_night_runs_in_real_time_to_its_run_out(tmp_path):
    rig = (ROOT / "protocols/rigs/simulated.toml").read_text(encoding="utf-8")
    (tmp_path / "frame.toml").write_text(rig.replace("simulated frame", f"frame {os.getpid()}"))
    done = subprocess.run(
        [*NIGHTRIG, *commands(section(NIGHT))[0].split()[1:], "--rig", "frame.toml"],
        cwd=tmp_path,
        env=os.environ | {"NIGHTRIG_SOCKETS": str(tmp_path / "sockets")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "run-out" in done.stdout


@pytest.mark.endurance
def test_the_quoted_demo_is_what_the_demo_finds(tmp_path):
    quoted = next(s for s in steps(README) if s.text == "python3 bootstrap.py demo").printed
    order = f"nightrig rehearse overnight-wet-prism --out {tmp_path / 'run'} --seed 1"
    done = called(tmp_path, order)
    assert done.returncode == 0
    assert without_this_machine(done.stdout.splitlines()) == without_this_machine(quoted)


@pytest.mark.nights
@pytest.mark.timeout(240)
def test_a_recording_is_judged_played_varied_and_taken_along_as_written(checkout):
    text = section("## Judge a recording again")
    for step in steps(text):
        done = called(checkout, step.text, 120)
        assert done.returncode == 0, done.stderr
        assert set(step.printed) <= set(done.stdout.splitlines()), done.stdout
    shown = re.findall(r"^\| `((?:replay|rehearse) [^`]+)`", text, re.MULTILINE)
    assert [words.split()[0] for words in shown] == ["replay"] * 4 + ["rehearse"]
    for words in shown:
        placed = words.replace("FILE", "dry-short").replace("FOLDER", ".").replace("100", "max")
        placed = placed.replace("PROTOCOL", "overnight-wet-prism")
        done = called(checkout, f"nightrig {placed}", 120)
        assert done.returncode == 0, (placed, done.stderr)
    _, export = commands(section("## Bring measurements in, take them out"))
    assert called(checkout, export).returncode == 0
    shutil.copy(checkout / "wet-1-csv" / "cycles.csv", checkout / "night.csv")
    brought = commands(section("## Bring measurements in, take them out"))[0]
    assert called(checkout, brought).returncode == 0
    judged = called(checkout, "nightrig replay night-0")
    assert judged.returncode == 0, judged.stderr


def test_what_bootstrap_is_asked_for_is_there():
    assert set(re.findall(r"bootstrap\.py (\w+)", README)) <= set(bootstrap.COMMANDS)


def test_the_job_and_the_two_commands_with_their_output_stand_within_twenty_lines():
    head = "\n".join(README.splitlines()[:20])
    for words in ("**The job.**", "bootstrap.py demo", "bootstrap.py test", "outcome   failure"):
        assert words in head


def test_the_picture_of_the_screen_is_there():
    (path,) = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
    assert "<svg" in (ROOT / path).read_text(encoding="utf-8")


def test_every_command_is_shown_and_every_shown_command_is_there():
    shown = set(re.findall(r"nightrig (\w+)", README)) & {c.split()[1] for c in commands(README)}
    assert set(COMMANDS) - {"unload"} <= shown
    assert {c.split()[1] for c in commands(README) if c.startswith("nightrig")} <= set(COMMANDS)
    assert "| `unload` |" in README


def test_every_file_that_is_named_is_there():
    for path in re.findall(r"`(protocols/[\w/.-]+\.toml)`", README):
        assert (ROOT / path).is_file(), path


def test_every_place_that_is_linked_is_there():
    headings = {
        re.sub(r"[^\w -]", "", h).lower().replace(" ", "-")
        for h in re.findall(r"^#+ (.+)$", README, re.MULTILINE)
    }
    assert set(re.findall(r"\]\(#([\w-]+)\)", README)) <= headings


def test_every_shipped_protocol_is_named():
    names = {path.stem for path in (ROOT / "protocols").glob("*.toml")}
    assert {name for name in names if f"| `{name}` |" not in README} == set()


def test_every_channel_name_is_listed():
    for name in CHANNEL_UNITS:
        assert f"`{name}1`" in README or f"`{name}`" in README, name


# The tables at the end.


def rows(name: str) -> list[list[str]]:
    """Return the cells of a table between two marks, its head left out."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- /{name} -->", README, re.DOTALL)
    assert found is not None
    lines = found[1].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split(" |")] for line in lines]


def ticked(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_units_are_those_that_are_read():
    told = {quantity: set(ticked(units)) for quantity, units in rows("units")}
    assert told == {d: {u for u in units if u != "cycle"} for d, units in UNITS.items()}


def test_the_flags_are_those_that_are_recorded():
    told = {int(value): ticked(name)[0] for value, name, _ in rows("flags")}
    assert told == {f.value: str(f.name).lower().replace("_", "-") for f in Flag}


def test_every_outcome_stands_at_its_exit_code():
    codes = {int(code): text for code, text in rows("codes")}
    assert set(codes) == set(range(7))
    for outcome, code in EXIT_CODES.items():
        assert f"`{outcome}`" in codes[code]


PROTOCOL_TABLES: dict[str, type[Table]] = {
    "(top)": protocol_file.ProtocolFile,
    "[loading]": protocol_file.LoadingTable,
    "[[stage]] approach": protocol_file.ApproachTable,
    "[[stage]] static": protocol_file.StaticTable,
    "[[stage]] ramp": protocol_file.RampTable,
    "[[stage]] hold": protocol_file.HoldTable,
    "[[stage]] cyclic": protocol_file.CyclicTable,
    "[spray]": protocol_file.SprayTable,
    "if_unconfirmed": protocol_file.UnconfirmedTable,
    "[inspections]": protocol_file.InspectionsTable,
    "static_check": protocol_file.StaticCheckTable,
    "[baseline]": protocol_file.BaselineTable,
    "[failure]": protocol_file.FailureTable,
    "stiffness_loss": protocol_file.LossTable,
    "stiffness_step": protocol_file.StepTable,
    "residual_growth": protocol_file.ResidualTable,
    "load_short": protocol_file.ShortTable,
    "[full_rate]": protocol_file.FullRateTable,
    "[pauses]": people_tables.PausesTable,
    "[attendance]": people_tables.AttendanceTable,
    "[hours]": people_tables.HoursTable,
    "[accuracy]": protocol_file.AccuracyTable,
}
RIG_TABLES: dict[str, type[Table]] = {
    "(top)": wired_rig.WiredRigFile,
    "[actuator]": rig_file.ActuatorTable,
    "[[channel]]": wire_tables.WiredChannelTable,
    "[[port]]": wire_tables.PortTable,
    "[controller]": wire_tables.ControllerTable,
    "units": wire_tables.UnitsTable,
    "scale": wire_tables.ScaleTable,
    "from": wire_tables.FromTable,
    "[[modbus]]": wire_tables.ModbusTable,
    "watchdog": wire_tables.WatchdogTable,
    "points": wire_tables.PointTable,
    "[[instrument]]": wire_tables.InstrumentTable,
    "answers": wire_tables.AnswerTable,
    "[pump]": rig_file.PumpTable,
    "[warning_signal]": rig_file.WarningTable,
    "[channel.calibration]": calibration_tables.CalibrationTable,
    "[frame]": trust_tables.FrameTable,
    "[supply]": trust_tables.SupplyTable,
    "[dynamic_verification]": trust_tables.VerificationTable,
    "[proof_of_stopping]": trust_tables.ProofTable,
    "rows": trust_tables.ProvenTable,
}


def keys_told(name: str) -> dict[tuple[str, str], str]:
    """Return what is said to hold where a key is left out, by table and key."""
    told, table = {}, ""
    for first, keys, _, left_out in rows(name):
        table = first.replace("`", "") or table
        names, defaults = ticked(keys), ticked(left_out)
        for place, key in enumerate(names):
            told[table, key] = defaults[place] if len(defaults) == len(names) else left_out
    return told


def test_every_action_of_a_controller_is_listed_with_what_is_filled_in():
    told = {ticked(name)[0]: tuple(ticked(places)) for name, places, _ in rows("actions")}
    assert told == {a: tuple(f"{{{p}}}" for p in places) for a, places in ACTIONS.items()}


def test_every_role_of_a_point_is_listed():
    (what,) = [row[2] for row in rows("rig keys") if row[1] == "`what`"]
    assert set(ROLES) == set(ticked(what))


@pytest.mark.parametrize(
    ("name", "tables"),
    [("keys", PROTOCOL_TABLES), ("rig keys", RIG_TABLES)],
    ids=["protocol", "rig"],
)
def test_every_key_is_listed_with_what_holds_where_it_is_left_out(name, tables):
    told = keys_told(name)
    known = {}
    for table, model in tables.items():
        for python_name, info in model.model_fields.items():
            key = info.alias or python_name
            known[table, key] = (model, info)
    in_model = {place for place in told if place[0] in tables}
    assert in_model == set(known)
    for place, (model, info) in known.items():
        if info.is_required() or place[1] in model.required:
            assert told[place] == "must", place
        elif "`" in told[place] or re.match(r'["\[{\d]|true|false', told[place]):
            value = tomllib.loads(f"k = {told[place].strip('`')}")["k"]
            kind: Any = info.annotation
            if info.metadata:
                kind = Annotated[kind, *info.metadata]
            held = TypeAdapter(kind).validate_python(value)
            assert held == info.get_default(call_default_factory=True), place
        else:
            assert info.get_default(call_default_factory=True) in (None, "", {}) or (
                place[1] == "simulation"
            ), place


def test_every_limit_of_a_protocol_and_every_stop_of_a_rig_file_is_listed():
    told = keys_told("keys")
    assert {key for table, key in told if table == "[limits.cyclic]"} == set(USUAL_LEARNED)
    assert {"persist", "cyclic", "deflection"} <= {k for t, k in told if t == "[limits]"}
    (stops,) = [row for row in rows("rig keys") if row[0] == "`[stops]`"]
    causes = list(ticked(stops[2]))
    assert causes == list(rig_file.STOPS)
    assert [rig_file.STOPS[cause] for cause in causes[:4]] == [0] * 4
