"""The screen on a terminal: what is written, and how it is left."""

import fcntl
import os
import pty
import re
import select
import struct
import termios
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from rich.text import Text

from rig.monitor.paint import Painter
from rig.monitor.terminal import show
from rig.monitor.view import View
from tests.monitor.night_12 import NOW
from tests.monitor.views import VIEWS

CTRL_S = b"\x13"
BEGIN, END = b"\x1b[?1049h", b"\x1b[?1049l"
cycling = VIEWS["cycling"]


class Terminal:
    """A pseudo-terminal with somebody who reads it, and one tick a second of the screen's time."""

    def __init__(self) -> None:
        self.master, slave = pty.openpty()
        self.stream = os.fdopen(slave, "w")
        self.resize(80, 24)
        self.written = bytearray()
        self.seconds = 0.0
        self.left = self._over = False
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        while not self._over:
            try:
                ready = select.select([self.master], [], [], 0.01)[0]
                self.written += os.read(self.master, 65536) if ready else b""
            except OSError:  # the program has closed its side
                return

    def resize(self, width: int, height: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))

    def modes(self) -> list[object]:
        return termios.tcgetattr(self.stream.fileno())

    def show(
        self, look: Callable[[], View], ticks: int, each: Callable[[int], None]
    ) -> View | None:
        passed = 0

        def pause(_seconds: float) -> None:
            nonlocal passed
            self.seconds += 1.0
            each(passed)
            passed += 1
            self.left = passed >= ticks

        return show(
            look,
            lambda: self.left,
            pause=pause,
            stream=self.stream,
            hint="Ctrl-C leaves it running",
            seconds=lambda: self.seconds,
        )

    def hang_up(self) -> None:
        self._over = True
        self._reader.join()
        os.close(self.master)

    def close(self) -> bytes:
        """Close the program's side, read what is left, and return all that was written."""
        self.stream.close()
        if not self._over:
            self._reader.join()
            self._over = True
            os.close(self.master)
        return bytes(self.written)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal = Terminal()
    yield terminal
    terminal.close()


def plain(written: bytes) -> str:
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", written.decode())


def nothing(_tick: int) -> None:
    pass


def test_the_screen_is_a_second_one_without_cursor_and_is_given_back(terminal):
    before = terminal.modes()
    during: list[object] = []
    terminal.show(lambda: cycling, 2, lambda _: during.extend(terminal.modes()))
    assert terminal.modes() == before
    assert not during[3] & termios.ECHO
    written = terminal.close()
    assert written.startswith(BEGIN + b"\x1b[?25l")
    assert written.endswith(b"\x1b[?25h" + END)
    assert "NOTHING TO DO" in plain(written)


def test_the_screen_ends_with_the_test_and_returns_its_last_view(terminal):
    looks = iter([cycling, VIEWS["failure"]])
    view = terminal.show(lambda: next(looks), 99, nothing)
    assert view is VIEWS["failure"]
    assert "ENDED: FAILURE" in plain(terminal.close())


def test_an_interrupt_gives_the_terminal_back(terminal):
    before = terminal.modes()

    def interrupted(_tick: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        terminal.show(lambda: cycling, 9, interrupted)
    assert terminal.modes() == before
    assert terminal.close().endswith(END)


def test_a_trouble_of_the_look_gives_the_terminal_back(terminal):
    looks = iter([cycling])
    with pytest.raises(StopIteration):
        terminal.show(lambda: next(looks), 9, nothing)
    assert terminal.close().endswith(END)


def test_only_lines_that_changed_are_written(terminal):
    views = (replace(cycling, now=NOW + timedelta(seconds=i)) for i in range(99))
    terminal.show(lambda: next(views), 10, nothing)
    written = terminal.close()
    rows = re.findall(rb"\x1b\[(\d+);1H", written)
    # The clock, the countdown and the age of the data change each second, from 5 s on in two
    # places: 4 lines of 24.
    assert 24 + 10 <= len(rows) <= 24 + 10 * 4
    # One look a second must write less than 40 kB/s.
    assert len(written) / 11 < 4000


def test_a_new_size_is_drawn_anew(terminal):
    terminal.show(lambda: cycling, 3, lambda tick: terminal.resize(130, 40) if tick == 0 else None)
    written = terminal.close()
    after = written.split(b"\x1b[2J")[-1]
    assert b"\x1b[40;1H" in after
    assert "what happened last" in plain(after)


@pytest.mark.parametrize(
    ("told", "drawn"), [((0, 0), (80, 24)), ((2000, 1000), (500, 200))], ids=["none", "huge"]
)
def test_a_size_that_no_screen_has_is_drawn_as_one_that_some_have(terminal, told, drawn):
    terminal.resize(*told)
    terminal.show(lambda: cycling, 1, nothing)
    written = terminal.close()
    rows = [int(row) for row in re.findall(rb"\x1b\[(\d+);1H", written)]
    assert rows == list(range(1, drawn[1] + 1))
    text = re.split(rb"\x1b\[\d+;1H", written.rpartition(END)[0])[1:]
    assert max(len(plain(line)) for line in text) == drawn[0]


def test_a_terminal_that_may_have_been_somebody_elses_is_painted_anew(terminal):
    before = terminal.modes()

    def stopped(tick: int) -> None:
        if tick == 2:
            # What a shell does while its job is stopped.
            termios.tcsetattr(terminal.stream.fileno(), termios.TCSANOW, before)
            terminal.seconds += 60.0
        if tick == 3:
            assert not terminal.modes()[3] & termios.ECHO

    terminal.show(lambda: cycling, 5, stopped)
    assert terminal.modes() == before
    first, again = terminal.close().split(BEGIN)[1:]
    assert b"\x1b[24;1H" in first
    assert [int(row) for row in re.findall(rb"\x1b\[(\d+);1H", again)] == list(range(1, 25))


def test_a_screen_is_worked_out_once_a_view_and_again_where_it_was_not_painted(terminal):
    worked_out: list[int] = []

    def draw(width: int, _height: int) -> list[Text]:
        worked_out.append(width)
        return [Text("cycling")]

    with Painter(terminal.stream, lambda: False) as painter:
        for _ in range(3):
            painter.paint(cycling, draw)
        terminal.resize(100, 24)
        painter.paint(cycling, draw)
        termios.tcflow(terminal.stream.fileno(), termios.TCOOFF)
        later = replace(cycling, now=NOW + timedelta(seconds=1))
        painter.paint(later, draw)
        assert worked_out == [80, 100]
        termios.tcflow(terminal.stream.fileno(), termios.TCOON)
        for _ in range(3):
            painter.paint(later, draw)
    assert worked_out == [80, 100, 100]


def test_a_terminal_that_is_stopped_is_waited_for_without_keeping_back_the_loop(terminal):
    looked = []

    def look() -> View:
        looked.append(terminal.seconds)
        return replace(cycling, now=NOW + timedelta(seconds=len(looked)))

    def stop(tick: int) -> None:
        if tick == 1:
            os.write(terminal.master, CTRL_S)

    terminal.show(look, 30, stop)
    assert looked == [float(second) for second in range(31)]
    assert terminal.close().endswith(END)


def test_a_terminal_that_is_gone_ends_it_quietly(terminal):
    view = terminal.show(lambda: cycling, 9, lambda tick: terminal.hang_up() if tick == 1 else None)
    assert view is cycling


def test_without_colour_the_screen_has_the_same_words(terminal, monkeypatch):
    terminal.show(lambda: cycling, 1, nothing)
    coloured = terminal.close()
    monkeypatch.setenv("NO_COLOR", "1")
    other = Terminal()
    other.show(lambda: cycling, 1, nothing)
    bare = other.close()
    assert plain(bare) == plain(coloured)
    codes = [int(c) for run in re.findall(rb"\x1b\[([0-9;]*)m", bare) for c in run.split(b";") if c]
    assert not [c for c in codes if 30 <= c <= 49 or c >= 90]


def test_a_dumb_terminal_gets_lines(terminal, monkeypatch):
    monkeypatch.setenv("TERM", "dumb")
    terminal.show(lambda: cycling, 1, nothing)
    written = terminal.close()
    assert b"\x1b" not in written
    assert b"NOTHING TO DO | cycling" in written
