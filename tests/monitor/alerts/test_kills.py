"""A teller that is killed at any step: nothing is lost, and one message at most is told twice."""

import subprocess
import sys
from collections import Counter

import pytest

from rig.monitor.alerts.book import Read, read_on
from tests.monitor.alerts.dying import ENDED, SCRIPT, Steps, tell

ALERTS = ("rig", "sensor", "failure")
FIRST = [f"{number} first" for number in range(1, len(ALERTS) + 1)]


@pytest.mark.virtual
@pytest.mark.nights
async def test_killed_at_any_step_it_loses_nothing_and_tells_one_twice_at_the_most(tmp_path):
    arguments = [sys.executable, "-m", "tests.monitor.alerts.dying", str(tmp_path)]
    done = subprocess.run(arguments, check=False, capture_output=True, timeout=50)
    assert done.returncode == 0, done.stderr.decode()
    steps = sorted(int(folder.name) for folder in tmp_path.iterdir())
    # Of three alerts each was opened, told, kept as told; each time at several steps.
    assert len(steps) > 20
    for step in steps:
        folder = tmp_path / str(step)
        # Whoever goes on where the end was told finds a run that has ended.
        before = read_on(folder, Read()).desk
        over = any(alert.kind == "failure" for alert in before.alerts.values())
        await tell(folder, Steps(0), ENDED if over else SCRIPT)
        told = Counter((folder / "told").read_text(encoding="utf-8").splitlines())
        assert sorted(told) == FIRST, step
        assert sum(told.values()) <= len(FIRST) + (step != steps[-1]), (step, told)
        book = read_on(folder, Read())
        assert book.damaged == ()
        assert sorted(a.kind for a in book.desk.alerts.values()) == sorted(ALERTS)


@pytest.mark.virtual
async def test_left_alone_it_tells_each_once(tmp_path):
    await tell(tmp_path, Steps(0))
    assert (tmp_path / "told").read_text(encoding="utf-8").splitlines() == FIRST
