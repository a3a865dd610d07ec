"""A live run asked from other terminals: pause, continue, note, unload, stop, the checklist."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import sys
from pathlib import Path

import h5py
import pytest

from rig.control.address import socket_name
from rig.control.caller import Caller
from rig.control.lock import folder_holder
from rig.control.server import MOST_CONNECTIONS
from tests.assembly.nights import COMMAND, a_night, eventually

pytestmark = pytest.mark.xdist_group("serial")


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        yield night


def look(night) -> dict:
    with Caller(night.runtime / "nightrig" / socket_name(night.out)) as caller:
        return caller.ask({"ask": "look"})


@pytest.mark.nights
def test_people_pause_continue_note_unload_and_stop_a_test_from_elsewhere(night):
    night.env["PATH"] = ""
    started = night.finished(night.order("--detach", "--json"))
    assert started.returncode == 0
    assert json.loads(started.stdout) == {"outcome": None, "running": True}
    # Where the system offers no scope and no lock on sleep, a line each says what may happen.
    for line in (
        "warning: logging out of this computer may end the test: stay logged in",
        "warning: the computer may fall asleep and end the test: switch sleep off in its settings",
    ):
        assert started.stderr.splitlines().count(line) == 1
    night.until_state("cycling")

    # Without a folder the one live run is meant.
    paused = night.nightrig("pause", "--by", "A. Name", "--why", "rain on the roof")
    assert paused.returncode == 0
    assert paused.stdout.splitlines()[0].startswith("acted: ")
    assert paused.stdout.splitlines()[1] == "recorded"
    night.until_state("paused")
    assert "continue" in look(night)["possible"]
    twice = night.nightrig("pause", "night-1")
    assert twice.returncode == 2
    assert twice.stdout.startswith("refused: ")

    noted = night.nightrig("note", "night-1", "a crack at 3/4 span", "--by", "B. Name", "--json")
    assert noted.returncode == 0
    told = json.loads(noted.stdout)
    assert (told["answer"], told["recorded"], told["state"]) == ("acted", True, "paused")

    assert night.nightrig("continue", "night-1", "--by", "A. Name").returncode == 0
    night.until_state("cycling")
    assert night.nightrig("unload", "night-1").returncode == 0
    night.until_state("unloaded")
    stopped = night.nightrig("stop", "--by", "C. Name", "--json")
    assert (stopped.returncode, json.loads(stopped.stdout)["recorded"]) == (0, True)
    night.until_gone()

    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["outcome"] == "operator"
        assert "C. Name" in run.attrs["why"]
        events = [text.decode() for text in run["events"]["text"]]
    for who, what in (("A. Name", "rain on the roof"), ("B. Name", "a crack at 3/4 span")):
        assert any(who in text and what in text for text in events)
    gone = night.nightrig("pause", "night-1")
    assert gone.returncode == 2
    assert gone.stderr.startswith("night-1 has ended: operator at ")
    assert gone.stderr.endswith("; nothing was asked\n")
    assert night.nightrig("pause").returncode == 2


@pytest.mark.endurance
def test_a_storm_of_requests_is_answered_and_the_test_goes_on(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("approach")
    door = night.runtime / "nightrig" / socket_name(night.out)
    verbs = ["note", "pause", "continue", "note", "confirm"]
    callers = [Caller(door, within=30) for _ in range(20)]
    lines = [{"ask": verb, "who": "A. Name", "text": "storm"} for verb in verbs] * 2
    for caller in callers:
        caller.send(*lines)
    heard: list[str] = []
    for caller in callers:
        for _ in lines:
            first = caller.listen()
            heard.append(first["answer"])
            if first["answer"] == "acted":
                assert caller.listen() == {"answer": "recorded"}
        caller.close()
    assert len(heard) == 200
    assert set(heard) == {"acted", "refused"}
    assert night.nightrig("stop").returncode == 0
    night.until_gone()
    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["outcome"] == "operator"


@pytest.mark.endurance
def test_a_stop_gets_through_a_door_full_of_silent_connections(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("approach")
    door = night.runtime / "nightrig" / socket_name(night.out)
    silent = [Caller(door) for _ in range(MOST_CONNECTIONS)]
    stopped = night.nightrig("stop", "--by", "A. Name")
    assert (stopped.returncode, stopped.stdout.splitlines()[-1]) == (0, "recorded")
    for caller in silent:
        caller.close()
    night.until_gone()
    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["outcome"] == "operator"
        assert "A. Name" in run.attrs["why"]


@pytest.mark.endurance
def test_a_record_that_is_taken_away_ends_the_run_with_code_6_and_one_line(night):
    child = night.start()
    night.until_state("starting")
    shutil.rmtree(night.out)
    # It is done; whether it is recorded depends on what had reached the files that are gone.
    assert night.nightrig("stop").returncode in (0, 6)

    def given_up() -> bool:
        # A run at rest waits for its disk until somebody says stop once more.
        night.nightrig("stop")
        return child.poll() is not None

    eventually(given_up, "the run's end")
    _, err = child.communicate(timeout=45)
    assert child.returncode == 6
    assert "Traceback" not in err
    assert str(night.out) in err.splitlines()[-1]


@pytest.mark.nights
@pytest.mark.parametrize(
    ("fail", "code", "said"),
    [("raises", 4, "the driver of the tests fails"), ("nonsense", 1, "nightrig has a bug")],
    ids=["fault", "bug"],
)
def test_what_a_driver_raises_is_a_fault_what_we_raise_a_bug_with_the_traceback_in_the_log(
    night, fail, code, said
):
    child = night.start()
    night.until_state("starting")
    night.people(fail=fail)
    _, err = child.communicate(timeout=45)
    assert child.returncode == code
    assert "Traceback" not in err
    assert said in err
    assert (night.out / "run.h5").exists() is (code == 4)
    log = (night.out / "runner.log").read_text()
    assert "Traceback" in log
    assert folder_holder(night.out) is None


@pytest.mark.nights
def test_real_hardware_asks_for_the_checklist_by_name_and_for_the_button(night):
    night.people(emulated=False)
    refused = night.finished(night.order())
    assert refused.returncode == 2
    assert "terminal" in refused.stderr.splitlines()[-1]
    assert not night.out.exists()

    terminal = night.start_on_terminal("--json")
    terminal.until("CAUTION: Software is no safety system")
    items = look(night)["checklist"]
    for number, item in enumerate(items, start=1):
        terminal.until(f"{number} of {len(items)}: {item} (y/n)")
        assert look(night)["state"] == "checklist"
        terminal.type("y")
    terminal.until("Name of who confirms")
    terminal.type("A. Name")
    terminal.until("On call")
    terminal.type("B. Name")
    terminal.until("On call")
    terminal.type("B. Name, +00 12 34")
    terminal.until("use the button at the rig")
    eventually(lambda: any(e.kind == "local input" for e in night.events()), "the rig to wait")
    night.people(button=True)
    terminal.until("checklist confirmed")
    night.people(button=False)
    night.until_state("approach")
    texts = {e.kind: e.text for e in night.events()}
    assert "A. Name" in texts["checklist"]
    assert texts["on call"] == "B. Name, +00 12 34"
    assert night.nightrig("stop").returncode == 0
    assert terminal.code() == 5
    terminal.close()


@pytest.mark.nights
@pytest.mark.parametrize(
    "answer",
    ["n", pytest.param(None, marks=pytest.mark.endurance)],
    ids=["no", "closed terminal"],
)
def test_a_checklist_that_is_not_confirmed_starts_nothing(night, answer):
    night.people(emulated=False)
    terminal = night.start_on_terminal()
    terminal.until("(y/n)")
    terminal.type("y")
    terminal.until("(y/n)")
    if answer:
        terminal.type(answer)
        assert terminal.code() == 5
    terminal.close()
    night.until_gone()
    states = [e.text for e in night.events() if e.kind == "state"]
    assert [text.split(",")[0] for text in states] == ["checklist", "stopping", "stopped"]
    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["outcome"] == "operator"
        assert "not confirmed" in run.attrs["why"] or "left" in run.attrs["why"]


WRONG = {
    "unknown driver": ('driver = "tryout"', 'driver = "no_such"', "no_such"),
    "no local input": ('local_input = "button"', "", "local_input"),
}


@pytest.mark.nights
@pytest.mark.parametrize(
    ("old", "new", "phrase"),
    [
        pytest.param(*WRONG["unknown driver"], id="unknown driver"),
        pytest.param(*WRONG["no local input"], id="no local input", marks=pytest.mark.nights),
    ],
)
def test_a_rig_that_cannot_be_run_is_refused_in_one_line_with_code_2(night, old, new, phrase):
    night.people(emulated=False)
    rig = night.folder / "rig.toml"
    rig.write_text(rig.read_text().replace(old, new))
    done = night.finished(night.order("--json"))
    assert done.returncode == 2
    assert phrase in done.stderr.splitlines()[-1]
    assert json.loads(done.stdout)["outcome"] is None
    assert not night.out.exists()


FAKE = """#!/bin/sh
echo "$(basename "$0") $*" >> "{record}"
case "$(basename "$0")" in
  loginctl) echo {lingers}; exit 0;;
esac
while [ $# -gt 0 ]; do case "$1" in --*) shift;; *) break;; esac; done
exec "$@"
"""


@pytest.mark.endurance
def test_where_the_system_offers_it_the_runner_gets_a_lasting_scope_and_a_lock_on_sleep(night):
    programs = night.folder / "programs"
    programs.mkdir()
    record = night.folder / "record"
    for name in ("systemd-run", "systemd-inhibit", "loginctl"):
        (programs / name).write_text(FAKE.format(record=record, lingers="yes"))
        (programs / name).chmod(0o755)
    night.env["PATH"] = f"{programs}:{night.env['PATH']}"
    started = night.finished(night.order("--detach"))
    assert started.returncode == 0
    assert not [word for word in ("logging out", "asleep") if word in started.stderr]
    assert night.nightrig("stop").returncode == 0
    night.until_gone()
    last = record.read_text().splitlines()[-2:]
    assert last[0].startswith("systemd-run --user --scope --quiet systemd-inhibit ")
    assert last[1].startswith("systemd-inhibit --what=sleep:idle ")
    assert "rig.assembly.runner" in last[1]


@pytest.mark.parametrize(
    "name", ["run", "resume", "watch", "pause", "continue", "unload", "stop", "note"]
)
def test_every_command_has_help_with_an_example(night, name):
    helped = night.nightrig(name, "--help")
    assert helped.returncode == 0
    assert f"Example: nightrig {name} " in helped.stdout
    assert "--json" in helped.stdout


USAGE = {
    "note without text": ["note"],
    "note with three words": ["note", "night-1", "one", "two"],
    "a face without a reading": ["note", "wet", "--face", "bottom"],
    "a reading that is no flow": ["note", "wet", "--catch-can", "1.4 kN", "--face", "bottom"],
    "no such folder": ["stop", "nowhere"],
    "a folder with odd signs": ["stop", "\x1b[2J"],
    "no run at all": ["unload"],
}


@pytest.mark.parametrize("arguments", USAGE.values(), ids=USAGE.keys())
def test_a_request_that_cannot_be_is_one_line_and_code_2(night, arguments):
    done = night.nightrig(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.endurance
def test_a_request_that_is_done_and_cannot_be_printed_ends_with_its_own_code(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("approach")
    for words, code in ((("note", "wet"), 0), (("continue",), 2), (("pause", "nowhere"), 2)):
        line = shlex.join([*COMMAND, *words])
        assert night.finished(["sh", "-c", f"{line} >/dev/full 2>&1"]).returncode == code
    assert night.nightrig("stop").returncode == 0
    night.until_gone()
    assert "wet" in [e.text.split(": ")[-1] for e in night.events() if e.kind == "note"]


INHIBITOR = """#!{python}
import ctypes, os, signal, sys
command = [word for word in sys.argv[1:] if not word.startswith("--")]
child = os.fork()
if child == 0:
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)
    os.execvp(command[0], sys.argv[sys.argv.index(command[0]):])
sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""
"""A lock on sleep as a parent that takes the runner with it: prctl(2), PR_SET_PDEATHSIG."""


@pytest.mark.endurance
def test_the_code_is_the_runs_where_a_guard_against_sleep_dies_before_the_runner(night):
    programs = night.folder / "programs"
    programs.mkdir()
    inhibitor = programs / "systemd-inhibit"
    inhibitor.write_text(INHIBITOR.format(python=sys.executable))
    inhibitor.chmod(0o755)
    night.env["PATH"] = f"{programs}:{night.env['PATH']}"
    child = night.start("--json")
    night.until_state("approach")
    stat = Path(f"/proc/{night.runner()}/stat").read_text()
    guard = int(stat.rpartition(")")[2].split()[1])
    assert guard != child.pid
    os.kill(guard, signal.SIGTERM)
    out, _ = child.communicate(timeout=45)
    assert (child.returncode, json.loads(out)["outcome"]) == (5, "operator")
    assert folder_holder(night.out) is None
