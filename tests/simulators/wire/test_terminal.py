"""A pseudo-terminal as a device's port: pace, speed, unplugging, hosts that do not read."""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import SystemClock, VirtualClock, VirtualLoop
from rig.errors import InputError
from simulators.wire.pace import Pace
from simulators.wire.terminal import Put, Terminal
from simulators.wire.uart import Framing
from tests.simulators.wire.host import heard_of, host

QUICK = Framing(921600)
ALL_BYTES = bytes(range(256))


@contextlib.contextmanager
def plugged(
    framing: Framing = QUICK, link: Path | None = None, *, whole: bool = False
) -> Iterator[Terminal]:
    terminal = Terminal(framing, SystemClock(), link, whole=whole)
    try:
        yield terminal
    finally:
        terminal.close()


def echo(terminal: Terminal) -> None:
    terminal.on_bytes = terminal.send


@pytest.mark.parametrize(
    ("framing", "parity"),
    [(Framing(115200), "N"), (Framing(19200, "even"), "E"), (Framing(57600, "odd", 2), "O")],
)
async def test_every_byte_passes_both_ways_where_the_host_is_set_like_the_device(
    framing: Framing, parity: str
) -> None:
    with (
        plugged(framing) as terminal,
        host(terminal.path, framing.baud, parity, framing.stop_bits) as there,
    ):
        echo(terminal)
        there.write(ALL_BYTES)
        assert await there.read(256) == ALL_BYTES
        assert (terminal.received, terminal.sent, terminal.dropped) == (256, 256, 0)


@pytest.mark.parametrize(
    ("framing", "baud", "parity"),
    [
        (Framing(19200, "even"), 9600, "E"),
        (Framing(19200, "even"), 38400, "E"),
        (Framing(19200, "even"), 115200, "E"),
        (Framing(921600), 115200, "N"),
    ],
)
async def test_both_hear_garbage_where_the_speed_differs(
    framing: Framing, baud: int, parity: str
) -> None:
    heard: list[bytes] = []
    with plugged(framing) as terminal, host(terminal.path, baud, parity) as there:
        terminal.on_bytes = heard.append
        await heard_of(terminal)
        there.write(b"STATus:RIG?\n")
        terminal.send(b"FORC,1,1234,NONE,NONE,HIGH,12.345000\n")
        got = await there.read(1, within=5.0)
        got += await there.read(1000, within=0.08)
    # A line of text has come on neither side; how much garbage has is a matter of speeds.
    assert got
    assert b"1234" not in got
    assert b"RIG" not in b"".join(heard)


async def test_what_is_whole_arrives_whole_once_its_last_byte_is_over() -> None:
    clock = SystemClock()
    pieces: list[bytes] = []
    with plugged(Framing(9600), whole=True) as terminal, host(terminal.path, 9600) as there:
        terminal.on_bytes = pieces.append
        await heard_of(terminal)
        begun = clock.now()
        there.write(bytes(96))
        while not pieces:  # noqa: ASYNC110 - nothing else tells
            await asyncio.sleep(0.001)
        assert pieces == [bytes(96)]
        # 96 bytes of 10 bits at 9600 baud: they cannot have come sooner.
        assert clock.now() - begun >= 0.095


async def test_a_device_hears_nothing_of_the_other_parity_though_a_computer_hears_it() -> None:
    # A computer in raw mode does not look at the parity of what it hears (POSIX: INPCK is off).
    heard: list[bytes] = []
    with plugged(Framing(19200, "even")) as terminal, host(terminal.path, 19200, "O") as there:
        terminal.on_bytes = heard.append
        await heard_of(terminal)
        there.write(b"*IDN?\n")
        terminal.send(b"0123\n")
        assert await there.read(100, within=0.1) == b"0123\n"
        assert heard == []


async def test_a_host_that_changes_its_speed_is_understood_from_then_on() -> None:
    with plugged(Framing(57600)) as terminal, host(terminal.path, 9600) as there:
        echo(terminal)
        there.write(b"lost")
        await there.read(100, within=0.1)
        there.port.baudrate = 57600
        there.write(b"understood")
        assert await there.read(10) == b"understood"


async def test_bytes_take_at_least_the_time_of_the_line() -> None:
    with plugged(Framing(9600)) as terminal, host(terminal.path, 9600) as there:
        await heard_of(terminal)
        begun = time.monotonic()
        terminal.send(bytes(96))
        assert await there.read(96) == bytes(96)
        # 960 bits at 9600 baud; the last half millisecond may be early, a late process is later.
        assert time.monotonic() - begun >= 0.099


async def test_nothing_that_was_sent_before_a_host_came_is_heard() -> None:
    with plugged() as terminal:
        terminal.send(b"before")
        await asyncio.sleep(0.005)
        assert terminal.dropped == 6
        with host(terminal.path, QUICK.baud) as there:
            await heard_of(terminal)
            terminal.send(b"after")
            assert await there.read(100, within=0.05) == b"after"
        terminal.send(b"gone")
        await asyncio.sleep(0.005)
        assert terminal.dropped == 10
        with host(terminal.path, QUICK.baud) as there:
            assert await there.read(100, within=0.05) == b""


async def test_a_host_that_has_not_set_the_line_hears_and_echoes_nothing() -> None:
    # What a terminal echoes would come back to the device as a command.
    heard: list[bytes] = []
    with plugged() as terminal:
        terminal.on_bytes = heard.append
        slave = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
        try:
            settings = termios.tcgetattr(slave)
            settings[3] |= termios.ECHO | termios.ICANON
            termios.tcsetattr(slave, termios.TCSANOW, settings)
            assert not terminal.listening
            terminal.send(b"12.34\n")
            await asyncio.sleep(0.05)
            assert heard == []
            tty.setraw(slave)
            assert terminal.listening
        finally:
            os.close(slave)


async def test_a_host_that_does_not_read_loses_bytes_and_stops_nothing() -> None:
    with plugged(Framing(4_000_000)) as terminal, host(terminal.path, 4_000_000) as there:
        await heard_of(terminal)
        for _ in range(30):
            terminal.send(bytes(4000))
            await asyncio.sleep(0.002)
        assert terminal.dropped > 0
        assert terminal.sent > 0
        there.port.reset_input_buffer()
        await there.read(1_000_000, within=0.15)
        terminal.send(b"again")
        assert (await there.read(1_000_000, within=0.05)).endswith(b"again")


async def test_more_than_the_line_can_carry_is_lost_and_told() -> None:
    with plugged(Framing(1200)) as terminal, host(terminal.path, 1200):
        for _ in range(100):
            terminal.send(bytes(1000))
        assert terminal.dropped == 100_000 - 65_000


async def test_what_a_host_writes_too_quickly_waits_and_is_not_lost() -> None:
    with plugged(Framing(921600)) as terminal, host(terminal.path, 921600) as there:
        echo(terminal)
        data = os.urandom(15_000)
        begun, got = 0, b""
        while len(got) < len(data):
            begun += there.offer(data[begun : begun + 2000])
            got += await there.read(len(data), within=0.002)
        assert got == data
        assert terminal.received == len(data)


async def test_an_unplugged_port_fails_and_is_back_under_the_same_path(tmp_path: Path) -> None:
    with plugged(link=tmp_path / "ports" / "servo") as terminal:
        assert terminal.path == str(tmp_path / "ports" / "servo")
        echo(terminal)
        with host(terminal.path, QUICK.baud) as there:
            there.write(b"one")
            assert await there.read(3) == b"one"
            terminal.unplug()
            assert not os.path.lexists(terminal.path)
            terminal.send(b"into nowhere")
            with pytest.raises((serial.SerialException, OSError)):
                there.port.read(1)
            with pytest.raises(serial.SerialException):
                serial.Serial(terminal.path, QUICK.baud)
        terminal.plug()
        with host(terminal.path, QUICK.baud) as there:
            there.write(b"two")
            assert await there.read(3) == b"two"
    assert not os.path.lexists(tmp_path / "ports" / "servo")


async def test_a_link_is_made_anew_but_a_file_is_left_alone(tmp_path: Path) -> None:
    link = tmp_path / "servo"
    link.symlink_to(tmp_path / "nowhere")
    with plugged(link=link) as terminal:
        assert os.path.realpath(terminal.path).startswith("/dev/pts/")
        with plugged(link=link) as second:
            own = os.readlink(link)
            terminal.unplug()
            assert os.readlink(link) == own
            assert second.plugged
    link.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="choose another folder"):
        Terminal(QUICK, SystemClock(), link)
    assert link.read_text(encoding="utf-8") == "mine"


async def test_what_stands_between_device_and_line_decides_what_is_sent() -> None:
    def twice(data: bytes, put: Put) -> None:
        put(data[:1])
        put(data)

    with plugged() as terminal, host(terminal.path, QUICK.baud) as there:
        terminal.through = twice
        await heard_of(terminal)
        terminal.send(b"ab")
        assert await there.read(100, within=0.05) == b"aab"


def paced(data: list[tuple[float, bytes]], byte_time: float) -> list[tuple[float, bytes]]:
    """Put bytes on a line at times [s] and return what is delivered when, in virtual time."""
    loop, got = VirtualLoop(), []
    clock = VirtualClock()

    async def run() -> None:
        line = Pace(loop, clock, byte_time, lambda d: got.append((clock.now(), d)), 1 << 16)
        for at, part in data:
            await asyncio.sleep(max(0.0, at - clock.now()))
            line.put(part)
        await asyncio.sleep(10.0)
        assert not line.waiting

    try:
        loop.run_until_complete(run())
    finally:
        loop.close()
    return got


PUTS = st.lists(
    st.tuples(st.floats(0, 0.3), st.binary(min_size=1, max_size=40)), min_size=1, max_size=8
)


@given(PUTS, st.sampled_from((1e-5, 8.7e-5, 1e-3, 4e-3)))
def test_bytes_come_in_order_none_too_early_and_none_late(
    puts: list[tuple[float, bytes]], byte_time: float
) -> None:
    puts = sorted(puts, key=lambda put: put[0])
    got = paced(puts, byte_time)
    assert b"".join(d for _, d in got) == b"".join(d for _, d in puts)
    # When each byte is over on an ideal line: behind the one before it, not before it was put.
    over, ideal = 0.0, []
    for at, part in puts:
        for _ in part:
            over = max(over, at) + byte_time
            ideal.append(over)
    delivered = [when for when, part in got for _ in part]
    for when, due in zip(delivered, ideal, strict=True):
        assert due - 5e-4 - 1e-9 <= when <= due + 1e-3 + 1e-9


def test_bytes_that_are_sent_one_by_one_do_not_gain_on_the_line() -> None:
    got: list[float] = []
    loop, clock = VirtualLoop(), VirtualClock()

    async def run() -> None:
        def next_one(_data: bytes) -> None:
            got.append(clock.now())
            if len(got) < 100:
                line.put(b"x")

        line = Pace(loop, clock, 2e-3, next_one, 1 << 16)
        line.put(b"x")
        await asyncio.sleep(1.0)

    try:
        loop.run_until_complete(run())
    finally:
        loop.close()
    assert len(got) == 100
    assert got[-1] >= 100 * 2e-3 - 5e-4


def test_a_process_that_was_late_delivers_at_once_what_is_overdue() -> None:
    got: list[bytes] = []
    loop, clock = VirtualLoop(), VirtualClock()

    async def run() -> None:
        line = Pace(loop, clock, 1e-3, got.append, 1 << 16)
        await asyncio.sleep(1.0)
        line.put(bytes(50), at=0.93)
        assert [len(d) for d in got] == [50]
        line.put(bytes(50), at=0.98)
        assert sum(map(len, got)) == 70

    try:
        loop.run_until_complete(run())
    finally:
        loop.close()
