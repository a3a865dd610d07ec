"""`nightrig rehearse` as a person or a script meets it: a child process, its codes and words."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import h5py
import pytest

COMMAND = [sys.executable, "-P", "-m", "rig.commands.main"]
KEYS = {
    "alerts",
    "residual",
    "outcome",
    "why",
    "cycles",
    "run",
    "real_s",
    "test_s",
    "samples_per_cycle",
    "channels",
}


def nightrig(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], cwd=cwd, capture_output=True, text=True, timeout=50, check=False
    )


@pytest.mark.nights
def test_the_result_is_one_json_object_and_the_record_reads_in_plain_h5py(tmp_path):
    done = nightrig(
        "rehearse", "static-ultimate", "--out", "run", "--seed", "1", "--json", cwd=tmp_path
    )
    assert done.returncode == 0
    result = json.loads(done.stdout)
    assert result.keys() >= KEYS
    assert result["outcome"] == "ultimate"
    assert result["samples_per_cycle"] is None
    with h5py.File(result["run"]) as run:
        assert run.attrs["format"] == "nightrig-run"
        assert run.attrs["version"] == 1
        assert run.attrs["outcome"] == "ultimate"
        groups = "cycles build_up static full_rate slow events spray inspections cracks"
        assert set(groups.split()) <= set(run)
        assert run["cycles/load_max"].attrs["units"] == "N"


def test_an_existing_folder_is_refused_in_one_line_and_left_alone(tmp_path):
    (tmp_path / "run").mkdir()
    done = nightrig("rehearse", "static-ultimate", "--out", "run", "--seed", "1", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert "already exists" in done.stderr
    assert list((tmp_path / "run").iterdir()) == []


@pytest.mark.nights
def test_bad_input_is_json_too_and_a_closed_pipe_changes_no_code(tmp_path):
    done = nightrig("rehearse", "no-such", "--out", "r", "--seed", "1", "--json", cwd=tmp_path)
    assert done.returncode == 2
    assert json.loads(done.stdout)["problems"][0]["file"] == "no-such"
    command = [*COMMAND, "rehearse", "static-ultimate", "--out", "run", "--seed", "1"]
    reader, writer = os.pipe()
    os.close(reader)
    try:
        child = subprocess.run(command, cwd=tmp_path, stdout=writer, timeout=50, check=False)
    finally:
        os.close(writer)
    assert child.returncode == 0
    assert (tmp_path / "run" / "run.h5").is_file()


@pytest.mark.parametrize(
    ("arguments", "phrase"),
    [
        (["rehaerse"], "unknown command"),
        (["rehearse", "static-ultimate", "--speed", "3"], "--speed"),
        (["rehearse", "static-ultimate", "--out", "run"], "--seed"),
        (["rehearse", "static-ultimate", "--out", "run", "--seed", "-1"], "-1"),
        (["rehearse", "no-such-protocol", "--out", "run", "--seed", "1"], "no-such-protocol"),
        (
            ["rehearse", "dry-short", "--events", "tired-pum", "--out", "run", "--seed", "1"],
            'did you mean "tired-pump"?',
        ),
    ],
    ids=["command", "option", "no seed", "seed below zero", "no file", "no events"],
)
def test_a_wrong_word_is_one_line_and_code_2_and_starts_nothing(tmp_path, arguments, phrase):
    done = nightrig(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert phrase in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.nights
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_being_asked_to_stop_twice_ends_by_the_normal_stop_once(tmp_path, name):
    child = subprocess.Popen(
        [*COMMAND, "rehearse", "dry-run-out", "--out", "run", "--seed", "1", "--json"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    journal = tmp_path / "run" / "journal.db"
    try:
        while not journal.exists():
            with pytest.raises(subprocess.TimeoutExpired):
                child.wait(0.01)
        # From the moment there is a record on, whenever that is, a stop is a normal one.
        if name == "SIGTERM":
            with pytest.raises(subprocess.TimeoutExpired):
                child.wait(0.3)
        child.send_signal(signal.Signals[name])
        # Soon: an interpreter that is closing down dies of any signal, its work done.
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(0.01)
        child.send_signal(signal.Signals[name])
        out, err = child.communicate(timeout=40)
    finally:
        child.kill()
        child.wait()
    assert child.returncode == 5
    assert "Traceback" not in err
    result = json.loads(out)
    assert result["outcome"] == "operator"
    with h5py.File(result["run"]) as run:
        numbers = run["cycles/number"][:]
        assert run.attrs["outcome"] == "operator"
    assert numbers.tolist() == list(range(1, len(numbers) + 1))


def test_help_has_an_example_and_no_traceback_without_arguments(tmp_path):
    helped = nightrig("rehearse", "--help", cwd=tmp_path)
    assert helped.returncode == 0
    assert "Example" in helped.stdout
    assert "--events draughty-night" in helped.stdout
    bare = nightrig(cwd=tmp_path)
    assert "Traceback" not in bare.stderr
    assert "rehearse" in bare.stdout + bare.stderr
