"""One rig in real time with a test on it, as the storm handles it: from outside, by its processes.

Everything is typed as a person types it; the processes of runner and recorder are found by what
they hold.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import signal
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rig.control.address import socket_name
from rig.control.caller import Caller, NoAnswer
from rig.control.lock import folder_holder, rig_file, shared_folder
from rig.errors import RigError
from rig.record.history import read_journal
from tests.endurance import plans
from tests.endurance.children import Child, executed, start

RECORDER = "rig.record.process"
PATIENCE = 60.0
"""How long [s] anything that must happen may take on a busy machine."""


class Frame:
    """A rig of its own in a folder; `out` is the run that lies on it. A context manager."""

    def __init__(self, place: Path, *, run_out: int = 160) -> None:
        self.place = place
        # The path of a socket is short, that of a test is not.
        self.runtime = Path(tempfile.mkdtemp(prefix="storm-"))
        self.name = f"storm frame {place.name} {os.getpid()}"
        self.files = plans.live(place, self.name, run_out=run_out)
        self.out = place / "run"
        self.env = {**os.environ, "NIGHTRIG_SOCKETS": str(self.runtime / "nightrig")}
        self._logs = 0

    def __enter__(self) -> Frame:
        return self

    def __exit__(self, *_why: object) -> None:
        """End whatever is left, and clear up."""
        for pid in self.left():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        shutil.rmtree(self.runtime, ignore_errors=True)
        (shared_folder() / rig_file(self.name)).unlink(missing_ok=True)

    def command(self, *words: str) -> Child:
        """Start a command."""
        self._logs += 1
        log = self.place / f"log-{self._logs}"
        return start(executed(*words, env=self.env), log, cwd=self.place)

    def answered(self, *words: str) -> tuple[int, str]:
        """Return the code of a command and what it said."""
        child = self.command(*words)
        return child.wait(), child.said()

    def run(self, out: Path | None = None) -> tuple[int, str]:
        """Start a test."""
        files = [str(self.files.protocol), "--rig", str(self.files.rig)]
        return self.answered("run", *files, "--out", str(out or self.out), "--detach")

    def resume(self, *more: str) -> tuple[int, str]:
        """Go on with the test."""
        return self.answered("resume", str(self.out), "--detach", *more)

    def runner(self) -> int | None:
        """Return the process that has the folder, None where nobody has."""
        holder = folder_holder(self.out)
        return holder.pid if holder is not None and holder.pid else None

    def recorder(self) -> int | None:
        """Return the process that writes the record of a living runner."""
        runner = self.runner()
        for listing in Path(f"/proc/{runner}/task").glob("*/children"):
            with contextlib.suppress(OSError):
                for pid in map(int, listing.read_text().split()):
                    if RECORDER in _command(pid) and _lives(pid):
                        return pid
        return None

    def state(self) -> str:
        """Return the state that the record knows, "" where there is none yet."""
        with contextlib.suppress(RigError), read_journal(self.out) as journal:
            if journal.ending is not None:
                return "ended"
            status = journal.status
            return status.state if status is not None else "created"
        return ""

    def until(self, claim: Callable[[], object], within: float = PATIENCE) -> bool:
        """Wait until something is so; False where it takes too long."""
        end = time.monotonic() + within
        while not claim():
            if time.monotonic() > end:
                return False
            time.sleep(0.05)
        return True

    def ask(self, verb: str, text: str = "", within: float = 10.0) -> list[dict[str, Any]]:
        """Ask through the door; return the answers, none where nobody answers in time."""
        answers: list[dict[str, Any]] = []
        path = self.runtime / "nightrig" / socket_name(self.out)
        with contextlib.suppress(NoAnswer), Caller(path, within) as caller:
            answers.append(caller.ask({"ask": verb, "who": "P. Tester", "text": text}))
            if answers[0].get("answer") == "acted":
                answers.append(caller.listen())
        return answers

    def noted(self, text: str) -> bool:
        """Write a note; tell whether it was acknowledged as recorded."""
        return any(answer.get("answer") == "recorded" for answer in self.ask("note", text))

    def log(self) -> str:
        """Return the last words of the runner."""
        with contextlib.suppress(OSError):
            return (self.out / "runner.log").read_text(errors="replace")[-500:]
        return "no log"

    def left(self) -> dict[int, str]:
        """Return the processes of this rig that still live."""
        found = {}
        for entry in Path("/proc").glob("[0-9]*"):
            pid = int(entry.name)
            if pid != os.getpid() and _lives(pid) and self._mine(entry):
                found[pid] = _command(pid)
        return found

    def _mine(self, entry: Path) -> bool:
        # Runner and recorder inherit it, whatever their command lines are.
        with contextlib.suppress(OSError):
            environment = (entry / "environ").read_bytes()
            return f"NIGHTRIG_SOCKETS={self.env['NIGHTRIG_SOCKETS']}\0".encode() in environment
        return False

    def _sockets(self) -> list[Path]:
        return [*(self.runtime / "nightrig").glob("*.sock")]

    def locked(self) -> list[str]:
        """Name what is still held although nobody should hold it."""
        held = ["the folder"] if folder_holder(self.out) else []
        lock = shared_folder() / rig_file(self.name)
        with contextlib.suppress(OSError), lock.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                held.append("the rig")
        held += [f"the socket {path.name}" for path in self._sockets() if _listens(path)]
        return held


def _listens(path: Path) -> bool:
    """Tell whether anybody listens; the next run takes a socket away that a killed one left."""
    with socket.socket(socket.AF_UNIX) as caller, contextlib.suppress(OSError):
        caller.connect(str(path))
        return True
    return False


def _command(pid: int) -> str:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    return ""


def _lives(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    return False


def gone(pid: int) -> bool:
    """Tell whether a process has ended."""
    return not _lives(pid)
