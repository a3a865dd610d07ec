"""Two hundred rigs at one broker: what the one who watches them costs, and how late it is."""

import contextlib
import fcntl
import os
import pty
import re
import select
import statistics
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.assembly.nights import ROOT
from tests.monitor.lab.test_many_rigs import ACL, lab_file
from tests.monitor.mqtt.broker import LAB, PASSWORDS, PROGRAMS, Broker

pytestmark = [pytest.mark.endurance, pytest.mark.system, pytest.mark.xdist_group("serial")]

RIGS = 200
SECONDS = 60.0
CALLS = 20
"""Rigs that begin to wait for somebody, one after another."""
TICKS = os.sysconf("SC_CLK_TCK")
WATCH = [sys.executable, "-P", "-m", "rig.commands.main", "watch", "--lab"]
ENV = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"}


def cpu(pid: int) -> float:
    """Return the processor time of a process [s] (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory(pid: int) -> float:
    """Return what a process holds in memory [MB]."""
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found is not None
    return int(found[1]) / 1000


@contextlib.contextmanager
def on_terminal(command: list[str]) -> Iterator[tuple[subprocess.Popen[bytes], bytearray]]:
    """Run a command on a terminal of 80 cells and 24 lines that somebody reads."""
    primary, secondary = pty.openpty()
    fcntl.ioctl(secondary, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    child = subprocess.Popen(
        command,
        stdin=secondary,
        stdout=secondary,
        stderr=secondary,
        env=ENV,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )
    os.close(secondary)
    written, over = bytearray(), threading.Event()

    def read() -> None:
        while not over.is_set():
            if select.select([primary], [], [], 0.1)[0]:
                with contextlib.suppress(OSError):
                    written.extend(os.read(primary, 65536))

    reader = threading.Thread(target=read)
    reader.start()
    try:
        yield child, written
    finally:
        child.terminate()
        child.wait(20)
        over.set()
        reader.join()
        os.close(primary)


@contextlib.contextmanager
def crowd(broker: Broker) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "tests.monitor.lab.crowd"]
    child = subprocess.Popen(
        [*command, str(broker.port), PASSWORDS["frame-1"], LAB, str(RIGS)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    try:
        yield child
    finally:
        child.kill()
        child.communicate()


@pytest.mark.timeout(240)
def test_two_hundred_rigs_are_watched_at_little_cost(tmp_path, system_program):
    for program in PROGRAMS:
        system_program(program)
    broker = Broker(tmp_path / "broker", tls=False, acl=ACL)
    path = str(lab_file(broker, tmp_path))
    with broker.running(), crowd(broker) as rigs, on_terminal([*WATCH, path]) as (screen, written):
        lines = subprocess.Popen([*WATCH, path], stdout=subprocess.PIPE, text=True, env=ENV)
        assert lines.stdout is not None
        try:
            while f"run well of {RIGS} rigs" not in (line := lines.stdout.readline()):
                assert line
            before, held, since = cpu(screen.pid), memory(screen.pid), time.monotonic()
            late = sorted(delays(rigs, lines))
            time.sleep(max(SECONDS - (time.monotonic() - since), 0))
            share = (cpu(screen.pid) - before) / (time.monotonic() - since)
            grown = memory(screen.pid) - held
        finally:
            lines.terminate()
            lines.communicate()
        assert screen.poll() is None
    print(
        f"\n{RIGS} rigs, {SECONDS:.0f} s: screen takes {100 * share:.1f} % of one processor, "
        f"{held:.0f} MB, {grown:+.1f} MB; a call is told after {statistics.median(late):.2f} s "
        f"(median), {late[-1]:.2f} s at most; {len(written) / SECONDS / 1000:.1f} kB/s painted"
    )
    assert f"COME: {CALLS} call" in re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", written).decode()
    assert share < 0.25
    assert grown < 20


def delays(rigs: subprocess.Popen[str], lines: subprocess.Popen[str]) -> Iterator[float]:
    """Let rigs call one after another; return after how long [s] each is told in a line."""
    assert rigs.stdin is not None
    assert rigs.stdout is not None
    assert lines.stdout is not None
    for number in range(1, 10 * CALLS, 10):
        rigs.stdin.write(f"{number}\n")
        rigs.stdin.flush()
        called, at = rigs.stdout.readline().split()
        assert int(called) == number
        while f"frame-{number}: COME" not in lines.stdout.readline():
            assert lines.poll() is None
        yield time.monotonic() - float(at)
