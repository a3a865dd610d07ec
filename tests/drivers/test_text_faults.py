"""What may become of answers on a line: none is ever taken for another's."""

from __future__ import annotations

import asyncio
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.text import TextLine
from rig.errors import DeviceError
from tests.drivers.hand_clock import StandingClock
from tests.drivers.text_links import HURRIED, NOISE, linked, obedient, tried
from tests.drivers.text_peer import Peer, Piece


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    device = Peer(tmp_path / "servo", obedient)
    yield device
    device.close()


async def with_luck(line: TextLine) -> str | None:
    """Ask until an answer comes, and hold that it is never that to another question."""
    for _ in range(20):
        said = await tried(line.ask("B?", str))
        assert said in (None, "B? yes")
        if said:
            return said
    return None


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
        counts = f"answers: 0 did not come, {line.bad} did not fit"
        assert text == f'port "servo" ({peer.path}): {counts}'
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
        assert await with_luck(line) == "B? yes"
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
        await with_luck(line)
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


async def test_a_number_that_comes_back_garbled_is_not_waited_for(peer: Peer) -> None:
    spoiled = iter([b"\xff1\n"])

    def answer(line: str) -> list[Piece]:
        return [next(spoiled, b"2\n")] if line.startswith("*ESE") else obedient(line)

    async with linked(peer, answer, 1000.0) as line:
        assert (await line.ask("A?", str)).value == "A? yes"
        assert (line.bad, line.dropped) == (1, 0)


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
        assert await tried(line.ask("B?", str)) in (None, "B? yes")
        asyncio.get_running_loop().call_later(0.001, time.sleep, 0.3)
        with pytest.raises(DeviceError):
            await line.ask("A?", str)


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
            line.ask("A?", str), asyncio.to_thread(puller), return_exceptions=True
        )
        assert isinstance(results[0], DeviceError)
        assert "was unplugged or has failed" in str(results[0])
        with pytest.raises(DeviceError, match="was unplugged or has failed"):
            await line.ask("B?", str)
        with pytest.raises(DeviceError, match="was unplugged or has failed"):
            line.tell_now("SHUT")
        assert "unplugged" in line.trouble
        await asyncio.to_thread(peer.plug)
        await asyncio.to_thread(lambda: peer.until(lambda: line.trouble == ""))
        await asyncio.sleep(0)
        assert line.returned == 1
        assert (await line.ask("C?", str)).value == "C? yes"
        assert peer.lines[-2].startswith("*ESE")  # an answer may still have been under way
        assert line.trouble == ""
        await asyncio.to_thread(peer.unplug)
        await asyncio.to_thread(lambda: peer.until(lambda: line.trouble != ""))
        await asyncio.to_thread(peer.plug)
        await asyncio.to_thread(lambda: peer.until(lambda: line.trouble == ""))
        assert (await line.ask("D?", str)).value == "D? yes"
        assert peer.lines[-2].startswith("*ESE")
        told = line.told()
        assert len(told) == 4
        assert "unplugged" in told[0]
        assert told[1] == f'port "servo" ({peer.path}) is back'


# Devices that send nothing back: one answer is thrown away.


async def test_without_a_number_to_send_back_one_answer_is_thrown_away(peer: Peer) -> None:
    count = iter(range(1, 100))

    def counting(_line: str) -> list[Piece]:
        return [f"{next(count)}\n".encode()]

    async with linked(peer, counting, echo=None, clock=StandingClock()) as line:
        assert (await line.ask("N?", int)).value == len(peer.lines)
        assert (await line.ask("N?", int)).value == len(peer.lines)
    assert peer.lines[0] == "N?"


@pytest.mark.parametrize("said", ["0", "1", "127"])
async def test_any_number_may_be_an_answer_where_none_is_sent_back(peer: Peer, said: str) -> None:
    def saying(_line: str) -> list[Piece]:
        return [f"{said}\n".encode()]

    async with linked(peer, saying, echo=None, clock=StandingClock()) as line:
        assert (await line.ask("N?", str)).value == said
        assert line.bad == 0


LATE: dict[str, dict[int, list[Piece]]] = {
    "one": {1: [], 2: [b"1\n", 0.02, b"2\n"], 3: [0.02, b"3\n"]},
    "two": {1: [], 2: [b"0\n", 0.02, b"1\n"], 3: [b"2\n", 0.02, b"3\n"]},
}


@pytest.mark.parametrize(
    "late", [LATE["one"], pytest.param(LATE["two"], marks=pytest.mark.nights)], ids=LATE.keys()
)
async def test_the_answers_after_the_one_that_was_thrown_away_are_waited_for(
    peer: Peer, late: dict[int, list[Piece]]
) -> None:
    def answer(_line: str) -> list[Piece]:
        count = len(peer.lines)
        return late.get(count, [b"%d\n" % count])

    async with linked(peer, answer, 0.04, echo=None, ask_again=20) as line:
        value = (await line.ask("N?", int)).value
        await asyncio.sleep(0.05)  # until the device has seen all that it was asked
        assert value == len(peer.lines)


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
            said = await tried(line.ask(f"Q{i}?", str, sure=True))
            assert said in (None, f"Q{i}? yes")
            answered += said is not None
        peer.answer = obedient
        said = None
        while said is None:
            said = await tried(line.ask("LAST?", str, sure=True))
        assert said == "LAST? yes"
        assert answered > 0
        assert faulty.all_met()


async def test_on_a_bad_line_no_answer_is_taken_for_another(peer: Peer) -> None:
    await _storm(peer, 7, 100, 0.02)


FURTHER = [pytest.param(seed, marks=pytest.mark.endurance) for seed in range(2, 8)]


@pytest.mark.nights
@pytest.mark.parametrize("seed", [0, 1, *FURTHER])
async def test_on_many_bad_lines_no_answer_is_taken_for_another(peer: Peer, seed: int) -> None:
    for more in range(3):
        await _storm(peer, 100 * more + seed, 200, 0.04)
