"""Import of a long CSV file, beside numpy's reader and a bare read of the same file.

`NIGHTRIG_IMPORT_MB` is the size of the file [MB]; 2000 is the one that is promised to stay under
400 MB of memory, which holds for every size.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

SIZE = float(os.environ.get("NIGHTRIG_IMPORT_MB", "40")) * 1e6
RATE = 1000
BLOCK = 200_000
# VmHWM and not getrusage: a new process is told its parent's peak as its own by the latter.
CHILD = """
import re, sys
from pathlib import Path
from rig.replay.importing import Wanted, import_file
found = import_file(Wanted(Path(sys.argv[1]), Path(sys.argv[2])))
peak = re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]
print(peak, found.rows, found.cycles)
"""


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a file of time, load, mid-span and support at 1 kHz and 4 Hz, noise and all."""
    path = tmp_path_factory.mktemp("import") / "long.csv"
    rng = np.random.default_rng(1)
    wave = np.cos(2 * np.pi * 4 * np.arange(BLOCK) / RATE)
    noise = rng.standard_normal((3, BLOCK))
    columns = (
        50 - 42.5 * wave + 0.04 * noise[0],
        1 - 0.8 * wave + 1e-3 * noise[1],
        0.1 - 0.05 * wave + 1e-3 * noise[2],
    )
    rest = [f",{a:.3f},{b:.4f},{c:.4f}\n" for a, b, c in zip(*columns, strict=True)]
    first = 0
    with path.open("w") as file:
        size = file.write("time [s],load [kN],midspan [mm],support_left [mm]\n")
        while size < SIZE:
            rows = (f"{n // RATE}.{n % RATE:03d}{r}" for n, r in enumerate(rest, start=first))
            size += file.write("".join(rows))
            first += BLOCK
    return path


def seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def bare(path: Path) -> None:
    with path.open("rb") as file:
        while file.read(2**21):
            pass


def numpy_reads(path: Path) -> None:
    np.loadtxt(path, delimiter=",", skiprows=1, max_rows=BLOCK)


def test_import_beside_numpy(benchmark: Any, table: Path, tmp_path: Path) -> None:
    said: list[str] = []

    def carry_out() -> None:
        command = [sys.executable, "-P", "-c", CHILD, str(table), str(tmp_path / "run")]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        said[:] = done.stdout.split()

    taken = seconds(lambda: benchmark.pedantic(carry_out, rounds=1, iterations=1))
    peak, rows, cycles = map(int, said)
    # numpy would hold the whole file: it is given a block, and scaled to all rows.
    numpys = seconds(lambda: numpy_reads(table)) * rows / BLOCK
    megabytes = table.stat().st_size / 1e6
    benchmark.extra_info.update(
        size_mb=megabytes,
        rows=rows,
        cycles=cycles,
        peak_mb=peak * 1024 / 1e6,
        mb_per_s=megabytes / taken,
        times_numpys_time=taken / numpys,
        times_a_bare_read=taken / seconds(lambda: bare(table)),
    )
