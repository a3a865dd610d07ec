"""The fixtures and the set-up of the tests themselves, in a test session of its own."""

import asyncio
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import settings

from rig.clock import VirtualLoop

ROOT = Path(__file__).resolve().parents[1]

LEAKS = """
import asyncio, subprocess, sys, threading, warnings, pytest

GATE = threading.Event()

async def test_leaks_a_task():
    asyncio.get_running_loop().create_task(asyncio.sleep(100))

def test_leaks_a_thread():
    threading.Thread(target=GATE.wait, daemon=True).start()

KEPT = []

def test_leaks_a_process():
    KEPT.append(subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE))

def test_ends_its_process():
    subprocess.run([sys.executable, "-c", ""], check=True)

def test_warns():
    warnings.warn("anything")

@pytest.mark.misspelt
def test_with_an_unknown_marker():
    pass

async def test_ends_its_task():
    task = asyncio.get_running_loop().create_task(asyncio.sleep(100))
    task.cancel()

@pytest.fixture
async def background():
    task = asyncio.get_running_loop().create_task(asyncio.sleep(100))
    yield
    task.cancel()

async def test_with_a_task_of_its_fixture(background):
    await asyncio.sleep(0)

@pytest.mark.system
def test_without_its_program(system_program):
    system_program("no-such-program-anywhere")
"""


def run_planted(
    folder: Path, source: str, *arguments: str, system: str = "", beside: Sequence[str] = ()
) -> str:
    """Run planted tests under this project's own configuration; return what pytest printed.

    Modules `beside` the one that is always there make the folder a package, as the true one is.
    """
    tests = folder / "tests"
    tests.mkdir()
    shutil.copy(ROOT / "pyproject.toml", folder)
    shutil.copy(ROOT / "tests/conftest.py", tests)
    for name in ("test_planted", *beside):
        (tests / f"{name}.py").write_text(source, encoding="utf-8")
    if beside:
        (tests / "__init__.py").touch()
    command = [sys.executable, "-P", "-m", "pytest", "-rA", "-p", "no:cacheprovider", *arguments]
    environment = {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT), "NIGHTRIG_SYSTEM": system}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    return done.stdout + done.stderr


@pytest.mark.nights
def test_what_leaks_or_warns_fails_and_what_cleans_up_passes(tmp_path):
    source = LEAKS.replace("@pytest.mark.misspelt\n", "")
    printed = run_planted(tmp_path, source)
    assert "ERROR tests/test_planted.py::test_leaks_a_task" in printed
    assert "ERROR tests/test_planted.py::test_leaks_a_thread" in printed
    assert "ERROR tests/test_planted.py::test_leaks_a_process" in printed
    assert "PASSED tests/test_planted.py::test_ends_its_process" in printed
    assert "ERROR tests/test_planted.py::test_ends_its_process" not in printed
    assert "FAILED tests/test_planted.py::test_warns" in printed
    assert "PASSED tests/test_planted.py::test_ends_its_task" in printed
    assert "ERROR tests/test_planted.py::test_ends_its_task" not in printed
    assert "ERROR tests/test_planted.py::test_with_a_task_of_its_fixture" not in printed
    assert "no-such-program-anywhere is not installed" in printed
    assert "1 skipped" in printed


@pytest.mark.nights
def test_a_missing_system_program_fails_where_it_is_required(tmp_path):
    source = LEAKS.replace("@pytest.mark.misspelt\n", "")
    printed = run_planted(tmp_path, source, "-k", "without_its_program", system="required")
    assert "FAILED tests/test_planted.py::test_without_its_program" in printed


@pytest.mark.nights
def test_an_unknown_marker_stops_the_session(tmp_path):
    printed = run_planted(tmp_path, LEAKS)
    assert "'misspelt' not found in `markers`" in printed


GROUP = """
import pytest

@pytest.mark.xdist_group("serial")
@pytest.mark.parametrize("number", range(8))
def test_of_a_group(number):
    pass
"""


@pytest.mark.nights
def test_a_group_runs_in_one_process(tmp_path):
    printed = run_planted(tmp_path, GROUP, "-n", "2", "--dist", "loadgroup", "-v")
    workers = re.findall(r"^\[(gw\d)\].* PASSED ", printed, re.MULTILINE)
    assert len(workers) == 8
    assert len(set(workers)) == 1


READ = """
import os

with open("read.txt", "a") as told:
    told.write(f"{os.environ['PYTEST_XDIST_WORKER']} {__name__}\\n")

def test_nothing():
    pass
"""


@pytest.mark.nights
def test_each_process_begins_with_a_share_of_its_own(tmp_path):
    printed = run_planted(tmp_path, READ, "-n", "2", beside=("test_a", "test_b", "test_z"))
    assert "4 passed" in printed
    read: dict[str, list[str]] = {"gw0": [], "gw1": []}
    for line in (tmp_path / "read.txt").read_text(encoding="utf-8").splitlines():
        worker, name = line.split()
        read[worker].append(name.removeprefix("tests.test_"))
    assert read == {"gw0": ["a", "planted", "b", "z"], "gw1": ["b", "z", "a", "planted"]}


@pytest.mark.virtual
async def test_a_virtual_test_waits_three_weeks_in_no_time():
    assert isinstance(asyncio.get_running_loop(), VirtualLoop)
    await asyncio.sleep(21 * 86400)
    assert asyncio.get_running_loop().time() >= 21 * 86400


async def test_an_unmarked_test_runs_in_real_time():
    assert not isinstance(asyncio.get_running_loop(), VirtualLoop)


def test_hypothesis_draws_the_same_examples_every_time():
    assert settings().derandomize
    assert settings().deadline is None
