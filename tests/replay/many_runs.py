"""A folder of short recorded tests, good and bad; and readers that end their process."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load, read_text
from tests.commands.cut_off import files

RUN_OUT = 600

CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(
        n_workers=int(sys.argv[1]), threads_per_worker=1, processes=True, host="127.0.0.1",
        scheduler_port=0, dashboard_address=None, preload=sys.argv[2:],
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def fill(folder: Path) -> dict[str, Path]:
    """Record a test, lay copies of it into a folder, and damage some; return all by name."""
    protocol, rig = files(folder.parent / "files", RUN_OUT)
    runs = {name: folder / name for name in ("a", "b", "damaged", "deep/in/c", "lost", "other")}
    (folder / "deep" / "in").mkdir(parents=True)
    rehearse(load(protocol, rig), runs["a"], 1)
    for name in ("b", "deep/in/c", "damaged"):
        shutil.copytree(runs["a"], runs[name])
    journal = runs["damaged"] / "journal.db"
    content = bytearray(journal.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 200] = bytes(200)
    journal.write_bytes(content)
    runs["lost"].mkdir()
    (runs["lost"] / "journal.db-wal").write_bytes(b"left over")
    runs["other"].mkdir()
    (runs["other"] / "notes.csv").write_text("no run\n")
    return runs


def dies_once(path: str) -> str:
    """Read a file, but end the process that reads p.toml first."""
    if Path(path).name != "p.toml":
        return read_text(path)
    flag = Path(path).with_suffix(".flag")
    try:
        flag.touch(exist_ok=False)
    except FileExistsError:
        return read_text(path)
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("still alive")


def always_dies(path: str) -> str:
    """End the process that reads."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError(path)


def slips(path: str) -> str:
    """Have a defect."""
    return path.no_such_thing  # type: ignore[attr-defined]


@contextmanager
def cluster(workers: int, *preload: Path) -> Iterator[str]:
    """Run a Dask cluster of this computer, on the loopback only; yield its address."""
    command = [sys.executable, "-c", CLUSTER, str(workers), *map(str, preload)]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, **pipes) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait()
