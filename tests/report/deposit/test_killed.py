"""What a kill leaves while a deposit is written: nothing under its name, and the next one works."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from rig.record import Recorder
from rig.report.deposit.checking import check
from tests.record.runs import header, likely_rows

pytestmark = pytest.mark.nights


def written(folder: Path, cycles: int) -> Path:
    recorder = Recorder.create(folder, header())
    recorder.cycles(likely_rows(1, cycles))
    recorder.finish("run-out", "taken off", cycles, cycles / 5.0)
    return folder


@pytest.mark.parametrize("name", ["out", "out.zip"])
def test_a_kill_leaves_nothing_under_the_name(tmp_path, name):
    run = written(tmp_path / "run", 40_000)
    command = [sys.executable, "-m", "rig.commands.main", "export", str(run)]
    command += ["--bundle", "--what", "cycles", "--out", str(tmp_path / name)]
    child = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    patience = time.monotonic() + 20
    while not list(tmp_path.glob(f".{name}.*/deposit/run.h5")) and time.monotonic() < patience:
        time.sleep(0.005)
    child.kill()
    child.wait()
    left = {p.name for p in tmp_path.iterdir()} - {"run"}
    assert len(left) == 1
    assert left.pop().startswith(f".{name}.")
    subprocess.run(command, check=True, capture_output=True)
    assert check(tmp_path / name)["csv/cycles.csv"].rows == 40_000
