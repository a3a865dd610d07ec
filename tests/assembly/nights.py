"""A short test on a rig of its own, started and asked as people do it: from the command line."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import shutil
import signal
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from rig.control.lock import folder_holder, rig_file, shared_folder
from rig.record.history import read_journal
from tests.assembly.calibrated import calibrated
from tests.assembly.offered import offer

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-P", "-m", "rig.commands.main"]
PATIENCE = 45.0
"""How long [s] anything may take before a test gives up on it."""

PROTOCOL = """
title = "Prism P-77, a short test"
specimen = "{specimen}"
specimen_id = "P-77"
exposure = "dry"
[loading]
control = "load"
capacity = "132 kN"
upper = "40 %"
lower = "7 %"
frequency = "10 Hz"
waveform = "sine"
[[stage]]
name = "approach"
kind = "approach"
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
settle = "1 s"
[[stage]]
name = "fatigue"
kind = "cyclic"
build_up = "5 cycles"
run_out = "{run_out} cycles"
[failure]
load_short = {{ stop = "20 %", confirm = "5 cycles" }}
[limits]
load = ["-2 kN", "55 kN"]
deflection = ["-0.5 mm", "8 mm"]
[full_rate]
before_stop = "1 s"
after_stop = "0.5 s"
"""

QUICKER = {
    'gap = "2 mm"': 'gap = "0.3 mm"',
    'before = "5 s"': 'before = "1 s"',
    'servo_bandwidth = "20 Hz"': 'servo_bandwidth = "200 Hz"',
}
"""What makes the shipped simulated rig wait less."""


def eventually(claim, what: str):
    """Return what a claim returns once it is true."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        found = claim()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited in vain for {what}")


@dataclass
class Night:
    """One folder with protocol, rig and driver, and the run in it."""

    folder: Path
    runtime: Path
    rig: str
    env: dict[str, str]
    children: list[subprocess.Popen] = field(default_factory=list)

    @property
    def out(self) -> Path:
        return self.folder / "night-1"

    def order(self, *more: str, out: Path | None = None) -> list[str]:
        """Return the command that starts the test."""
        files = ["protocol.toml", "--rig", "rig.toml", "--out", str(out or self.out)]
        return [*COMMAND, "run", *files, *more]

    def nightrig(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        return self.finished([*COMMAND, *arguments])

    def finished(
        self, command: list[str], cwd: Path | None = None, within: float = PATIENCE
    ) -> subprocess.CompletedProcess[str]:
        """Run any command to its end, without a terminal."""
        return subprocess.run(
            command,
            cwd=cwd or self.folder,
            env=self.env,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=within,
            check=False,
        )

    def start(self, *more: str) -> subprocess.Popen[str]:
        """Start the test and leave it to its starter."""
        child = subprocess.Popen(
            self.order(*more),
            cwd=self.folder,
            env=self.env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.children.append(child)
        return child

    def start_on_terminal(self, *more: str) -> Terminal:
        """Start the test on a terminal of its own."""
        return self.on_terminal(self.order(*more))

    def on_terminal(self, command: list[str]) -> Terminal:
        """Start any command on a terminal of its own, 120 cells wide and 40 high."""
        primary, secondary = pty.openpty()
        termios.tcsetwinsize(secondary, (40, 120))
        child = subprocess.Popen(
            command,
            cwd=self.folder,
            env=self.env | {"TERM": "xterm-256color"},
            stdin=secondary,
            stdout=secondary,
            stderr=secondary,
            start_new_session=True,
            # It is the terminal that Ctrl-C and a closed window send their signals by.
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(secondary)
        os.set_blocking(primary, False)
        self.children.append(child)
        return Terminal(child, primary)

    def people(self, **states: object) -> None:
        """Change what the people at the rig do."""
        path = Path(self.env["TRYOUT"])
        now = json.loads(path.read_text())
        new = path.with_suffix(".new")
        new.write_text(json.dumps(now | states))
        new.replace(path)

    def opening(self, starter: subprocess.Popen) -> int:
        """Return the process id of a runner whose devices do not answer yet."""
        children = Path(f"/proc/{starter.pid}/task/{starter.pid}/children")
        eventually(lambda: list(self.folder.glob(".night-1.*.log")), "the runner's hidden log")
        return int(children.read_text().split()[0])

    def runner(self) -> int:
        """Return the process id of the runner, once it has its folder."""
        return int(eventually(lambda: self._holder(self.out / "lock"), "the runner's lock")["pid"])

    def _holder(self, lock: Path) -> dict:
        with contextlib.suppress(OSError, ValueError):
            return json.loads(lock.read_text())
        return {}

    def events(self) -> list:
        """Return the events that are on the disk."""
        with contextlib.suppress(Exception), read_journal(self.out) as journal:
            return journal.events()
        return []

    def until_state(self, state: str) -> None:
        """Wait until the run has entered a state, as its journal says."""

        def entered() -> bool:
            states = [e.text for e in self.events() if e.kind == "state"]
            if states and states[-1].startswith("stopped,") and state != "stopped":
                raise AssertionError(f"waited for {state}, but it is {states[-1]}")
            return bool(states) and states[-1].startswith(f"{state},")

        eventually(entered, state)

    def until_gone(self) -> None:
        """Wait until no process holds the folder any more."""
        eventually(lambda: folder_holder(self.out) is None, "the end of the runner")

    def clear_away(self) -> None:
        """End what a failed test left running."""
        # The rig's lock tells it where a test has taken the folder away.
        rig = shared_folder() / rig_file(self.rig)
        pid = self._holder(rig).get("pid")
        for child in self.children:
            if child.poll() is None:
                child.kill()
            child.wait()
            for pipe in (child.stdout, child.stderr):
                if pipe is not None:
                    pipe.close()
        if pid:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        shutil.rmtree(self.runtime, ignore_errors=True)
        rig.unlink(missing_ok=True)


@dataclass
class Terminal:
    """A command on a pseudo-terminal."""

    child: subprocess.Popen
    primary: int
    seen: str = ""

    def until(self, words: str) -> None:
        """Read until some words have come."""
        eventually(lambda: self._read() and words in self.seen, repr(words))

    def _read(self) -> bool:
        with contextlib.suppress(OSError):
            self.seen += os.read(self.primary, 65536).decode(errors="replace")
        return True

    def type(self, line: str) -> None:
        """Type a line."""
        self.seen = ""
        os.write(self.primary, f"{line}\n".encode())

    def press(self, key: bytes) -> None:
        """Press a key."""
        os.write(self.primary, key)

    def resize(self, lines: int, columns: int) -> None:
        """Change the size of the terminal's window."""
        termios.tcsetwinsize(self.primary, (lines, columns))

    def close(self) -> None:
        """Close the terminal's window."""
        os.close(self.primary)

    def code(self) -> int:
        """Return the exit code, reading meanwhile what the command still prints."""
        eventually(lambda: self._read() and self.child.poll() is not None, "the command's end")
        self._read()
        return self.child.returncode


@contextmanager
def a_night(folder: Path, *, run_out: int = 60, **people: object) -> Iterator[Night]:
    """Write the files of a short test on the driver of the tests, and clear up behind it."""
    shipped = ROOT / "protocols"
    specimen = shipped / "specimens" / "prism-small.toml"
    (folder / "protocol.toml").write_text(PROTOCOL.format(specimen=specimen, run_out=run_out))
    rig = (shipped / "rigs" / "simulated.toml").read_text()
    # No two rigs of one name run at once on one machine: the lock would refuse the second.
    name = f"tryout frame {folder.name} {os.getpid()}"
    rig = rig.replace("simulated frame", name)
    for slow, quick in QUICKER.items():
        assert slow in rig
        rig = rig.replace(slow, quick)
    rig = rig.replace('driver = "simulated"', 'driver = "tryout"\nlocal_input = "button"')
    # Where people say that it is not emulated, nothing speaks against a start.
    rig = calibrated(rig)
    (folder / "rig.toml").write_text(rig)
    packages = folder / "packages"
    offer(packages, "tryout")
    shutil.copy(Path(__file__).with_name("tryout.py"), packages)
    state = {"emulated": True, "pace": 5, "button": False, "guard": False, "fail": False}
    state["slow"] = False
    state |= people
    state |= {"protocol": "protocol.toml", "rig": "rig.toml"}
    (folder / "people.json").write_text(json.dumps(state))
    # The path of a socket is short, the folder of a test is not.
    runtime = Path(tempfile.mkdtemp(prefix="night-"))
    (runtime / "tmp").mkdir()
    night = Night(
        folder,
        runtime,
        name,
        {
            **os.environ,
            "PYTHONPATH": str(packages),
            "TRYOUT": str(folder / "people.json"),
            # Other live runs of this user on this machine are none of this test's.
            "NIGHTRIG_SOCKETS": str(runtime / "nightrig"),
            "TMPDIR": str(runtime / "tmp"),
        },
    )
    try:
        yield night
    finally:
        night.clear_away()
