"""Whole live tests in this process on a disk that meets with trouble: record, door and ending.

A small disk is mounted in a mount namespace of its own: nobody else sees it, and it is gone with
the process that a test runs in it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from rig.assembly import simulation_setup
from rig.assembly.live import LiveTest
from rig.assembly.result import header_of
from rig.control.address import find_socket
from rig.control.caller import Caller
from rig.errors import RigError
from rig.protocol.plan import Plan
from rig.record import read_journal
from rig.record.remote import RemoteRecorder
from simulators.rig import simulated_rig
from tests.assembly.live import LONGEST, FastClock, Watched, plan_in

ROOT = Path(__file__).parents[2]
SCENARIO = """
import importlib, pathlib, sys
from tests.assembly.disks import Disk
here = pathlib.Path.cwd()
getattr(importlib.import_module(sys.argv[1]), sys.argv[2])(here, Disk(here / "disk"))
"""
PACE = 5.0
FREQUENCY = 4.0  # [Hz]: a computer that is busy for a tenth of a second misses no five periods
BEFORE = 60.0  # [s] of samples that are kept before a stop


@dataclass(frozen=True)
class Disk:
    """A small disk that is mounted at `path`, for this process and its children only."""

    path: Path

    def act(self, *command: str) -> None:
        """Do something to the mounted disk, with a command such as `umount`."""
        subprocess.run([*command, str(self.path)], check=True, capture_output=True, text=True)

    def fail(self) -> None:
        """Let a disk made with `EXT4` find a fault in itself: from then on it is read-only."""
        found = subprocess.run(
            ["findmnt", "-no", "SOURCE", str(self.path)], check=True, capture_output=True, text=True
        )
        device = Path(found.stdout.strip()).name
        Path(f"/sys/fs/ext4/{device}/trigger_fs_error").write_text("1")

    def replace(self) -> None:
        """Put a repaired copy of a disk made with `EXT4` in its place."""
        copy = "cp disk.img copy.img && { e2fsck -fy copy.img || test $? -lt 4; }"
        script = f"umount -l disk && {copy} && mount -o loop copy.img disk"
        subprocess.run(["sh", "-c", script], cwd=self.path.parent, check=True, capture_output=True)

    def fill(self) -> Path:
        """Take all the room there is; return the file that has it."""
        junk = self.path / "junk"
        with junk.open("ab", buffering=0) as file, contextlib.suppress(OSError):
            while file.write(bytes(4096)):
                pass
        return junk


TMPFS = "mount -t tmpfs -o size=20m none disk"
EXT4 = (
    "truncate -s 20M disk.img && mkfs.ext4 -q disk.img && "
    "mount -o loop,errors=remount-ro disk.img disk"
)


def on_small_disk(scenario: Callable[[Path, Disk], None], folder: Path, mount: str = TMPFS) -> None:
    """Run a function of a module in a process of its own, with a small disk that only it sees.

    Skips the test where this user may not mount, or fails it where it must run.
    """
    for program in ("unshare", "mount", *("mkfs.ext4",) * (mount == EXT4)):
        if shutil.which(program) is None:
            _not_here(f"{program} is not installed")
    (folder / "disk").mkdir()
    named = [scenario.__module__, scenario.__name__]
    own = ["unshare", "-m", "--propagation", "private", "sh", "-c"]
    tried = subprocess.run([*own, mount], cwd=folder, capture_output=True, text=True, check=False)
    if tried.returncode:
        _not_here(f"nothing can be mounted: {tried.stderr.strip()}")
    with tempfile.TemporaryDirectory(prefix="disk-") as sockets:
        done = subprocess.run(
            [*own, f'{mount} && exec "$@"', "sh", sys.executable, "-c", SCENARIO, *named],
            cwd=folder,
            # The path of a socket is short, and no other run must be met.
            env={**os.environ, "PYTHONPATH": str(ROOT), "NIGHTRIG_SOCKETS": f"{sockets}/nightrig"},
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 0, done.stderr


def _not_here(why: str) -> None:
    if os.environ.get("NIGHTRIG_SYSTEM") == "required":
        pytest.fail(f"{why}, and NIGHTRIG_SYSTEM=required")
    pytest.skip(why)


@dataclass
class Whole:
    """A live test under way with its door: what it says of itself, and its recorder."""

    plan: Plan
    test: LiveTest
    recorder: RemoteRecorder
    actuator: Watched

    @property
    def told(self) -> dict[str, Any]:
        return dict(self.test.look())

    async def cycles(self, count: int) -> None:
        """Wait until so many cycles are counted."""
        await self.until(lambda: self.told["cycles"] >= count)

    async def waiting(self) -> str:
        """Wait until the record waits for its disk; return what people are told."""
        await self.until(lambda: self.told["trouble"] != "")
        return str(self.told["trouble"])

    async def until(self, claim: Callable[[], bool]) -> None:
        """Wait until something is so."""
        while not claim():  # noqa: ASYNC110 - another process makes it so
            await asyncio.sleep(0.01)

    async def asked(self, verb: str) -> dict[str, Any]:
        """Ask through the door, as the commands do; return the first answer."""
        path = find_socket(self.recorder.folder)
        assert path is not None

        def ask() -> dict[str, Any]:
            with Caller(path, within=10.0) as caller:
                caller.send({"ask": verb, "who": "P. Tester"})
                return dict(caller.listen())

        return await asyncio.to_thread(ask)


def whole_test(
    tmp_path: Path,
    run: Path,
    beside: Callable[[Whole], Awaitable[None]],
    *,
    memory: int = 150_000,
    command: list[str] | None = None,
    silence: float = 1000.0,
) -> tuple[int, str, Whole]:
    """Carry a test out in a folder with something `beside` it; return code, last line, test.

    `memory` [B] is small, so that a disk in trouble fills it within seconds.
    """
    plan = plan_in(tmp_path)
    assert plan.loading is not None
    plan = replace(
        plan,
        loading=replace(plan.loading, frequency=FREQUENCY),
        full_rate=replace(plan.full_rate, before_stop=BEFORE),
    )

    async def carried() -> tuple[int, str, Whole]:
        clock = FastClock(PACE)
        rig = simulated_rig(
            replace(simulation_setup(plan), watchdog=0.5 * PACE), 1, clock, paced=True
        )
        actuator = Watched(rig.actuator)
        rig = replace(rig, actuator=actuator)
        header = header_of(plan, run, 1, clock.utc(), simulated=True)
        recorder = await RemoteRecorder.create(
            run, header, command=command, memory=memory, silence=silence
        )
        whole = Whole(plan, LiveTest(plan, rig, recorder, clock, run), recorder, actuator)
        code, line = 0, ""
        try:
            async with asyncio.timeout(LONGEST), asyncio.TaskGroup() as group:
                other: list[asyncio.Task[None]] = []
                ready = lambda: other.append(group.create_task(_awaited(beside(whole))))  # noqa: E731
                try:
                    code = await whole.test.run(ready)
                except RigError as error:
                    code, line = error.exit_code, str(error)
                # What it waits for does not come any more.
                other[0].cancel()
        finally:
            await recorder.abandon()
            await rig.acquisition.close()  # type: ignore[attr-defined]
        return code, line, whole

    return asyncio.run(carried())


async def _awaited(what: Awaitable[None]) -> None:
    await what


def expect_last_minute(run: Path) -> int:
    """Rows without a hole, and every sample from a minute before the stop on; return the rows."""
    with read_journal(run) as journal:
        numbers = journal.columns("cycles")["number"].tolist()
        pieces = [record for record in journal.full_rate() if record.label == "stop"]
        states = [event for event in journal.events() if event.kind == "state"]
        point = journal.restart_point
    assert numbers == [*range(1, len(numbers) + 1)]
    stopping, stopped = states[-2:]
    assert stopping.text.startswith("stopping, ")
    assert stopped.text.startswith("stopped, ")
    rate, first = pieces[0].rate, pieces[0].first_frame
    assert first <= max(stopping.time - BEFORE + 0.1, 0.0) * rate
    for piece in pieces:
        assert piece.first_frame == first
        first += piece.values.shape[1]
    assert first / rate >= stopped.time - 0.1
    assert point is not None
    assert point["next_cycle"] == len(numbers) + 1
    return len(numbers)
