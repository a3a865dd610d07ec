"""Short rehearsals that run out and are broken afterwards; some are stopped or killed on the way.

`python -m tests.commands.residuals STATE rehearse ...`: it dies in that state after its run-out,
right after a commit.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from rig.commands.main import main
from rig.record import Recorder, recorder
from tests.assembly.nights import PROTOCOL, QUICKER, ROOT
from tests.record.kills import after

RUN_OUT = 60
BREAK = """
[[stage]]
name = "to ultimate"
kind = "ramp"
control = "deflection"
until = "ultimate"
speed = "10 mm/min"
[failure]"""
WIDER = """
[limits.residual]
load = ["-2 kN", "200 kN"]
deflection = ["-0.5 mm", "40 mm"]
[full_rate]"""
RAMP = 78.0  # [s] of test time at which the short one is being broken


def files(folder: Path) -> tuple[str, str]:
    """Write protocol and rig file of a short test; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    rig = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    for slow, quick in QUICKER.items():
        rig = rig.replace(slow, quick)
    text = PROTOCOL.format(specimen=specimen, run_out=RUN_OUT)
    text = text.replace("\n[failure]", BREAK).replace("\n[full_rate]", WIDER)
    (folder / "p.toml").write_text(text, encoding="utf-8")
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    return str(folder / "p.toml"), str(folder / "rig.toml")


def killed_in(folder: Path, state: str) -> Path:
    """Return the folder of a rehearsal that was killed in a state after its run-out."""
    protocol, rig = files(folder)
    out = folder / "killed"
    words = ["rehearse", protocol, "--rig", rig, "--out", str(out), "--seed", "1"]
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-m", "tests.commands.residuals", state, *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    return out


def die_in(state: str) -> None:
    """Die some commits after a state was entered behind the run-out; the stop itself is short."""
    recorder.COMMIT_EVERY = 0.0
    points: list[tuple[object, object]] = []
    commits = 1 if state == "stopping" else 5
    keep = Recorder.restart_point

    def kept(record: Recorder, values) -> None:
        points.append((values["state"], values["ran_out"]))
        keep(record, values)

    def late(_record: Recorder) -> bool:
        return [s for s, ran_out in points if ran_out is not None].count(state) > commits

    Recorder.restart_point = kept  # type: ignore[method-assign]
    after(Recorder, "commit", late)


if __name__ == "__main__":
    die_in(sys.argv[1])
    main(sys.argv[2:])
