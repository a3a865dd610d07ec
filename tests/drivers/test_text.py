"""Questions and answers over real pseudo-terminals: none is taken for another's, come what may."""

from __future__ import annotations

import asyncio
import random
import re
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.answers import fields, number, unquoted
from drivers.answers import whole as whole_number
from drivers.text import TextLine
from drivers.text_lines import LONGEST, LineSplitter
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.text_peer import Answer, Peer, Piece, byte_by_byte, nobody, whole

PATIENT = 10.0  # [s]; an answer that comes at all comes within it, however busy the computer is
HURRIED = 0.1  # [s]; for answers that do not come

Link = Callable[..., Any]


def echoed(number_: int) -> str:
    return f"*ESE {number_};*ESE?"


def obedient(line: str) -> list[Piece]:
    """Answer a question with itself, so that whose answer it is can be seen."""
    sent = re.fullmatch(r"\*ESE (\d+);\*ESE\?", line)
    if sent:
        return [sent[1].encode() + b"\n"]
    return [line.encode() + b" yes\n"] if line.endswith("?") else []


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    device = Peer(tmp_path / "servo", obedient)
    yield device
    device.close()


@asynccontextmanager
async def linked(
    peer: Peer, answer: Answer = obedient, within: float = PATIENT, **more: Any
) -> AsyncIterator[TextLine]:
    peer.answer = answer
    echo = more.pop("echo", echoed)
    line_end = more.pop("line_end", "\n")
    plan = Port("servo", str(peer.path), 115200, answer_within=within, **more)
    line = TextLine(plan, SystemClock(), line_end, echo)
    line.open()
    try:
        yield line
    finally:
        line.close()


async def in_thread(job: Callable[[], None]) -> None:
    await asyncio.to_thread(job)


# Lines of bytes. The answers are of the forms of IEEE 488.2 response data (NR1, NR2, NR3, string)
# and of SCPI-1999 volume 2, 21.8 (SYSTem:ERRor?), written down from memory.

ANSWERS: dict[str, tuple[bytes, str]] = {
    "no error": (b'0,"No error"\n', '0,"No error"'),
    "an error with its cause": (
        b'-222,"Data out of range;FORCe:RAMP 300"\r\n',
        '-222,"Data out of range;FORCe:RAMP 300"',
    ),
    "identity": (b"maker,model,7,1.0\n", "maker,model,7,1.0"),
    "NR3": (b"+1.234000E+01\r", "+1.234000E+01"),
    "a tab inside": (b"1\t2\n", "1\t2"),
    "blanks about it": (b"  7  \n", "7"),
}
NOISE = b"\x00\xff\x8f\xe0"


@pytest.mark.parametrize(("sent", "text"), ANSWERS.values(), ids=ANSWERS.keys())
def test_a_line_is_split_whole_and_byte_by_byte_and_after_garbage(sent: bytes, text: str) -> None:
    splitter = LineSplitter()
    assert [h.text for h in splitter.feed(sent, 1.0)] == [text]
    heard = [h for i, b in enumerate(sent) for h in splitter.feed(bytes([b]), 2.0 + i)]
    assert [h.text for h in heard] == [text]
    assert heard[0].begun < heard[0].ended or len(text) == 1
    around = splitter.feed(NOISE + b"\n" + sent + NOISE + sent, 100.0)
    assert [h.text for h in around] == [None, text, None]
    assert not splitter.partial


def test_a_line_knows_when_it_began_and_when_it_ended() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"12", 1.0) == []
    assert (splitter.partial, splitter.begun) == (True, 1.0)
    (line,) = splitter.feed(b"3\n", 4.0)
    assert (line.text, line.begun, line.ended) == ("123", 1.0, 4.0)


def test_what_began_before_the_question_is_no_part_of_its_answer() -> None:
    splitter = LineSplitter()
    splitter.feed(b"12", 1.0)
    (line,) = splitter.feed(b"17\n", 3.0, 2.0)
    assert (line.text, line.begun) == ("17", 3.0)
    assert splitter.cut == 1


def test_a_line_without_end_is_garbled_and_takes_no_memory() -> None:
    splitter = LineSplitter()
    for at in range(100):
        assert splitter.feed(b"x" * LONGEST, float(at)) == []
    assert len(splitter._held) <= LONGEST
    heard = splitter.feed(b"\n7\n", 200.0)
    assert [h.text for h in heard] == [None, "7"]


@given(st.binary(max_size=60), st.lists(st.integers(1, 7), max_size=30))
def test_how_bytes_are_cut_changes_no_line(data: bytes, cuts: list[int]) -> None:
    at_once = [h.text for h in LineSplitter().feed(data + b"\n", 0.0)]
    splitter, rest, found = LineSplitter(), data + b"\n", []
    for cut in (*cuts, len(rest)):
        found += [h.text for h in splitter.feed(rest[:cut], 0.0)]
        rest = rest[cut:]
    assert found == at_once


NUMBERS: dict[str, float] = {
    # NR1, NR2, NR3 of IEEE 488.2, 8.7.2 to 8.7.4, and forms a forgiving listener takes.
    "0": 0.0,
    "+17": 17.0,
    "-3": -3.0,
    "12.345": 12.345,
    "-0.5": -0.5,
    "1.5E+02": 150.0,
    "-1.5e-3": -0.0015,
    ".5": 0.5,
    "5.": 5.0,
}
NO_NUMBERS = [
    "",
    "+",
    ".",
    "1e",
    "1_0",
    "nan",
    "inf",
    "0x10",
    "1,5",
    "1 2",
    "٣",
    "9.91E37",
    "-9.9E37",
]


@pytest.mark.parametrize(("text", "value"), NUMBERS.items(), ids=NUMBERS.keys())
def test_numbers_in_every_form_of_the_standard(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_number(text: str) -> None:
    # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number.
    with pytest.raises(ValueError, match=r"is no number|stands for no value"):
        number(text)


def test_whole_numbers_however_they_are_written() -> None:
    assert [whole_number(t) for t in ("7", "7.0", "+7.000E+00", "0.7E1")] == [7, 7, 7, 7]
    with pytest.raises(ValueError, match="no whole number"):
        whole_number("7.5")


FIELDS: dict[str, tuple[str, ...]] = {
    "1,2,3": ("1", "2", "3"),
    "1;2,3": ("1", "2", "3"),
    " 1 , 2 ": ("1", "2"),
    '-222,"Data out of range;a,b"': ("-222", '"Data out of range;a,b"'),
    '"say ""no"", please",1': ('"say ""no"", please"', "1"),
    "": ("",),
    "1,,": ("1", "", ""),
}


@pytest.mark.parametrize(("text", "parts"), FIELDS.items(), ids=FIELDS.keys())
def test_fields_of_an_answer(text: str, parts: tuple[str, ...]) -> None:
    assert fields(text) == parts


def test_quotes() -> None:
    assert unquoted('"say ""no"", please"') == 'say "no", please'
    assert unquoted("plain") == "plain"
    assert unquoted('"') == '"'
    with pytest.raises(ValueError, match="a quote is not closed"):
        fields('1,"open')


# Over a line.

WAYS: dict[str, Callable[[bytes], list[Piece]]] = {"whole": whole, "byte by byte": byte_by_byte}


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


async def test_garbage_about_an_answer_costs_questions_and_no_answer(peer: Peer) -> None:
    spoiled = {
        "A?": [NOISE + b"\n" + b"A? yes\n"],
        "B?": [NOISE + b"B? yes\n"],
        "C?": [b"C? yes\n" + NOISE + b"\n"],
        "D?": [b"D? y\xe5s\n"],
    }

    def answer(line: str) -> list[Piece]:
        return spoiled.pop(line, None) or obedient(line)

    async with linked(peer, answer) as line:
        for question in ("A?", "B?", "C?", "D?", "E?"):
            assert (await line.ask(question, str)).value == f"{question} yes"
        assert line.good == 5
        assert line.bad >= 4
        (text,) = line.told()
        assert text == f'port "servo" ({peer.path}): 0 answers did not come, {line.bad} did not fit'
        assert line.told() == ()


async def test_what_came_before_the_question_is_not_its_answer(peer: Peer) -> None:
    async with linked(peer) as line:
        await line.ask("A?", str)
        peer.say(b"B? stale\n")
        await asyncio.sleep(0.05)
        assert (await line.ask("B?", str)).value == "B? yes"
        assert (line.bad, line.dropped) == (1, 0)


async def test_half_a_line_before_the_question_is_no_part_of_its_answer(peer: Peer) -> None:
    async with linked(peer) as line:
        await line.ask("A?", str)
        peer.say(b"1")
        await asyncio.sleep(0.05)
        assert (await line.ask("B?", str)).value == "B? yes"
        assert line.bad == 1


async def test_a_late_answer_is_never_taken_for_the_next(peer: Peer) -> None:
    late: list[Piece] = [2 * HURRIED, b"A? late\n"]

    def answer(line: str) -> list[Piece]:
        if line == "A?" and late:
            return [late.pop(0), late.pop(0)]
        return obedient(line)

    async with linked(peer, answer, HURRIED, ask_again=0) as line:
        with pytest.raises(DeviceError, match='no answer to "A\\?" within 100 ms, asked once'):
            await line.ask("A?", str)
        for _ in range(20):
            with_luck = await _tried(line.ask("B?", str))
            assert with_luck in (None, "B? yes")
            if with_luck:
                break
        assert with_luck == "B? yes"
        assert line.dropped >= 1


async def test_an_old_answer_is_not_taken_for_the_number_that_was_sent(peer: Peer) -> None:
    # Both late answers come when something else was asked, and one number is lost.
    late: list[list[Piece]] = [[], [b"A? late\n"], [b"A? later\n", 0.05]]

    def answer(line: str) -> list[Piece]:
        if "A?" not in peer.lines or not late:
            return obedient(line)
        said = late.pop(0)
        return [*said, *obedient(line)] if len(said) > 1 else said

    async with linked(peer, answer, HURRIED, ask_again=0) as line:
        assert (await line.ask("B?", str)).value == "B? yes"
        with pytest.raises(DeviceError):
            await line.ask("A?", str)
        for _ in range(20):
            with_luck = await _tried(line.ask("B?", str))
            assert with_luck in (None, "B? yes")
            if with_luck:
                break
        assert not late


async def test_a_number_that_comes_back_twice_is_no_answer(peer: Peer) -> None:
    spoiled = iter([b"2\n"])  # in place of the answer, which is lost

    def answer(line: str) -> list[Piece]:
        return [next(spoiled, b"B? yes\n")] if line == "B?" else obedient(line)

    async with linked(peer, answer) as line:
        await line.ask("A?", str, sure=True)
        assert peer.lines[-1] == "*ESE 2;*ESE?"
        assert (await line.ask("B?", str, sure=True)).value == "B? yes"
        assert line.bad == 1


async def test_what_was_read_before_the_question_is_not_its_answer(peer: Peer) -> None:
    async with linked(peer) as line:
        await line.ask("A?", str)
        peer.say(b"B? stale\n")
        time.sleep(0.05)  # the loop has no turn to learn of it before it asks
        assert (await line.ask("B?", str)).value == "B? yes"
        assert line.bad == 1


async def test_an_answer_that_came_too_late_is_none_although_the_program_was_late_too(
    peer: Peer,
) -> None:
    def slow(line: str) -> list[Piece]:
        return [0.15, b"A? yes\n"] if line == "A?" else obedient(line)

    async with linked(peer, slow, 0.05, ask_again=0) as line:
        assert await _tried(line.ask("B?", str)) in (None, "B? yes")
        asyncio.get_running_loop().call_later(0.001, time.sleep, 0.3)
        with pytest.raises(DeviceError):
            await line.ask("A?", str)


async def _tried(asked: Awaitable[Any]) -> str | None:
    try:
        return str((await asked).value)
    except DeviceError:
        return None


async def test_a_lost_answer_is_asked_for_again(peer: Peer) -> None:
    lost = ["A?"]

    def answer(line: str) -> list[Piece]:
        if line in lost:
            lost.remove(line)
            return []
        return obedient(line)

    async with linked(peer, answer, HURRIED, ask_again=3) as line:
        assert (await line.ask("A?", str)).value == "A? yes"
        assert line.dropped >= 1
        assert line.trouble == ""
    assert peer.lines.count("A?") >= 2


async def test_an_answer_that_comes_twice_is_not_the_next_one(peer: Peer) -> None:
    # The second one comes when the next question is out: nothing but the number tells.
    queue: list[bytes] = []
    twice = ["A?"]

    def answer(line: str) -> list[Piece]:
        if line in twice:
            twice.remove(line)
            queue.append(b"5\n")
            return [b"5\n"]
        if line == "B?":
            return [queue.pop() if queue else b"", b"6\n"]
        return obedient(line)

    async with linked(peer, answer) as line:
        assert (await line.ask("A?", int)).value == 5
        assert (await line.ask("B?", int, sure=True)).value == 6
        assert line.bad == 1


async def test_an_answer_that_does_not_fit_is_asked_for_again(peer: Peer) -> None:
    said = iter([b"seven\n", b"7\n"])

    def answer(line: str) -> list[Piece]:
        return [next(said)] if line == "N?" else obedient(line)

    async with linked(peer, answer) as line:
        assert (await line.ask("N?", int)).value == 7
        assert (line.good, line.bad) == (1, 1)


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


async def test_an_answer_may_take_its_time_once_it_has_begun(peer: Peer) -> None:
    def slow(line: str) -> list[Piece]:
        if line != "A?":
            return obedient(line)
        return [b"one", 0.6 * HURRIED, b" two", 0.6 * HURRIED, b" three\n"]

    async with linked(peer, slow, HURRIED, ask_again=9) as line:
        assert (await line.ask("A?", str)).value == "one two three"


async def test_a_question_that_is_given_up_leaves_nothing_behind(peer: Peer) -> None:
    holding = threading.Event()

    def held(line: str) -> list[Piece]:
        if line == "A?":
            holding.wait(5)
        return obedient(line)

    async with linked(peer, held) as line:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await line.ask("A?", str)
        holding.set()
        assert (await line.ask("B?", str)).value == "B? yes"
        assert line.dropped == 0


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

        asked, _ = await asyncio.gather(line.ask("A?", str), in_thread(foreign))
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


@pytest.mark.parametrize("text", ["A\nB", "A\r", "Ä?", "\x1b"])
async def test_a_line_holds_no_line_end_and_nothing_but_ascii(peer: Peer, text: str) -> None:
    async with linked(peer) as line:
        with pytest.raises(ValueError, match="no line of printable ASCII"):
            line.tell_now(text)
    assert peer.raw == b""


async def test_a_line_that_is_unplugged_fails_at_once_and_is_used_again(peer: Peer) -> None:
    pulled = threading.Event()

    def pull(line: str) -> list[Piece]:
        if line == "A?":
            pulled.set()
            return []
        return obedient(line)

    async with linked(peer, pull, 30.0) as line:

        def puller() -> None:
            pulled.wait(5)
            peer.unplug()

        results = await asyncio.gather(
            line.ask("A?", str), in_thread(puller), return_exceptions=True
        )
        assert isinstance(results[0], DeviceError)
        assert "was unplugged or has failed" in str(results[0])
        with pytest.raises(DeviceError, match="was unplugged or has failed"):
            await line.ask("B?", str)
        with pytest.raises(DeviceError, match="was unplugged or has failed"):
            line.tell_now("SHUT")
        assert "unplugged" in line.trouble
        await in_thread(peer.plug)
        await in_thread(lambda: peer.until(lambda: line.trouble == ""))
        await asyncio.sleep(0)
        assert line.returned == 1
        assert (await line.ask("C?", str)).value == "C? yes"
        assert peer.lines[-2].startswith("*ESE")  # an answer may still have been under way
        assert line.trouble == ""
        await in_thread(peer.unplug)
        await in_thread(lambda: peer.until(lambda: line.trouble != ""))
        await in_thread(peer.plug)
        await in_thread(lambda: peer.until(lambda: line.trouble == ""))
        assert (await line.ask("D?", str)).value == "D? yes"
        assert peer.lines[-2].startswith("*ESE")
        told = line.told()
        assert len(told) == 4
        assert "unplugged" in told[0]
        assert told[1] == f'port "servo" ({peer.path}) is back'


async def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    line = TextLine(Port("servo", str(tmp_path / "none"), 9600), SystemClock())
    with pytest.raises(DeviceError, match="there is no such port"):
        line.open()
    assert "there is no such port" in line.trouble
    assert line.remedy == ""
    line.close()


# Devices that send nothing back: one answer is thrown away.


async def test_without_a_number_to_send_back_one_answer_is_thrown_away(peer: Peer) -> None:
    count = iter(range(1, 100))

    def counting(_line: str) -> list[Piece]:
        return [f"{next(count)}\n".encode()]

    async with linked(peer, counting, 0.05, echo=None, ask_again=9) as line:
        assert (await line.ask("N?", int)).value == len(peer.lines)
        assert (await line.ask("N?", int)).value == len(peer.lines)
    assert peer.lines[0] == "N?"


async def test_the_answer_after_the_one_that_was_thrown_away_is_waited_for(peer: Peer) -> None:
    def late(_line: str) -> list[Piece]:
        count = len(peer.lines)
        return {1: [], 2: [b"1\n", 0.03, b"2\n"]}.get(count, [b"%d\n" % count])

    async with linked(peer, late, 0.05, echo=None, ask_again=20) as line:
        value = (await line.ask("N?", int)).value
        await asyncio.sleep(0.05)  # until the device has seen all that it was asked
        assert value == len(peer.lines)


async def test_a_device_that_is_always_late_is_never_believed(peer: Peer) -> None:
    count = iter(range(1, 100))

    def late(_line: str) -> list[Piece]:
        return [0.03, f"{next(count)}\n".encode()]

    async with linked(peer, late, 0.02, echo=None, ask_again=1) as line:
        for _ in range(3):
            with pytest.raises(DeviceError):
                await line.ask("N?", int)
        assert line.good == 0


# All kinds of faults at random.


class Faulty:
    """A device on a bad line: what happens to an answer is drawn for each."""

    KINDS = ("lost", "late", "twice", "twice later", "garbled", "split", "noise")

    def __init__(self, seed: int, late: float) -> None:
        self._random = random.Random(seed)
        self._late = late
        self._left = b""
        self.met: set[str] = set()

    def __call__(self, line: str) -> list[Piece]:
        (answer,) = obedient(line) or [b""]
        assert isinstance(answer, bytes)
        before, self._left = self._left, b""
        if not answer or self._random.random() < 0.6:
            return [before, answer]
        kind = self._random.choice(self.KINDS)
        self.met.add(kind)
        if kind == "twice later":
            self._left = answer
        spoiled: dict[str, list[Piece]] = {
            "lost": [],
            "late": [self._late, answer],
            "twice": [answer + answer],
            "garbled": [bytes([answer[0] ^ 0x80]) + answer[1:]] if answer else [],
            "split": [answer[:2], 0.01, answer[2:]],
            "noise": [NOISE, answer],
        }
        return [before, *spoiled.get(kind, [answer])]

    def all_met(self) -> bool:
        return self.met == set(self.KINDS)


async def _storm(peer: Peer, seed: int, most: int, within: float) -> None:
    """Ask until every fault was met, and then that the line is as good as new."""
    faulty = Faulty(seed, 1.5 * within)
    async with linked(peer, faulty, within, ask_again=2) as line:
        answered = asked = 0
        while not faulty.all_met() and asked < most:
            i = asked = asked + 1
            said = await _tried(line.ask(f"Q{i}?", str, sure=True))
            assert said in (None, f"Q{i}? yes")
            answered += said is not None
        peer.answer = obedient
        said = None
        while said is None:
            said = await _tried(line.ask("LAST?", str, sure=True))
        assert said == "LAST? yes"
        assert answered > 0
        assert faulty.all_met()


async def test_on_a_bad_line_no_answer_is_taken_for_another(peer: Peer) -> None:
    await _storm(peer, 7, 100, 0.02)


@pytest.mark.nights
@pytest.mark.parametrize("seed", range(8))
async def test_on_many_bad_lines_no_answer_is_taken_for_another(peer: Peer, seed: int) -> None:
    for more in range(3):
        await _storm(peer, 100 * more + seed, 200, 0.04)
