"""`rehearse --rig RUN` as a person or a script meets it, and `resume` of such a rehearsal."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import read_journal
from tests.assembly.nights import COMMAND, PATIENCE, a_night, eventually
from tests.assembly.recordings import protocol, recording, softening


def nightrig(cwd: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [*COMMAND, *arguments]
    return subprocess.run(
        command, cwd=cwd, capture_output=True, text=True, timeout=PATIENCE, check=False
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    recording(tmp_path / "run", softening(400))
    (tmp_path / "protocol.toml").write_text(protocol(stop=30))
    return tmp_path


ON_RUN = ("rehearse", "protocol.toml", "--rig", "run", "--seed", "2")


def test_what_cannot_stand_in_is_one_line_and_code_2_and_starts_nothing(tmp_path):
    (tmp_path / "empty").mkdir()
    done = nightrig(
        tmp_path, "rehearse", "dry-short", "--rig", "empty", "--out", "r", "--seed", "1"
    )
    assert done.returncode == 2
    assert done.stderr.startswith(f"{tmp_path / 'empty'}: is no run")
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "r").exists()


@pytest.mark.nights
def test_it_ends_where_a_replay_by_the_same_protocol_ends(folder):
    done = nightrig(folder, *ON_RUN, "--out", "again", "--json")
    assert done.returncode == 0
    assert "the specimen is the recorded one of" in done.stderr
    assert "the load follows the command of a simulated controller" in done.stderr
    rehearsed = json.loads(done.stdout)
    replayed = json.loads(
        nightrig(folder, "replay", "run", "--protocol", "protocol.toml", "--json").stdout
    )["replayed"]
    assert rehearsed["outcome"] == replayed["outcome"] == "failure"
    assert rehearsed["cycles"] == pytest.approx(replayed["cycles"], rel=0.01)


@pytest.mark.nights
def test_a_static_end_cannot_be_rehearsed_on_cycles(folder):
    done = nightrig(
        folder, "rehearse", "static-ultimate", "--rig", "run", "--out", "r", "--seed", "1"
    )
    assert done.returncode == 2
    assert "does not tell where its specimen breaks" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.endurance  # a computer that is busy may kill it only after its end
def test_one_that_was_killed_goes_on_only_with_its_recording(folder):
    (folder / "n").mkdir()
    with a_night(folder / "n", run_out=100) as night:
        recording(folder / "long", softening(20_000))
        command = [*COMMAND, *ON_RUN[:2], "--rig", "long", "--seed", "2", "--out", "cut"]
        pipes = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        (folder / "protocol.toml").write_text(protocol(run_out=20_000))
        child = subprocess.Popen(command, cwd=folder, **pipes)
        night.children.append(child)
        eventually(lambda: _counted(folder / "cut") > 50, "cycles")
        child.kill()
        child.wait()
    shutil.move(folder / "long", folder / "aside")
    refused = nightrig(folder, "resume", "cut")
    assert refused.returncode == 2
    assert len(refused.stderr.strip().splitlines()) == 1
    assert f"its specimen is the recording {folder / 'long'}, which is gone" in refused.stderr
    shutil.move(folder / "aside", folder / "long")
    done = nightrig(folder, "resume", "cut", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["outcome"] == "failure"


def _counted(run: Path) -> int:
    try:
        with read_journal(run) as journal:
            return journal.rows("cycles")
    except StorageError:
        return 0
