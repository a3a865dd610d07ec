"""The guide to writing drivers is true: its files are taken out of it, installed, and run."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import h5py
import pytest

from rig.assembly.devices import close, open_rig
from rig.clock import SystemClock
from rig.commands.rig_alone import load_rig_alone
from rig.control.lock import rig_file, shared_folder
from tests.assembly.nights import COMMAND, PROTOCOL, ROOT
from tests.assembly.offered import offer

GUIDE = (ROOT / "drivers" / "GUIDE.md").read_text(encoding="utf-8")
FILES = re.compile(r"^\*\*`([^`]+)`\*\*\n\n```\w+\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass
class Bench:
    """A folder with the files of the guide, its device running, its driver installed."""

    folder: Path
    rig: Path
    name: str
    env: dict[str, str]

    def run(self, *words: str, within: float) -> subprocess.CompletedProcess[str]:
        """Run a Python module as somebody does who follows the guide."""
        return subprocess.run(
            [sys.executable, "-P", "-m", *words],
            cwd=self.folder,
            env=self.env,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=within,
        )


def files_of_the_guide() -> dict[str, str]:
    return dict(FILES.findall(GUIDE))


@contextmanager
def a_bench(folder: Path, *, installed: bool) -> Iterator[Bench]:
    """Follow the guide in a folder: its files, its device, its driver where pip would put it."""
    for name, text in files_of_the_guide().items():
        (folder / name).write_text(text, encoding="utf-8")
    packages = folder / "packages"
    if installed:
        install = ["install", "-q", "--no-deps", "--no-index", "--no-build-isolation"]
        pip = [sys.executable, "-P", "-m", "pip", "--isolated", *install]
        subprocess.run([*pip, "--target", str(packages), str(folder)], check=True)
    device = subprocess.Popen(
        [sys.executable, "-P", "frame_device.py"], cwd=folder, stdout=subprocess.PIPE, text=True
    )
    assert device.stdout is not None
    path = device.stdout.readline().strip()
    name = f"text frame {folder.name} {os.getpid()}"
    rig = files_of_the_guide()["frame.toml"]
    # No two rigs of one name are at work at once on one computer.
    rig = rig.replace('"text frame"', f'"{name}"').replace("/dev/pts/5", path)
    (folder / "frame.toml").write_text(rig.replace('before = "5 s"', 'before = "1 s"'))
    # The path of a socket is short, the folder of a test is not.
    sockets = Path(tempfile.mkdtemp(prefix="guide-"))
    env = os.environ | {"PYTHONPATH": str(packages), "NIGHTRIG_SOCKETS": str(sockets)}
    try:
        yield Bench(folder, folder / "frame.toml", name, env)
    finally:
        device.send_signal(signal.SIGINT)
        assert device.wait(10) == 0
        device.stdout.close()
        (shared_folder() / rig_file(name)).unlink(missing_ok=True)
        shutil.rmtree(sockets, ignore_errors=True)


def test_the_guide_has_every_file_that_it_names():
    files = files_of_the_guide()
    assert set(files) == {"text_frame.py", "frame_device.py", "frame.toml", "pyproject.toml"}
    for name, text in files.items():
        if name.endswith(".py"):
            compile(text, name, "exec")
    # A driver and what it is tried on share no code.
    assert "text_frame" not in files["frame_device.py"]
    assert "import frame_device" not in files["text_frame.py"]


async def test_the_driver_of_the_guide_opens_its_device_and_moves_nothing(tmp_path, monkeypatch):
    with a_bench(tmp_path, installed=False) as bench:
        offer(tmp_path, "text_frame")
        monkeypatch.syspath_prepend(str(tmp_path))
        rig = await open_rig(load_rig_alone(str(bench.rig)), 1, SystemClock())
        try:
            status = await rig.actuator.status()
            block = await rig.acquisition.read(50)
            await rig.acquisition.keep(50)
        finally:
            await close(rig)
            sys.modules.pop("text_frame", None)
        assert (rig.emulated, status.pressure, status.moving) == (True, "off", False)
        assert block.channels == ("load", "midspan")
        assert not block.values.any()


def carried_out(bench: Bench) -> tuple[subprocess.CompletedProcess[str], float]:
    """Carry out a short test; return its end and how long [s] it took."""
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    (bench.folder / "short.toml").write_text(PROTOCOL.format(specimen=specimen, run_out=60))
    files = ["short.toml", "--rig", str(bench.rig), "--out", "night-1"]
    begun = time.monotonic()
    done = bench.run(*COMMAND[3:], "run", *files, within=120)
    return done, time.monotonic() - begun


@pytest.mark.endurance
@pytest.mark.timeout(300)
@pytest.mark.xdist_group("live")
def test_the_guide_is_followed_to_the_end_of_a_test(tmp_path):
    folders = [tmp_path / name for name in ("looked", "tested")]
    for folder in folders:
        folder.mkdir()
    # One device is tried while another carries the test: both wait most of the time.
    with (
        a_bench(folders[0], installed=True) as bench,
        a_bench(folders[1], installed=True) as testing,
        ThreadPoolExecutor(1) as beside,
    ):
        tested = beside.submit(carried_out, testing)
        contract = bench.run("drivers.contract", "--rig", str(bench.rig), within=120)
        assert contract.returncode == 0, contract.stdout
        # Its samples come in blocks only: two promises are about those who show them at once.
        assert re.search(r"\d{2} passed, 2 skipped", contract.stdout)

        looked = bench.run(*COMMAND[3:], "devices", "--rig", str(bench.rig), "--json", within=60)
        told = json.loads(looked.stdout)
        assert (looked.returncode, told["ok"], told["emulated"]) == (0, True, True), told
        assert told["lines"][0]["who"] == "emulated text frame 1"

        done, took = tested.result()
        assert done.returncode == 0, done.stderr
        assert took > 10, "in real time"
        with h5py.File(testing.folder / "night-1" / "run.h5") as run:
            assert run.attrs["outcome"] == "run-out"
            assert run["cycles"]["number"][:60].tolist() == list(range(1, 61))
