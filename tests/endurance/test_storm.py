"""Rehearsals that are killed at random instants, in small; the whole storm, and its report."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.endurance.case import Case

ROOT = Path(__file__).parents[2]
STORM = [sys.executable, "-m", "tests.endurance"]


@pytest.mark.timeout(300)
@pytest.mark.endurance
def test_rehearsals_killed_at_random_instants_lose_nothing():
    # In a process of its own: what forks there must have no threads.
    command = [*STORM, "--small", "--seed", "1", "--kills", "6"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    cases = [Case.from_plain(json.loads(line)) for line in done.stdout.splitlines()]
    assert [case.wrong for case in cases] == [[] for _ in cases]
    assert sum(len(case.kills) for case in cases) >= 6
    assert sum(case.resumes for case in cases) >= 3
    assert {(case.outcome, case.cycles) for case in cases} == {("run-out", 800)}


@pytest.mark.endurance
def test_the_whole_storm(capfd):
    """Its report is endurance-report.txt in the folder in which the tests were started."""
    report = Path(os.environ.get("PWD", ".")) / "endurance-report.txt"
    with capfd.disabled():
        code = subprocess.run([*STORM, "--report", str(report)], cwd=ROOT, check=False).returncode
    assert code == 0, report.read_text()
