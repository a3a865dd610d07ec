"""A serial line over real pseudo-terminals: what opens, what is lost, what comes back."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers import lines
from drivers.lines import SerialLine
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port

PATIENCE = 10.0


class Ends:
    """Both ends of a pseudo-terminal under a name that outlasts it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        name = os.ttyname(slave)
        os.close(slave)
        new = self.path.with_suffix(".new")
        new.symlink_to(name)
        new.rename(self.path)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1
        self.path.unlink(missing_ok=True)


@pytest.fixture
def ends(tmp_path: Path) -> Iterator[Ends]:
    both = Ends(tmp_path / "port")
    yield both
    both.unplug()


class Heard:
    """What a line hands on, and in which thread."""

    def __init__(self) -> None:
        self.data = b""
        self.times: list[float] = []
        self.changes: list[bool] = []
        self.threads: set[str] = set()

    def take(self, data: bytes, when: float) -> None:
        self.data += data
        self.times.append(when)
        self.threads.add(threading.current_thread().name)

    def change(self, there: bool) -> None:
        self.changes.append(there)


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def line(ends: Ends, heard: Heard) -> Iterator[SerialLine]:
    opened = SerialLine(Port("bus", str(ends.path), 115200), SystemClock())
    opened.open(heard.take, heard.change)
    yield opened
    opened.close()


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.002)


def test_every_byte_arrives_in_order_in_the_thread_of_the_line(
    ends: Ends, line: SerialLine, heard: Heard
) -> None:
    sent = bytes(range(256)) * 40
    writer = threading.Thread(target=lambda: _write_all(ends.master, sent))
    writer.start()
    until(lambda: len(heard.data) == len(sent))
    writer.join()
    assert heard.data == sent
    assert heard.threads == {"line bus"}
    assert heard.times == sorted(heard.times)
    assert line.traffic.received == len(sent)


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]


def test_what_several_threads_write_is_never_mixed(ends: Ends, line: SerialLine) -> None:
    messages = [f"<{number:02d}{'x' * 40}>\n".encode() for number in range(60)]
    threads = [
        threading.Thread(target=lambda part=messages[first::3]: [line.write(m) for m in part])
        for first in range(3)
    ]
    for thread in threads:
        thread.start()
    got = b""
    while got.count(b">") < len(messages):
        got += os.read(ends.master, 4096)
    for thread in threads:
        thread.join()
    lines = got.replace(b"\r\n", b"\n").splitlines(keepends=True)
    assert sorted(lines) == sorted(messages)
    assert line.traffic.sent == sum(map(len, messages))


def test_a_line_that_was_unplugged_is_told_and_used_again_when_it_is_back(
    ends: Ends, line: SerialLine, heard: Heard
) -> None:
    os.write(ends.master, b"before")
    until(lambda: heard.data == b"before")
    ends.unplug()
    until(lambda: heard.changes == [False])
    assert 'port "bus"' in line.trouble
    assert line.trouble.endswith(" was unplugged or has failed")
    with pytest.raises(DeviceError, match="unplugged"):
        line.write(b"into the void")
    ends.plug()
    until(lambda: heard.changes == [False, True])
    assert line.trouble == ""
    os.write(ends.master, b" and after")
    until(lambda: heard.data == b"before and after")
    line.write(b"here")
    assert os.read(ends.master, 10) == b"here"
    assert line.traffic.losses == 1


def test_who_writes_before_the_thread_has_seen_the_plug_go_is_told_of_the_line(
    ends: Ends, heard: Heard
) -> None:
    busy, seen = threading.Event(), threading.Event()

    def take(data: bytes, when: float) -> None:
        heard.take(data, when)
        busy.set()
        seen.wait(PATIENCE)

    line = SerialLine(Port("bus", str(ends.path), 115200), SystemClock())
    line.open(take, heard.change)
    try:
        os.write(ends.master, b"x")
        assert busy.wait(PATIENCE)
        ends.unplug()
        with pytest.raises(DeviceError, match=r'^port "bus" \(.*\) takes nothing: .*'):
            line.write(b"where to?")
    finally:
        seen.set()
        line.close()


def test_a_line_that_is_not_to_be_opened_again_stays_lost(ends: Ends, heard: Heard) -> None:
    line = SerialLine(Port("bus", str(ends.path), 115200, reopen=False), SystemClock())
    line.open(heard.take, heard.change)
    ends.unplug()
    until(lambda: heard.changes == [False])
    ends.plug()
    time.sleep(0.5)
    assert heard.changes == [False]
    line.close()
    line.close()


def test_no_such_port(tmp_path: Path) -> None:
    line = SerialLine(Port("servo", str(tmp_path / "none"), 9600), SystemClock())
    with pytest.raises(DeviceError) as told:
        line.open(lambda _d, _t: None)
    assert str(told.value) == (
        f'port "servo" ({tmp_path / "none"}): there is no such port; is it plugged in and '
        "switched on? look in /dev/serial/by-id"
    )
    assert told.value.exit_code == 4
    line.close()


@pytest.mark.parametrize("name", ["file", "."])
def test_a_file_is_no_port(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("no terminal")
    line = SerialLine(Port("servo", str(tmp_path / name), 9600), SystemClock())
    with pytest.raises(DeviceError, match="is no serial port; name one of /dev/serial/by-id"):
        line.open(lambda _d, _t: None)
    line.close()


def test_a_port_in_use(ends: Ends, line: SerialLine) -> None:
    second = SerialLine(Port("second", str(ends.path), 115200), SystemClock())
    with pytest.raises(DeviceError, match=r"in use by another program; end it.*two \[\[port\]\]"):
        second.open(lambda _d, _t: None)
    second.close()
    line.write(b"still ours")
    assert os.read(ends.master, 20) == b"still ours"


@pytest.mark.parametrize("parity", ["none", "even", "odd"])
def test_every_parity_opens_again_and_again(ends: Ends, heard: Heard, parity: str) -> None:
    for _ in range(3):
        line = SerialLine(Port("bus", str(ends.path), 19200, parity), SystemClock())
        line.open(heard.take)
        line.write(b"x")
        assert os.read(ends.master, 10) == b"x"
        line.close()


AS_ANOTHER = """
import os, sys
from drivers import lines
from drivers.lines import SerialLine
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port
os.setgid(65534)
os.setuid(65534)
try:
    SerialLine(Port("servo", sys.argv[1], 9600), SystemClock()).open(lambda _d, _t: None)
except DeviceError as error:
    print(error)
    sys.exit(error.exit_code)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_permission_refused(ends: Ends) -> None:
    # By its own name: the folders of the tests are closed to others.
    path = os.path.realpath(ends.path)
    os.chmod(path, 0o600)
    done = subprocess.run(
        [sys.executable, "-c", AS_ANOTHER, path],
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert (done.returncode, done.stderr) == (4, "")
    assert done.stdout == (
        f'port "servo" ({path}): permission refused; join the group of the port (often '
        '"dialout") and log in again\n'
    )


def test_an_error_of_whoever_listens_ends_the_line_and_is_told(ends: Ends, heard: Heard) -> None:
    def listen(data: bytes, when: float) -> None:
        heard.take(data, when)
        raise ZeroDivisionError("nothing by nothing")

    line = SerialLine(Port("bus", str(ends.path), 115200), SystemClock())
    line.open(listen, heard.change)
    os.write(ends.master, b"x")
    until(lambda: heard.changes == [False])
    assert line.ended
    assert line.trouble == (
        f'port "bus" ({ends.path}) is not read any more, by an error in this program '
        "(ZeroDivisionError: nothing by nothing)"
    )
    with pytest.raises(DeviceError, match="not read any more"):
        line.write(b"to nobody")
    line.close()


@pytest.mark.nights
def test_an_owner_that_hangs_keeps_nobody_from_closing_its_line(ends: Ends) -> None:
    come, go_on = threading.Event(), threading.Event()

    def hang(_data: bytes, _when: float) -> None:
        come.set()
        go_on.wait()

    line = SerialLine(Port("hung", str(ends.path), 115200), SystemClock())
    line.open(hang)
    os.write(ends.master, b"x")
    come.wait()
    line.close()
    assert [t.name for t in threading.enumerate() if t.name == "line hung"]
    go_on.set()
    until(lambda: not [t for t in threading.enumerate() if t.name == "line hung"])


def test_an_error_in_taking_notice_of_a_lost_line_is_told_too(ends: Ends) -> None:
    def changed(_there: bool) -> None:
        raise ZeroDivisionError("nothing by nothing")

    line = SerialLine(Port("bus", str(ends.path), 115200), SystemClock())
    line.open(lambda _d, _t: None, changed)
    ends.unplug()
    until(lambda: line.ended)
    assert "ZeroDivisionError" in line.trouble
    line.close()


def fill(line: SerialLine, data: bytes) -> int:
    """Write until the line takes no more; return how many bytes it took."""
    with contextlib.suppress(DeviceError):
        while True:
            line.write(data)
    return line.traffic.sent


def test_a_line_that_takes_nothing_sends_no_order_of_long_ago_later(
    ends: Ends, line: SerialLine
) -> None:
    taken = fill(line, b"GO 1\n")
    line.write(b"SHUT\n")
    got = b""
    while not got.endswith(b"SHUT\n"):
        got += os.read(ends.master, 65536).replace(b"\r", b"")
    assert len(got) < taken / 2


def test_a_real_port_is_kept_from_programs_that_ask_for_no_lock(
    ends: Ends, heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lines, "is_terminal", lambda _plan: False)
    line = SerialLine(Port("bus", str(ends.path), 115200), SystemClock())
    before = os.open(ends.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        line.open(heard.take)
        # TIOCGEXCL of <asm-generic/ioctls.h>, _IOR('T', 0x40, int).
        mark = fcntl.ioctl(before, 0x80045440, struct.pack("i", 0))
    finally:
        os.close(before)
        line.close()
    assert struct.unpack("i", mark) == (1,)
