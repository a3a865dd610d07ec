"""Recorder processes that meet with accidents, on the order of a file the test writes."""

import asyncio
import sys
from collections.abc import Callable
from pathlib import Path

PROGRAM = """
import os, resource, signal, sys, time
from pathlib import Path
from rig.errors import StorageError
from rig.record import Recorder, process, recorder

order = Path(sys.argv[1])
commit, make = Recorder.commit, recorder.make_run_file
_, hard = resource.getrlimit(resource.RLIMIT_FSIZE)

def said():
    return order.read_text() if order.exists() else ""

def troubled_commit(self):
    text = said()
    if text == "hang":
        order.rename(order.with_name("hangs"))
        time.sleep(3600.0)
    if text == "slow":
        time.sleep(3.0)
    if text == "refuse":
        raise StorageError("journal.db: cannot write: make room, then go on")
    room = 400_000 if text == "full" else hard
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
    commit(self)

def troubled_make(folder, writer):
    text = said()
    if text == "die once":
        order.unlink()
    if text in ("die", "die once"):
        os.kill(os.getpid(), signal.SIGKILL)
    if text == "no run file":
        raise StorageError("run.h5: cannot write: make room, then go on")
    return make(folder, writer)

Recorder.commit, recorder.make_run_file = troubled_commit, troubled_make
process.main()
"""
"""A disk that hangs, is slow, refuses, is full, or a process that dies while it makes run.h5."""


def obeying(order: Path) -> list[str]:
    """The command of a recorder that has the accident named in a file."""
    return [sys.executable, "-c", PROGRAM, str(order)]


def alive(pid: int) -> bool:
    """Tell whether a process runs (Linux); one that ended and waits to be reaped does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


async def until(claim: Callable[[], bool]) -> None:
    """Wait until something is so; the test's own time limit ends it otherwise."""
    while not claim():  # noqa: ASYNC110 - another process makes it so
        await asyncio.sleep(0.01)
