"""All recordings in a folder are judged again; what cannot be is named, and the rest goes on."""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from rig.commands.files import read_text
from rig.commands.main import main
from rig.errors import InputError
from rig.replay.many import replay_all, runs_below
from rig.replay.one_of_many import Task, Verdict, replay_one
from tests.assembly.nights import COMMAND
from tests.replay.many_runs import (
    RUN_OUT,
    always_dies,
    cluster,
    dies_once,
    fill,
    slips,
)

FOUND = ("a", "b", "damaged", "deep/in/c", "lost")
GOOD = ("a", "b", "deep/in/c")
GRACE = 10.0
"""How long [s] processes that were told to end may take."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    here = tmp_path_factory.mktemp("many") / "runs"
    fill(here)
    return here


def said_by(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["replay", *words])
    said = capsys.readouterr()
    return left.value.code, said.out, said.err


@pytest.mark.xdist_group("many")
def test_all_runs_below_a_folder_are_found_in_order_and_nothing_else(folder):
    found, closed = runs_below(folder)
    assert [str(run.relative_to(folder)) for run in found] == list(FOUND)
    assert closed == []


@pytest.mark.nights
def test_each_run_gets_a_line_and_what_cannot_be_read_is_named(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder.parent)
    code, out, err = said_by(capsys, "--all", "runs")
    lines = out.splitlines()
    ends = f"recorded run-out at {RUN_OUT}, replayed run-out at {RUN_OUT}: agrees"
    assert code == 6
    assert [line for line in lines if line.endswith(": agrees")] == [
        f"runs/{name}: {ends}" for name in GOOD
    ]
    (damaged,) = (line for line in lines if line.startswith("runs/damaged: "))
    assert "could not be judged: " in damaged
    assert "damaged" in damaged.partition("judged: ")[2]
    (lost,) = (line for line in lines if line.startswith("runs/lost: "))
    assert "its journal.db is missing" in lost
    assert lines[-1] == "5 recordings: 3 agree, 0 differ, 2 could not be judged"
    assert len(lines) == 6
    assert err == ""


@pytest.mark.nights
def test_as_json_it_is_one_object_with_a_list_in_the_order_of_the_folders(folder, capsys):
    code, out, _ = said_by(capsys, "--all", str(folder), "--json")
    told = json.loads(out)
    assert code == 6
    assert [one["run"] for one in told["runs"]] == [str(folder / name) for name in FOUND]
    assert (told["agree"], told["differ"], told["unread"]) == (3, 0, 2)
    first = told["runs"][0]
    assert first["recorded"] == first["replayed"] == {"outcome": "run-out", "cycles": RUN_OUT}
    assert told["runs"][2]["replayed"] is None
    assert told["runs"][2]["code"] == 6


@pytest.mark.nights
def test_by_another_protocol_what_differs_says_why(folder, tmp_path, capsys):
    kept = (folder.parent / "files" / "p.toml").read_text()
    sooner = tmp_path / "sooner.toml"
    sooner.write_text(kept.replace(f"{RUN_OUT} cycles", "400 cycles"))
    code, out, _ = said_by(capsys, "--all", str(folder / "deep"), "--protocol", str(sooner))
    assert code == 0
    assert f"recorded run-out at {RUN_OUT}, replayed run-out at 400: differs: " in out
    assert out.splitlines()[-1] == "1 recording: 0 agree, 1 differ, 0 could not be judged"


@pytest.mark.xdist_group("many")
def test_a_defect_met_by_one_run_is_told_and_not_raised(folder):
    found = replay_one(Task(str(folder / "a"), "p.toml", slips))
    assert (found.replayed, found.agrees, found.code) == (None, False, 1)
    assert found.why[0].startswith("a defect of this program: AttributeError: ")


@pytest.mark.endurance
def test_where_a_process_dies_the_other_runs_are_judged_all_the_same(folder, tmp_path):
    protocol = tmp_path / "p.toml"
    protocol.write_text((folder.parent / "files" / "p.toml").read_text())
    runs = [folder / name for name in GOOD]
    found = list(replay_all(runs, str(protocol), dies_once, workers=2))
    assert protocol.with_suffix(".flag").exists()
    assert [one.run for one in found] == [str(run) for run in runs]
    assert {one.replayed for one in found} == {Verdict("run-out", RUN_OUT)}


@pytest.mark.endurance
def test_a_run_whose_process_always_dies_is_named(folder, tmp_path):
    runs = [folder / name for name in GOOD]
    found = list(replay_all(runs, str(tmp_path / "p.toml"), always_dies, workers=2))
    assert [(one.run, one.code) for one in found] == [(str(run), 6) for run in runs]
    assert all("the process that read it died" in one.why[0] for one in found)


AS_NOBODY = """
import os, pathlib, sys
from rig.replay.many import runs_below
os.setgid(65534); os.setuid(65534)
found, closed = runs_below(pathlib.Path(sys.argv[1]))
print(len(found), closed[0].run, closed[0].code, closed[0].why[0])
"""


@pytest.mark.nights
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may become another user")
def test_a_folder_that_cannot_be_looked_into_is_named():
    with tempfile.TemporaryDirectory() as place:  # which others may enter
        Path(place).chmod(0o755)
        (Path(place) / "closed").mkdir(mode=0o700)
        command = [sys.executable, "-P", "-c", AS_NOBODY, place]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout == f"0 {place}/closed 6 cannot be looked into: Permission denied\n"


@pytest.mark.xdist_group("many")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--all", "nowhere"), "nowhere: there is no such folder"),
        (("--all", "."), ".: there is no run in it or below"),
        (("night-1", "--all", "."), "--all takes all runs in a folder: leave DIR"),
        (("night-1", "--cluster", "tcp://x:1"), "replay: --all FOLDER is missing"),
        ((), "replay: DIR, or --all FOLDER, is missing"),
        (
            ("--all", "RUNS", "--cluster", "foo\x1b:1"),
            '--cluster: no Dask scheduler answers at "foo?:1"',
        ),
        (("--all", "RUNS", "--cluster", "foo://x:1"), "--cluster: no Dask scheduler answers at "),
    ],
)
def test_a_slip_is_one_line_and_code_2(words, said, folder, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    code, out, err = said_by(capsys, *(str(folder) if w == "RUNS" else w for w in words))
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(said)


def test_without_dask_it_is_said_how_to_install_it(folder, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    code, _, err = said_by(capsys, "--all", str(folder), "--cluster", "tcp://127.0.0.1:1")
    assert code == 2
    assert f'pip --python {shlex.quote(sys.executable)} install "distributed>=2025.1"' in err


@pytest.mark.endurance
@pytest.mark.timeout(120)
def test_where_no_cluster_answers_it_is_one_line(folder):
    address = "tcp://127.0.0.1:1"
    words = [*COMMAND, "replay", "--all", str(folder), "--cluster", address]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("--cluster: no Dask scheduler answers at ")
    assert done.stderr.count("\n") == 1


@pytest.mark.endurance
@pytest.mark.timeout(240)
def test_a_cluster_finds_what_this_computer_finds(folder):
    words = [*COMMAND, "replay", "--all", str(folder), "--json"]
    here = subprocess.run(words, capture_output=True, text=True, check=False)
    with cluster(2) as address:
        there = subprocess.run(
            [*words, "--cluster", address], capture_output=True, text=True, check=False
        )
    assert json.loads(there.stdout) == json.loads(here.stdout)
    assert (there.returncode, there.stderr) == (here.returncode, here.stderr) == (6, "")


UNLIKE = {
    "another version": ("import rig; rig.__version__ = '0.0.1'", "has nightrig 0.0.1, this is "),
    "no nightrig": ("import sys; sys.modules['rig'] = None", "cannot run nightrig"),
    "other files": (
        "import pathlib; pathlib.Path.is_dir = lambda self: False",
        "all workers must read the same file system",
    ),
}


@pytest.mark.endurance
@pytest.mark.timeout(240)
@pytest.mark.parametrize(("preload", "said"), UNLIKE.values(), ids=UNLIKE.keys())
def test_a_cluster_that_would_find_something_else_is_refused(folder, tmp_path, preload, said):
    program = tmp_path / "preload.py"
    program.write_text(preload)
    with cluster(1, program) as address, pytest.raises(InputError, match=said):
        list(replay_all([folder / "a"], None, read_text, address))


@pytest.mark.endurance
@pytest.mark.timeout(120)
def test_a_cluster_without_workers_is_refused(folder):
    with cluster(0) as address, pytest.raises(InputError, match="has no worker"):
        list(replay_all([folder / "a"], None, read_text, address))


def at_work(group: int) -> list[str]:
    """The processes of a group that have not ended (Linux)."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            state, _, of = place.read_text().rpartition(")")[2].split()[:3]
            if int(of) == group and state not in "ZX":
                found.append(place.parent.name)
    return found


@pytest.mark.nights
@pytest.mark.parametrize("when", ["at work", "just started"])
def test_ctrl_c_ends_it_and_its_processes_without_a_word_of_python(folder, tmp_path, when):
    many = tmp_path / "many"
    for number in range(60):
        (many / str(number)).mkdir(parents=True)
        (many / str(number) / "journal.db").symlink_to(folder / "a" / "journal.db")
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    words = [*COMMAND, "replay", "--all", str(many)]
    with subprocess.Popen(words, start_new_session=True, **pipes) as process:
        if when == "at work":
            process.stdout.readline()
        else:
            while len(at_work(process.pid)) < 3:  # its own, what looks after memory, the first
                time.sleep(0.002)
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate()
        code = process.returncode
    assert code == 5
    assert err.split("\n") == ["", "nightrig: stopped from the keyboard", ""]
    end = time.monotonic() + GRACE
    while (left := at_work(process.pid)) and time.monotonic() < end:
        time.sleep(0.01)
    assert left == []
