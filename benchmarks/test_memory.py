"""Peak memory of a rehearsal: flat over the number of cycles."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

from benchmarks.test_rehearsal import plan_of

# VmHWM and not getrusage: a new process is told its parent's peak as its own by the latter.
CHILD = """
import re, sys
from pathlib import Path
from rig.assembly import rehearse
from rig.commands.files import load
rehearse(load(sys.argv[1], None), Path(sys.argv[2]), 1)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
"""


def peak(cycles: int, folder: Path) -> float:
    """Return the peak resident memory [MB] of a rehearsal in a process of its own."""
    folder.mkdir()
    plan_of(cycles, folder)
    command = [sys.executable, "-P", "-c", CHILD, str(folder / "run-out.toml"), str(folder / "run")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return int(done.stdout) * 1024 / 1e6


def test_memory_over_a_million_cycles(benchmark: Any, tmp_path: Path) -> None:
    few = peak(100_000, tmp_path / "few")
    many = benchmark.pedantic(lambda: peak(1_000_000, tmp_path / "many"), rounds=1, iterations=1)
    benchmark.extra_info.update(peak_mb=many, peak_mb_of_a_tenth=few, growth=many / few)
