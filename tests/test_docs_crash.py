"""The README's section on crashes is true: what it shows is typed, what it says is found."""

from __future__ import annotations

import re
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.errors import EXIT_CODES, StorageError
from rig.record.history import Journal, read_journal
from tests.assembly.nights import PATIENCE
from tests.readme import NIGHTRIG, called, section, steps

CRASH = "## After a crash, a full disk, a power cut"


@pytest.fixture
def session():
    """Return what is typed: how a rehearsal is begun, and how it goes on with what that says."""
    first, killed, taken_up = (s for s in steps(section(CRASH)) if s.kind == "command")
    assert first.text == "nightrig resume night-1"
    timeout, began = killed.text.split(" nightrig ")
    assert timeout == "timeout -s KILL 6"
    return began.split(), taken_up


def without_numbers(line: str) -> str:
    """Leave out what differs from one kill to the next."""
    where = r", the simulated specimen too|; the last .* simulated"
    return re.sub(r"[\d,.:]+( min)?", "#", re.sub(where, "", line))


def in_second_stage(journal: Journal) -> bool:
    point = journal.restart_point
    return point is not None and point["stage_number"] > 1


def until(folder: Path, claim: Callable[[Journal], bool]) -> None:
    """Wait until something holds of the journal of a folder."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        try:
            with read_journal(folder) as journal:
                if claim(journal):
                    return
        except StorageError:
            pass
        time.sleep(0.01)
    raise AssertionError("waited in vain for the rehearsal")


@pytest.mark.endurance
def test_a_killed_rehearsal_is_taken_up_as_quoted(session, tmp_path):
    began, taken_up = session
    pipes = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True}
    child = subprocess.Popen([*NIGHTRIG, *began], cwd=tmp_path, **pipes)
    # Sooner than the README does, and so in another stage.
    until(tmp_path / "crash-1", in_second_stage)
    child.kill()
    child.communicate()
    child = subprocess.Popen([*NIGHTRIG, *taken_up.text.split()[1:]], cwd=tmp_path, **pipes)
    told = [child.stderr.readline().rstrip("\n") for _ in taken_up.printed]
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=60)
    assert child.returncode == EXIT_CODES["operator"]
    labels = [line[:12] for line in taken_up.printed]
    assert [line[:12] for line in told] == labels
    assert told[:2] == taken_up.printed[:2]
    assert told[2].partition(" while ")[0] == taken_up.printed[2].partition(" while ")[0]


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_a_killed_rehearsal_is_taken_up_to_the_letter_and_comes_to_its_end(session, tmp_path):
    began, taken_up = session
    silent = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    child = subprocess.Popen([*NIGHTRIG, *began], cwd=tmp_path, **silent)
    until(tmp_path / "crash-1", lambda journal: journal.rows("cycles") > 20_000)
    child.kill()
    child.wait()
    done = called(tmp_path, taken_up.text, within=240)
    told = done.stderr.splitlines()[: len(taken_up.printed)]
    assert [without_numbers(line) for line in told] == [
        without_numbers(line) for line in taken_up.printed
    ]
    assert done.returncode == 0
