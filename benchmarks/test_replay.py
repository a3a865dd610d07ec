"""Replay of a run of eleven million cycles: speed beside bare reads of the same columns, memory.

The run is written by the recorder, and its rows are what a quiet test gives. Bare h5py reads the
columns that are judged from run.h5; bare zlib unpacks their bytes out of the journal.
"""

from __future__ import annotations

import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import h5py
import pytest

from benchmarks.test_record import best_of_three, seconds_of
from rig.record import Recorder, RunHeader
from rig.record.history import read_journal
from rig.replay.by_rows import columns_of
from rig.replay.judged import replay
from rig.replay.recording import open_recording
from rig.replay.replaying import recorded_plan
from rig.samples import Cycles
from tests.control.conftest import plan_in
from tests.record.runs import header, likely_rows

CYCLES = 11_000_000
BLOCK = 65_536
# VmHWM and not getrusage: a new process is told its parent's peak as its own by the latter.
CHILD = """
import re, sys
from pathlib import Path
from rig.replay.judged import replay
from rig.replay.recording import open_recording
with open_recording(Path(sys.argv[1])) as recording:
    found = replay(recording, recording.plan())
print(found.outcome, found.cycles)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
"""


def whole_header(folder: Path) -> RunHeader:
    """Return the header of a run of eleven million cycles, with files that can be read again."""
    change = {r"^run_out = .*$": f'run_out = "{CYCLES} cycles"'}
    plan = plan_in(folder, "dry-run-out", change)
    kept = header()
    return RunHeader(
        kept.run_id,
        kept.software,
        kept.started_utc,
        plan.title,
        plan.specimen_id,
        plan.exposure,
        1,
        plan.rig.rate,
        plan.rig.channels,
        plan.texts,
    )


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a run that ended at its run-out."""
    folder = tmp_path_factory.mktemp("long")
    out = folder / "run"
    recorder = Recorder.create(out, whole_header(folder))
    block = likely_rows(1, BLOCK)
    for done in range(0, CYCLES, BLOCK):
        rows = block.part(0, min(BLOCK, CYCLES - done))
        later = Cycles(
            {**rows.columns, "number": rows["number"] + done, "time": rows["time"] + done / 5.0},
            rows.begin,
            rows.end,
            rows.known,
        )
        recorder.cycles(later)
        recorder.commit_if_due()
    recorder.finish("run-out", f"no failure in {CYCLES:,} cycles", CYCLES, CYCLES / 5.0)
    return out


def judged_columns(run: Path) -> list[str]:
    """Return the columns that a replay as recorded reads."""
    with open_recording(run) as recording:
        wanted = columns_of([]) | {"flags", "time", "frequency"}
        assert recorded_plan(recording) is not None
        return [name for name in recording.column_names() if name in wanted]


def bare_hdf5(run: Path, names: list[str]) -> None:
    """Read the columns from run.h5, in pieces."""
    with h5py.File(run / "run.h5", "r") as file:
        for start in range(0, CYCLES, BLOCK):
            for name in names:
                file["cycles"][name][start : start + BLOCK]


def bare_zlib(run: Path, names: list[str]) -> None:
    """Unpack the columns' bytes out of the journal."""
    with read_journal(run) as journal:
        places = [i for i, field in enumerate(journal.tables["cycles"]) if field.name in names]
        for chunk in journal.chunks("cycles"):
            for place in places:
                zlib.decompress(memoryview(chunk.parts[place])[:-4])


def judge_again(run: Path) -> None:
    """Judge the run again as recorded."""
    with open_recording(run) as recording:
        found = replay(recording, recording.plan())
    assert (found.outcome, found.cycles) == ("run-out", CYCLES)


def test_replay_beside_bare_reads(benchmark: Any, run: Path) -> None:
    names = judged_columns(run)
    seconds = min(seconds_of(lambda: judge_again(run)) for _ in range(2))
    benchmark.pedantic(lambda: judge_again(run), rounds=1, iterations=1)
    benchmark.extra_info.update(
        ratio=seconds / best_of_three(lambda: bare_hdf5(run, names)),
        ratio_to_zlib=seconds / best_of_three(lambda: bare_zlib(run, names)),
        million_rows_per_second=CYCLES / seconds / 1e6,
    )


def test_memory_of_a_replay(benchmark: Any, run: Path) -> None:
    command = [sys.executable, "-P", "-c", CHILD, str(run)]
    done = benchmark.pedantic(
        lambda: subprocess.run(command, capture_output=True, text=True, check=True),
        rounds=1,
        iterations=1,
    )
    verdict, peak = done.stdout.splitlines()
    assert verdict == f"run-out {CYCLES}"
    benchmark.extra_info["peak_mb"] = int(peak) * 1024 / 1e6
