"""Processes that the storm starts, watches and kills.

A child is forked from a process that has imported everything and has no threads: a test of a
second must not spend another one on starting. It leads a session of its own.
"""

from __future__ import annotations

import contextlib
import os
import resource
import select
import signal
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.commands.main import main
from rig.record.recorder import Recorder

COMMAND = [sys.executable, "-P", "-m", "rig.commands.main"]
STUCK = 180.0
"""How long [s] any one command may take on a busy machine before it counts as hanging."""

Act = Callable[[], int]


def typed(*words: str) -> Act:
    """Return a command of the program, carried out in the forked process."""

    def act() -> int:
        try:
            main(list(words))
        except SystemExit as left:
            return left.code if isinstance(left.code, int) else 1
        return 0

    return act


def executed(*words: str, env: Mapping[str, str] | None = None) -> Act:
    """Return a command as a person starts it: an interpreter of its own."""

    def act() -> int:
        os.execve(COMMAND[0], [*COMMAND, *words], dict(env or os.environ))

    return act


@dataclass
class Child:
    """A process under way; `told` are the states that its test has entered so far."""

    pid: int
    log: Path
    began: float
    says: int
    told: list[tuple[str, float]] = field(default_factory=list)
    code: int | None = None
    _rest: str = ""

    def wait(self, within: float = STUCK) -> int:
        """Return its exit code, negative for a signal. Raises TimeoutError; then it is killed."""
        end = time.monotonic() + within
        while not self.ended():
            if time.monotonic() > end:
                self.kill()
                raise TimeoutError(f"still running after {within:.0f} s: {self.said()[-300:]}")
            self.hear(0.02)
        assert self.code is not None
        return self.code

    def ended(self) -> bool:
        """Tell whether it has ended."""
        if self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self._has_ended(status)
        return self.code is not None

    def _has_ended(self, status: int) -> None:
        self.hear(0.0)
        self.code = os.waitstatus_to_exitcode(status)
        os.close(self.says)

    def hear(self, within: float) -> None:
        """Wait for more states, at most so long [s]."""
        if self.code is not None:
            return
        ready, _, _ = select.select([self.says], [], [], within)
        if not ready:
            return
        heard = os.read(self.says, 65536).decode()
        if not heard:  # it has closed its end: nothing more will come
            time.sleep(min(within, 0.005))
            return
        *lines, self._rest = (self._rest + heard).split("\n")
        self.told += [(line, time.monotonic()) for line in lines]

    def until(self, state: str, within: float) -> bool:
        """Wait until its test has entered a state; False where it ended or was too slow."""
        end = time.monotonic() + within
        while not any(name == state for name, _ in self.told):
            if self.ended() or time.monotonic() > end:
                return False
            self.hear(0.01)
        return True

    def kill(self) -> bool:
        """Kill it at once; return False where it had ended by itself."""
        if self.ended():
            return False
        os.kill(self.pid, signal.SIGKILL)
        self._has_ended(os.waitpid(self.pid, 0)[1])
        return self.code == -signal.SIGKILL

    def signal(self, number: int) -> None:
        """Send it a signal."""
        if not self.ended():
            os.kill(self.pid, number)

    def said(self) -> str:
        """Return what it printed."""
        with contextlib.suppress(OSError):
            return self.log.read_text(errors="replace")
        return ""

    def since(self, state: str) -> float | None:
        """Return how long [s] after its start a state was first entered."""
        return next((at - self.began for name, at in self.told if name == state), None)


def start(act: Act, log: Path, *, cwd: Path | None = None, most: int | None = None) -> Child:
    """Start something in a process of its own that prints into `log`.

    With `most` no file of its may grow beyond so many bytes, as on a full disk.
    """
    says, tell = os.pipe()
    began = time.monotonic()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.close(says)
            os.setsid()
            _redirected(log)
            if cwd is not None:
                os.chdir(cwd)
            if most is not None:
                _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
                resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
            _told_to(tell)
            code = act()
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code)
    os.close(tell)
    return Child(pid, log, began, says)


def _redirected(log: Path) -> None:
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    null = os.open(os.devnull, os.O_RDONLY)
    for source, target in ((null, 0), (handle, 1), (handle, 2)):
        os.dup2(source, target)
    sys.stdin = open(0)  # noqa: SIM115 - lives as long as the process
    sys.stdout = open(1, "w")  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1)  # noqa: SIM115


def _told_to(pipe: int) -> None:
    """Let the recorder of this process tell each state, once it is on the disk."""
    event, finish = Recorder.event, Recorder.finish

    def say(word: str) -> None:
        with contextlib.suppress(OSError):
            os.write(pipe, f"{word}\n".encode())

    def told_event(self: Recorder, time: float, cycle: int, kind: str, text: str) -> None:
        event(self, time, cycle, kind, text)
        if kind == "state":
            say(text.partition(",")[0])

    def told_finish(self: Recorder, *given: Any) -> Any:
        say("finishing")
        return finish(self, *given)

    Recorder.event = told_event  # type: ignore[method-assign]
    Recorder.finish = told_finish  # type: ignore[method-assign]
