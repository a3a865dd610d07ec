"""Questions and answers over real pseudo-terminals, byte for byte, one after the other."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.answers import number
from drivers.text import TextLine
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.text_links import ANSWERS, HURRIED, NOISE, WAYS, linked, obedient
from tests.drivers.text_peer import Peer, Piece, nobody


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    device = Peer(tmp_path / "servo", obedient)
    yield device
    device.close()


@pytest.mark.parametrize("way", WAYS.values(), ids=WAYS.keys())
async def test_every_answer_comes_through_a_port_both_ways(
    peer: Peer, way: Callable[[bytes], list[Piece]]
) -> None:
    replies: dict[str, bytes] = {f"Q{i}?": sent for i, (sent, _) in enumerate(ANSWERS.values())}

    def answer(line: str) -> list[Piece]:
        return way(replies[line]) if line in replies else obedient(line)

    async with linked(peer, answer) as line:
        for question, (_, text) in zip(replies, ANSWERS.values(), strict=True):
            assert (await line.ask(question, str)).value == text
        assert (line.good, line.bad, line.dropped) == (len(ANSWERS), 0, 0)
    expected = b"*ESE 1;*ESE?\n" + b"".join(q.encode() + b"\n" for q in replies)
    assert peer.raw == expected


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"], ids=["LF", "CR", "CRLF"])
async def test_lines_end_as_the_rig_file_says(peer: Peer, end: str) -> None:
    async with linked(peer, line_end=end) as line:
        assert (await line.ask("A?", str)).value == "A? yes"
    assert peer.raw == f"*ESE 1;*ESE?{end}A?{end}".encode()


async def test_an_answer_may_take_its_time_once_it_has_begun(peer: Peer) -> None:
    def slow(line: str) -> list[Piece]:
        if line != "A?":
            return obedient(line)
        return [b"one", 0.6 * HURRIED, b" two", 0.6 * HURRIED, b" three\n"]

    async with linked(peer, slow, HURRIED, ask_again=9) as line:
        assert (await line.ask("A?", str)).value == "one two three"


async def test_others_run_while_an_answer_is_waited_for(peer: Peer) -> None:
    turns = 0
    enough = threading.Event()

    def held(line: str) -> list[Piece]:
        if line == "A?":
            enough.wait(20)
        return obedient(line)

    async def other() -> None:
        nonlocal turns
        while turns < 100:
            turns += 1
            await asyncio.sleep(0)
        enough.set()

    async with linked(peer, held) as line:
        asked, _ = await asyncio.gather(line.ask("A?", str), other())
        assert (asked.value, turns) == ("A? yes", 100)


async def test_questions_asked_at_once_are_asked_one_after_the_other(peer: Peer) -> None:
    async with linked(peer) as line:
        names = [f"Q{i}?" for i in range(10)]
        replies = await asyncio.gather(*(line.ask(name, str) for name in names))
        assert [r.value for r in replies] == [f"{name} yes" for name in names]
        assert all(r.asked <= r.came for r in replies)
        trips = [r.came - r.asked for r in replies]
        assert line.round_trip is not None
        assert line.round_trip[1] == max(trips)
        assert min(trips) <= line.round_trip[0] <= max(trips)


async def test_a_line_from_another_thread_overtakes_a_question(peer: Peer) -> None:
    # The device answers A only once it has been told to shut: so nothing waited for the answer.
    shut = threading.Event()

    def held(line: str) -> list[Piece]:
        if line == "SHUT":
            shut.set()
        return [b"A? yes\n"] if line == "SHUT" else [] if line == "A?" else obedient(line)

    async with linked(peer, held) as line:
        await line.ask("B?", str)

        def foreign() -> None:
            peer.until(lambda: "A?" in peer.lines)
            line.tell_now("SHUT", surely=True)

        asked, _ = await asyncio.gather(line.ask("A?", str), asyncio.to_thread(foreign))
        assert asked.value == "A? yes"
        assert shut.is_set()
        assert (await line.ask("C?", str)).value == "C? yes"
    assert peer.lines == ["*ESE 1;*ESE?", "B?", "A?", "SHUT", "C?"]


async def test_what_must_be_understood_is_written_twice_where_half_a_line_may_lie(
    peer: Peer,
) -> None:
    async with linked(peer) as line:
        line.tell_now("SHUT", surely=True)
        line.tell_now("BEAT")
        await line.ask("A?", str)
        line.tell_now("SHUT", surely=True)
        await line.ask("B?", str)
    assert peer.lines == ["SHUT", "SHUT", "BEAT", "*ESE 1;*ESE?", "A?", "SHUT", "B?"]


async def test_what_must_be_understood_is_written_twice_after_a_line_that_was_cut(
    peer: Peer,
) -> None:
    reads = threading.Event()

    def held(line: str) -> list[Piece]:
        if line == "HOLD":
            reads.wait()  # a device that reads no more
        return obedient(line)

    async with linked(peer, held) as line:
        await line.ask("A?", str)
        line.tell_now("HOLD")
        with contextlib.suppress(DeviceError):
            while True:
                line.tell_now("BEAT")
        line.tell_now("SHUT", surely=True)
        reads.set()
        peer.until(lambda: peer.raw.endswith(b"SHUT\nSHUT\n"))


@pytest.mark.parametrize("text", ["A\nB", "A\r", "Ä?", "\x1b"])
async def test_a_line_holds_no_line_end_and_nothing_but_ascii(peer: Peer, text: str) -> None:
    async with linked(peer) as line:
        with pytest.raises(ValueError, match="no line of printable ASCII"):
            line.tell_now(text)
    assert peer.raw == b""


async def test_a_device_that_answers_otherwise_is_told_with_its_words(peer: Peer) -> None:
    async with linked(peer) as line:
        with pytest.raises(DeviceError) as told:
            await line.ask("N?", number)
        assert str(told.value) == (
            f'port "servo" ({peer.path}): "N? yes" is no answer to "N?": "N? yes" is no number, '
            "asked 2 times; bytes come but none fit: 115200 baud in the rig file; is that the "
            "device's speed, and this its port?"
        )
        assert told.value.exit_code == 4


async def test_a_silent_device(peer: Peer) -> None:
    async with linked(peer, nobody, 0.02) as line:
        with pytest.raises(DeviceError) as told:
            await line.ask("A?", str)
        assert str(told.value) == (
            f'port "servo" ({peer.path}): "*ESE 4;*ESE?" does not bring its number back, asked 2 '
            "times; nothing comes: is it switched on, are receive and transmit crossed?"
        )
        assert line.remedy.startswith("nothing comes")
        assert line.trouble.endswith("does not bring its number back")
        assert line.dropped == 4
        assert line.round_trip is None


async def test_the_wrong_speed(peer: Peer) -> None:
    def garbage(_line: str) -> list[Piece]:
        return [NOISE * 3]

    async with linked(peer, garbage, 0.02) as line:
        with pytest.raises(DeviceError, match="bytes come but none fit: 115200 baud"):
            await line.ask("A?", str)


async def test_a_device_that_never_ends_its_line_holds_up_nobody(peer: Peer) -> None:
    ending = threading.Event()

    def babble() -> None:
        while not ending.wait(0.005):
            peer.say(b"bla")

    babbling = threading.Thread(target=babble)
    async with linked(peer, nobody, 0.02, ask_again=0) as line:
        babbling.start()
        try:
            with pytest.raises(DeviceError):
                await line.ask("A?", str)
        finally:
            ending.set()
            babbling.join()


async def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    line = TextLine(Port("servo", str(tmp_path / "none"), 9600), SystemClock())
    with pytest.raises(DeviceError, match="there is no such port"):
        line.open()
    assert "there is no such port" in line.trouble
    assert line.remedy == ""
    line.close()
