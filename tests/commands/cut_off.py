"""Short rehearsals that were killed, stopped or ended, and `nightrig resume` in this process."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import h5py
import pytest

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.commands.main import main
from rig.ports import InputState
from rig.record.history import read_journal
from simulators.faults import InputChange
from tests.assembly.nights import PROTOCOL, QUICKER, ROOT

RUN_OUT = 20_000
PRESSED = 60.0  # [s] of test time at which an emergency stop ends the short one


def files(folder: Path, run_out: int) -> tuple[str, str]:
    """Write protocol and rig file of a short test; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    rig = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text()
    for slow, quick in QUICKER.items():
        rig = rig.replace(slow, quick)
    (folder / "p.toml").write_text(PROTOCOL.format(specimen=specimen, run_out=run_out))
    (folder / "rig.toml").write_text(rig)
    return str(folder / "p.toml"), str(folder / "rig.toml")


def kill_one(folder: Path) -> Path:
    """Return the folder of a rehearsal that was killed while it cycled."""
    protocol, rig = files(folder, RUN_OUT)
    out = folder / "killed"
    words = ["rehearse", protocol, "--rig", rig, "--out", str(out), "--seed", "1"]
    kill_after(300, *words, cwd=folder)
    return out


def kill_after(rows: int, *words: str, cwd: Path) -> None:
    """Rehearse until more than so many cycles are recorded; then it is killed."""
    command = [sys.executable, "-m", "tests.commands.dying", str(rows), *words]
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        command,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr


def stop_one_by_fault(folder: Path, run_out: int = 1000) -> Path:
    """Return the folder of a rehearsal that an emergency stop ended while it cycled."""
    plan, out = load(*files(folder, run_out)), folder / "fault"
    pressed = InputChange(round(PRESSED * plan.rig.rate), InputState(emergency_stop=True))
    assert rehearse(plan, out, 1, faults=(pressed,)).outcome == "fault"
    return out


def nightrig(*words: str) -> int:
    """Run a command in this process; return its code."""
    with pytest.raises(SystemExit) as left:
        main(list(words))
    code = left.value.code
    assert isinstance(code, int)
    return code


@dataclass(frozen=True, slots=True)
class Said:
    """What a command was asked, its code, and what it printed on standard output and error."""

    words: tuple[str, ...]
    code: int
    out: str
    err: str


def said_by(*words: str) -> Said:
    """Run a command in this process; return all it says."""
    with (
        contextlib.redirect_stdout(io.StringIO()) as out,
        contextlib.redirect_stderr(io.StringIO()) as err,
    ):
        code = nightrig(*words)
    return Said(words, code, out.getvalue(), err.getvalue())


def copy(folder: Path, to: Path) -> Path:
    """Return a copy of a run, with the name `run`."""
    return shutil.copytree(folder, to / "run")


def numbers(out: Path) -> list[int]:
    """Return the numbers of the counted cycles in run.h5."""
    with h5py.File(out / "run.h5") as run:
        return run["cycles/number"][:].tolist()


def events(out: Path, kind: str) -> list[str]:
    """Return what the events of a kind say."""
    with read_journal(out) as journal:
        return [event.text for event in journal.events() if event.kind == kind]


def spoil(path: Path, *places: int) -> None:
    """Overwrite some bytes of a file at each place."""
    with path.open("r+b") as file:
        for place in places:
            file.seek(place)
            file.write(b"damaged" * 4)
