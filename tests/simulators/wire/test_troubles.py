"""Accidents on lines: what is done to which message, in order, the same every time."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import SystemClock, VirtualClock, VirtualLoop
from rig.errors import InputError
from simulators.wire.terminal import Terminal
from simulators.wire.troubled import TroubledLine, disturb
from simulators.wire.troubles import (
    SCRIPTS,
    Dropped,
    Garbled,
    Late,
    Noise,
    OnLine,
    Repeated,
    Script,
    Shortened,
    Silent,
    Split,
    Unplugged,
    became,
    concerns,
    random_line,
    random_script,
    script,
)
from simulators.wire.uart import Framing


@dataclass
class Port:
    """A port that keeps what it is told, and when."""

    events: list[tuple[float, bytes | str]] = field(default_factory=list)
    through: object = None
    on_bytes: object = None

    def __post_init__(self) -> None:
        self.on_bytes = self.put

    def put(self, data: bytes) -> None:
        self.events.append((VirtualClock().now(), data))

    def unplug(self) -> None:
        self.events.append((VirtualClock().now(), "unplugged"))

    def plug(self) -> None:
        self.events.append((VirtualClock().now(), "plugged"))

    @property
    def data(self) -> list[bytes]:
        return [data for _, data in self.events if isinstance(data, bytes)]


def passed(line: OnLine, sent: list[tuple[float, bytes]]) -> Port:
    """Send messages at their times [s] through a line in trouble; return where they went."""

    async def send() -> Port:
        clock, port = VirtualClock(), Port()
        troubled = TroubledLine(line, clock, port)
        for when, data in sent:
            await clock.sleep(max(0.0, when - clock.now()))
            troubled(data, port.put)
        await clock.sleep(100.0)
        troubled.close()
        return port

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(send())


def tens(count: int = 6) -> list[tuple[float, bytes]]:
    """Return messages "a0", "a1", ... every 10 ms."""
    return [(0.01 * k, b"a%d" % k) for k in range(count)]


EFFECTS = [
    (Dropped(2, 2), [b"a0", b"a1", b"a4", b"a5"]),
    (Dropped(1, every=2), [b"a0", b"a2", b"a4"]),
    (Repeated(1, times=2), [b"a0", b"a1", b"a1", b"a1", b"a2", b"a3", b"a4", b"a5"]),
    (Garbled(3, at=-1, mask=0x03), [b"a0", b"a1", b"a2", b"a0", b"a4", b"a5"]),
    (Garbled(0, at=4, mask=0x20), [b"A0", b"a1", b"a2", b"a3", b"a4", b"a5"]),
    (Shortened(4, 2, at=0, size=1), [b"a0", b"a1", b"a2", b"a3", b"4", b"5"]),
    (Noise(5, data=b"??"), [b"a0", b"a1", b"a2", b"a3", b"a4", b"??", b"a5"]),
    (Split(1), [b"a0", b"a", b"1", b"a2", b"a3", b"a4", b"a5"]),
    (Late(1, by=0.015), [b"a0", b"a1", b"a2", b"a3", b"a4", b"a5"]),
    (Silent(1, by=0.025), [b"a0", b"a4", b"a5"]),
    (Unplugged(1, by=0.025), [b"a0", b"a4", b"a5"]),
]


@pytest.mark.parametrize(("trouble", "arrived"), EFFECTS, ids=lambda x: type(x).__name__)
def test_each_accident_does_what_it_says(trouble, arrived):
    assert passed(OnLine("bus", (trouble,)), tens()).data == arrived


def test_a_late_message_holds_up_those_behind_it_and_no_other():
    port = passed(OnLine("bus", (Late(1, by=0.025),)), tens())
    times = [when for when, _ in port.events]
    assert times == pytest.approx([0.0, 0.035, 0.035, 0.035, 0.04, 0.05])


def test_a_split_message_pauses_in_its_middle():
    port = passed(OnLine("bus", (Split(1, at=1, pause=0.025),)), tens(3))
    assert port.data == [b"a0", b"a", b"1", b"a2"]
    times = [when for when, _ in port.events]
    assert times == pytest.approx([0.0, 0.01, 0.035, 0.035])


def test_the_plug_is_pulled_and_comes_back_and_what_was_under_way_is_lost():
    line = OnLine("bus", (Late(1, by=0.5), Unplugged(3, by=0.2)))
    port = passed(line, [*tens(), (0.6, b"later")])
    assert [what for _, what in port.events] == [b"a0", "unplugged", "plugged", b"later"]
    assert [when for when, _ in port.events][1:3] == pytest.approx([0.03, 0.23])


def test_accidents_meet_in_one_message():
    troubles = (Garbled(0, at=0, mask=1), Noise(0, data=b"?"), Split(0, at=1), Repeated(0))
    parts = [b"`", b"bc", b"`", b"bc"]
    # The noise is a part of its own, of one byte, which splits into nothing and itself.
    assert [part for _, part in became(b"abc", troubles) if part != b"?"] == parts


@given(st.integers(0, 9), st.integers(1, 5), st.integers(0, 9), st.integers(0, 40), st.data())
def test_a_stretch_is_concerned_where_one_of_its_messages_is(first, count, every, begin, data):
    end = data.draw(st.integers(begin, begin + 15))
    trouble = Dropped(first, count, every)
    hit = {
        n for n in range(60) if n >= first and ((n - first) % every if every else n - first) < count
    }
    assert concerns(trouble, begin, end) == any(n in hit for n in range(begin, end))


def test_messages_are_told_apart_by_their_end():
    frames = b"one\0two\0three\0"
    assert passed(OnLine("samples", (Dropped(1),), unit="frame"), [(0, frames)]).data == [
        b"one\0",
        b"three\0",
    ]
    parts = [(0.0, b"on"), (0.001, b"e\ntw"), (0.002, b"o\nthree\n")]
    got = passed(OnLine("servo", (Dropped(1),), unit="line"), parts).data
    assert b"".join(got) == b"one\nthree\n"


def test_bytes_are_counted_whatever_they_come_in():
    troubles = (Dropped(3, 2), Garbled(8, mask=0x20))
    for size in (1, 2, 3, 10):
        whole = b"abcdefghij"
        sent = [(0.0, whole[k : k + size]) for k in range(0, 10, size)]
        got = passed(OnLine("bus", troubles, unit="byte"), sent).data
        assert b"".join(got) == b"abcfghIj"


@given(st.integers(0, 10**6), st.lists(st.floats(0, 0.05), min_size=5, max_size=40))
def test_the_same_seed_does_the_same_and_nothing_overtakes(seed, pauses):
    sent, now = [], 0.0
    for k, pause in enumerate(pauses):
        now += pause
        sent.append((now, b"<%03d>" % k))
    line = random_line("bus", random.Random(seed), (0, len(sent)))
    kinds = (Dropped, Repeated, Split, Late, Silent, Unplugged)
    orderly = OnLine("bus", tuple(t for t in line.troubles if isinstance(t, kinds)))
    port, again = passed(line, sent), passed(line, sent)
    assert port.events == again.events
    got = b"".join(passed(orderly, sent).data).replace(b"<", b"").split(b">")[:-1]
    numbers = [int(text) for text in got]
    assert numbers == sorted(numbers)
    if not orderly.troubles:
        assert numbers == list(range(len(sent)))


MESSAGE = {
    "servo": b"0,1,2,NONE\n",
    "samples": b"\x07" * 20 + b"\0",
    "bus": b"\x01\x03\x02\0\0\xb8\x44",
    "thermometer": b"20.0\n",
}


@pytest.mark.parametrize("name", SCRIPTS)
def test_every_named_script_says_what_it_does_and_does_it(name):
    text = script(name).text
    assert text.isascii()
    assert text[0].isupper()
    assert text[-1] == "."
    for line in script(name).lines:
        calm = min(t.first for t in line.troubles)
        message = b"\x55" if line.unit == "byte" else MESSAGE[line.port]
        sent = [(0.0, message)] * calm
        if line.unit != "send":  # the same in one piece is quicker
            sent = [(0.0, message * calm)]
        assert as_sent(passed(line, sent), message * calm)
        sent.append((0.0, message))
        assert not as_sent(passed(line, sent), message * (calm + 1))


def as_sent(port: Port, data: bytes) -> bool:
    """Tell whether all has arrived at once as it was sent."""
    return b"".join(port.data) == data and all(when == 0.0 for when, _ in port.events)


@pytest.mark.virtual
async def test_a_script_stands_on_the_lines_it_names_each_in_its_direction():
    troubles = (OnLine("servo", (Dropped(1),)), OnLine("bus", (Dropped(1),), "in"))
    ports = {name: Port() for name in ("servo", "samples", "bus")}
    for troubled in disturb(Script("", troubles), ports, VirtualClock()):
        troubled.close()
    assert ports["samples"].through is ports["bus"].through is None
    for data in (b"a", b"b", b"c"):
        ports["servo"].through(data, ports["servo"].put)
        ports["servo"].on_bytes(data.upper())
        ports["bus"].on_bytes(data)
    assert ports["servo"].data == [b"a", b"A", b"B", b"c", b"C"]
    assert ports["bus"].data == [b"a", b"c"]


def test_an_unknown_name_is_refused_with_those_that_there_are():
    with pytest.raises(InputError, match=r'no trouble "servo-lost".*random-NUMBER.*servo-late'):
        script("servo-lost")
    for name in ("random-", "random-x", "random--1", "random-²", ""):
        with pytest.raises(InputError, match="no trouble"):
            script(name)


def test_a_seed_gives_the_same_script_and_another_seed_another():
    assert script("random-7") == random_script(7) == random_script(7)
    drawn = [random_script(seed) for seed in range(200)]
    assert len({found.lines for found in drawn}) == 200
    troubles = [t for found in drawn for line in found.lines for t in line.troubles]
    kinds = {type(t) for t in troubles}
    assert len(kinds) == 9
    assert {line.port for found in drawn for line in found.lines} == {
        "servo",
        "samples",
        "bus",
        "thermometer",
    }


async def test_a_real_port_is_unplugged_and_comes_back(tmp_path):
    terminal = Terminal(Framing(115200), SystemClock(), tmp_path / "servo")
    found = Script("", (OnLine("servo", (Unplugged(2, by=0.2),), unit="line"),))
    (troubled,) = disturb(found, {"servo": terminal}, SystemClock())
    try:
        with serial.Serial(terminal.path, 115200, timeout=2) as host:
            terminal.send(b"one\n")
            terminal.send(b"two\n")
            assert await asyncio.to_thread(host.read, 8) == b"one\ntwo\n"
            terminal.send(b"three\n")
            assert not (tmp_path / "servo").exists()
            with pytest.raises((OSError, serial.SerialException)):
                await asyncio.to_thread(host.read, 1)
        await asyncio.sleep(0.3)
        with serial.Serial(terminal.path, 115200, timeout=2) as host:
            await asyncio.sleep(0.05)
            terminal.send(b"four\n")
            assert await asyncio.to_thread(host.read, 5) == b"four\n"
    finally:
        troubled.close()
        terminal.close()
