"""Recording: speed beside bare h5py appends of the same types and filters, bytes, opening."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from rig.clock import real_seconds
from rig.record import Recorder, read_run
from rig.samples import Cycles, column_type
from tests.record.runs import header, likely_rows

CYCLES = 1_000_000
BLOCK = 65_536
FILTERS = {
    "compression": "gzip",
    "compression_opts": 1,
    "shuffle": True,
    "fletcher32": True,
    "chunks": (4096,),
}


def blocks() -> list[Cycles]:
    rows = likely_rows(1, CYCLES)
    return [rows.part(a, min(a + BLOCK, CYCLES)) for a in range(0, CYCLES, BLOCK)]


def seconds_of(run: Callable[[], object]) -> float:
    start = real_seconds()
    run()
    return real_seconds() - start


def best_of_three(run: Callable[[], object]) -> float:
    return min(seconds_of(run) for _ in range(3))


def record(folder: Path, rows: list[Cycles]) -> Recorder:
    shutil.rmtree(folder, ignore_errors=True)
    recorder = Recorder.create(folder, header())
    for block in rows:
        recorder.cycles(block)
        recorder.commit_if_due()
    recorder.commit()
    return recorder


def bare_append(path: Path, rows: list[Cycles]) -> None:
    with h5py.File(path, "w", libver=("v110", "v110")) as file:
        sets = {
            name: file.create_dataset(name, (0,), column_type(name), maxshape=(None,), **FILTERS)
            for name in rows[0].columns
        }
        for block in rows:
            for name, dataset in sets.items():
                first = dataset.shape[0]
                dataset.resize((first + len(block),))
                dataset[first:] = block.columns[name]
            file.flush()


def test_recording_beside_bare_h5py_appends(benchmark: Any, tmp_path: Path) -> None:
    rows = blocks()
    size = sum(c.nbytes for block in rows for c in block.columns.values()) / 1e6
    bare = best_of_three(lambda: bare_append(tmp_path / "bare.h5", rows))
    kept: list[Recorder] = []

    def ours() -> None:
        for recorder in kept:
            recorder.abandon()
        kept[:] = [record(tmp_path / "run", rows)]

    seconds = best_of_three(ours)
    benchmark.pedantic(ours, rounds=1, iterations=1)
    start = real_seconds()
    path = kept[0].finish("run-out", "taken off", CYCLES, 1.0)
    benchmark.extra_info.update(
        ratio=bare / seconds,
        megabytes_per_second=size / seconds,
        bare_megabytes_per_second=size / bare,
        finish_seconds_per_million=(real_seconds() - start) / CYCLES * 1e6,
        run_bytes_per_cycle=path.stat().st_size / CYCLES,
        journal_bytes_per_cycle=(path.parent / "journal.db").stat().st_size / CYCLES,
    )


def test_opening_a_long_run_beside_bare_h5py_reads(benchmark: Any, tmp_path: Path) -> None:
    path = record(tmp_path / "run", blocks()).finish("run-out", "taken off", CYCLES, 1.0)

    def bare() -> tuple[np.ndarray, np.ndarray]:
        with h5py.File(path, "r") as file:
            return file["cycles/number"][:], file["cycles/stiffness"][:]

    def ours() -> tuple[np.ndarray, np.ndarray]:
        with read_run(path) as run:
            return run.column("number"), run.column("stiffness")

    beside = best_of_three(bare)
    found = benchmark.pedantic(ours, rounds=1, iterations=1)
    np.testing.assert_array_equal(found[1], bare()[1])
    benchmark.extra_info["ratio"] = best_of_three(ours) / beside
