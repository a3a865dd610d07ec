"""A whole proof of stopping through pseudo-terminals, held against what really happened."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig.assembly.stop_rows import ROWS
from rig.protocol.load import load_rig
from tests.assembly.nights import COMMAND, ROOT, eventually
from tests.assembly.stops_truth import differences

STROKE = """
[[channel]]
name = "stroke"
resolution = "1 um"
noise = "1 um"
range = ["-60 mm", "60 mm"]
"""


@contextmanager
def emulated(folder: Path, name: str, runtime: Path) -> Iterator[dict[str, str]]:
    """Emulate a frame with a panel; return the environment for whoever looks at it."""
    text = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text("utf-8")
    for old, new in (
        ("simulated frame", name),
        ('before = "5 s"', 'before = "1 s"'),
        ('gap = "2 mm"', 'gap = "0.5 mm"'),
        ("[pump]", f"{STROKE}\n[pump]"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "simulated.toml").write_text(text, encoding="utf-8")
    (runtime / "tmp").mkdir()
    env = {**os.environ, "NIGHTRIG_SOCKETS": str(runtime / "s"), "TMPDIR": str(runtime / "tmp")}
    files = ("--ports", "ports", "--out", "rig.toml", "--truth", "truth.jsonl")
    started = subprocess.Popen(
        [*COMMAND, "devices", "--emulate", "--rig", "simulated.toml", *files, "--panel", "panel"],
        cwd=folder,
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        eventually((folder / "rig.toml").exists, "the rig file")
        yield env
    finally:
        started.send_signal(signal.SIGTERM)
        try:
            started.wait(20)
        finally:
            started.kill()
            started.wait()


def proven(folder: Path, env: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, "devices", "--rig", "rig.toml", "--prove-stops", "--panel", "panel", *words],
        cwd=folder,
        env=env,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def runtime() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="stops-"))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.mark.timeout(0)
@pytest.mark.parametrize(
    "repeats",
    [
        pytest.param(1, marks=pytest.mark.endurance),
        pytest.param(20, marks=pytest.mark.endurance),
    ],
)
def test_every_row_is_proven_as_it_really_happened_and_kept(tmp_path, runtime, repeats):
    short = runtime / "w"
    short.mkdir()
    with emulated(short, f"proven frame {os.getpid()}", runtime) as env:
        before = (short / "rig.toml").read_text("utf-8")
        done = proven(short, env, "--repeats", str(repeats), "--keep", "--json")
        truth = [json.loads(x) for x in (short / "truth.jsonl").read_text("utf-8").splitlines()]
    proof = json.loads(done.stdout)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert [row["cause"] for row in proof["rows"]] == [row.cause for row in ROWS]
    assert all(row["repeats"] == len(row["trials"]) == repeats for row in proof["rows"])
    found = differences(truth, proof)
    assert len(found) == 7 * repeats
    for cause, time, travel in found:
        # A batch of samples, the line, and what noise may hide.
        assert -0.008 <= time <= 0.025, (cause, time)
        assert -2e-6 <= travel <= 4e-6, (cause, travel)
    for row in proof["rows"]:
        for trial in row["trials"]:
            assert trial["travel_m"] <= trial["time_s"] * trial["speed_m_s"] + 4e-6
    last = {line["what"]: line["value"] for line in truth}
    assert (last["valve"], last["pressure"]) == ("closed", "off")
    assert {v for k, v in last.items() if k.startswith("input ")} == {"off"}
    assert_kept(before, short / "rig.toml", proof)


def assert_kept(before: str, path: Path, proof: dict) -> None:
    """Hold the rig file against the proof: the table is there, all else as it was."""
    after = path.read_text("utf-8")
    assert after.startswith(before.rstrip("\n"))
    table = tomllib.loads(after)["proof_of_stopping"]
    assert (table["date"], table["by"]) == (proof["date"], proof["by"])
    rig = load_rig(str(path), lambda name: Path(name).read_text("utf-8"))
    kept = rig.trust.proven
    assert kept is not None
    assert kept.renew_after == 90
    for row, told in zip(kept.rows, proof["rows"], strict=True):
        assert (row.cause, row.repeats) == (told["cause"], told["repeats"])
        assert told["time_s"] <= row.time <= told["time_s"] + 1.1e-4
        assert told["travel_m"] <= row.travel <= told["travel_m"] + 1.1e-7


@pytest.mark.endurance
def test_ctrl_c_leaves_the_rig_as_it_was(runtime):
    short = runtime / "w"
    short.mkdir()
    with emulated(short, f"proven frame {os.getpid()}", runtime) as env:
        started = subprocess.Popen(
            [*COMMAND, "devices", "--rig", "rig.toml", "--prove-stops", "--panel", "panel"],
            cwd=short,
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

        def moves() -> bool:
            lines = (short / "truth.jsonl").read_text("utf-8").splitlines()
            return any('"ramp of stroke"' in line for line in lines)

        eventually(moves, "the rod to move")
        started.send_signal(signal.SIGINT)
        said, _ = started.communicate(timeout=90)
        truth = [json.loads(x) for x in (short / "truth.jsonl").read_text("utf-8").splitlines()]
    assert started.returncode == 5
    assert "broken off; nothing is kept" in said
    last = {line["what"]: line["value"] for line in truth}
    assert (last["valve"], last["pressure"], last["horn output"]) == ("closed", "off", "off")
    assert "proof_of_stopping" not in (short / "rig.toml").read_text("utf-8")
