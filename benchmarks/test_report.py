"""The curves of a report of eleven million cycles: reading and drawing beside bare reads, memory.

Bare h5py reads the same columns from the same run.h5, each in one go.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import h5py
import pytest

from benchmarks.test_record import best_of_three, seconds_of
from benchmarks.test_replay import CYCLES, run
from rig.replay.recording import open_recording
from rig.report.curve_columns import Columns, columns_of
from rig.report.curve_sections import curve_sections
from rig.report.document import Drawn
from rig.report.drawn_figures import svg_of

__all__ = ["run"]  # the fixture

# VmHWM and not getrusage: a new process is told its parent's peak as its own by the latter.
CHILD = """
import re, sys
from pathlib import Path
from rig.replay.recording import open_recording
from rig.report.curve_columns import columns_of
with open_recording(Path(sys.argv[1])) as recording:
    print(columns_of(recording, recording.plan()).rows)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
"""


@pytest.fixture(scope="module")
def file(run: Path) -> Path:
    """Return the run file, read without its journal."""
    return run / "run.h5"


def reduced(file: Path) -> Columns:
    """Read every column that a report draws, once, and reduce it."""
    with open_recording(file) as recording:
        return columns_of(recording, recording.plan())


def bare(file: Path, names: list[str]) -> None:
    """Read the same columns whole."""
    with h5py.File(file, "r") as opened:
        for name in names:
            opened["cycles"][name][:]


def test_columns_of_a_report_beside_bare_reads(benchmark: Any, file: Path) -> None:
    found = reduced(file)
    assert found.rows == CYCLES
    names = ["flags", *(name for name in found.curves if not name.endswith("_range"))]
    seconds = min(seconds_of(lambda: reduced(file)) for _ in range(2))
    benchmark.pedantic(lambda: reduced(file), rounds=1, iterations=1)
    benchmark.extra_info.update(
        ratio=seconds / best_of_three(lambda: bare(file, names)),
        columns=len(names),
        seconds_a_column=seconds / len(names),
    )


def test_figures_of_a_report(benchmark: Any, file: Path) -> None:
    with open_recording(file) as recording:
        plan = recording.plan()
        sections = curve_sections(recording, plan, columns_of(recording, plan))
    blocks = [b for section in sections for b in section.blocks if isinstance(b, Drawn)]
    svg_of(blocks[0].draw())  # imports, and letters of the font
    sizes = [len(svg_of(block.draw())) for block in blocks]
    seconds = best_of_three(lambda: [svg_of(block.draw()) for block in blocks])
    benchmark.pedantic(lambda: svg_of(blocks[0].draw()), rounds=3, iterations=1)
    benchmark.extra_info.update(
        figures=len(blocks), seconds_a_figure=seconds / len(blocks), largest_kb=max(sizes) / 1e3
    )


def test_memory_of_the_columns_of_a_report(benchmark: Any, file: Path) -> None:
    command = [sys.executable, "-P", "-c", CHILD, str(file)]
    done = benchmark.pedantic(
        lambda: subprocess.run(command, capture_output=True, text=True, check=True),
        rounds=1,
        iterations=1,
    )
    rows, peak = done.stdout.splitlines()
    assert int(rows) == CYCLES
    benchmark.extra_info["peak_mb"] = int(peak) * 1024 / 1e6
