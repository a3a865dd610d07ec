"""The door of a live run: every line is answered, nobody holds it up."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket

import pytest

from rig.control import server
from rig.control.desk import MOST_WAITING, Desk, Request
from rig.control.request_line import (
    LONGEST_LINE,
)
from tests.control.visitors import a_runtime, line, opened, say, until, visitors


@pytest.fixture
def runtime(monkeypatch):
    yield from a_runtime(monkeypatch)


async def test_what_was_acted_on_is_answered_twice_and_what_was_refused_once(runtime):
    async with opened(runtime) as (rig, door):
        told = await say(door, line("pause", text="rain"), line("continue"), answers=3)
    assert told == [
        {"answer": "acted", "text": "so it is", "state": "cycling"},
        {"answer": "recorded"},
        {"answer": "refused", "text": "so it is", "state": "cycling"},
    ]
    assert rig.done[0] == Request("pause", who="A. Name", text="rain")


async def test_a_disk_that_refuses_is_told_after_the_act(runtime):
    async with opened(runtime) as (rig, door):
        rig.disk = "/night-1/journal.db: the disk is full"
        first, second = await say(door, line("stop"), answers=2)
    assert first["answer"] == "acted"
    assert second == {"answer": "not recorded", "text": rig.disk}


async def test_two_hundred_requests_at_once_are_each_answered(runtime):
    async with opened(runtime) as (rig, door):

        async def client(number: int) -> list[str]:
            asked = [line("note", text=f"{number}.{n}") for n in range(20)]
            return [a["answer"] for a in await say(door, *asked, answers=40)]

        heard = await asyncio.gather(*(client(number) for number in range(10)))
    assert heard == [["acted", "recorded"] * 20] * 10
    assert len({request.text for request in rig.done}) == 200


async def test_more_visitors_than_there_is_room_for_are_told_so(runtime):
    async with opened(runtime) as (rig, door), visitors(door) as there:
        await there.come(server.MOST_CONNECTIONS)
        told = await say(door, line("stop"), answers=2)
        assert [t["answer"] for t in told] == ["acted", "recorded"]
        assert [request.verb for request in rig.done] == ["stop"]
        sent_away = await there.hear(0)
        assert "too many" in sent_away["text"]
        assert await there.links[0][0].read() == b""
        there.links[1][1].write(line("note", text="still here") + b"\n")
        assert (await there.hear(1))["answer"] == "acted"


@pytest.mark.nights
async def test_nobody_who_is_sent_away_or_cut_off_leaves_a_traceback(runtime, caplog):
    troubles = []
    asyncio.get_running_loop().set_exception_handler(lambda _, told: troubles.append(told))
    async with opened(runtime) as (_, door), visitors(door) as there:
        await there.come(3 * server.MOST_CONNECTIONS)
        for which in range(2 * server.MOST_CONNECTIONS):
            assert "too many" in (await there.hear(which))["text"]
        await door.close()
        assert await there.links[-1][0].read() == b""
    assert troubles == []
    assert caplog.records == []


async def test_a_frozen_disk_keeps_nobody_out_and_the_silent_make_room_first(runtime):
    async with opened(runtime) as (rig, door), visitors(door) as there:
        rig.thawed.clear()
        await there.come(server.MOST_CONNECTIONS - 1, line("note"))
        for which in range(len(there.links)):
            assert (await there.hear(which))["answer"] == "acted"
        await there.come(1)
        await there.come(2, line("stop"))
        assert [(await there.hear(which))["answer"] for which in (-1, -2)] == ["acted", "acted"]
        assert rig.done[-1].verb == "stop"
        assert "ask again" in (await there.hear(-3))["text"]
        longest = await there.hear(0)
        assert longest["answer"] == "not recorded"
        assert "too many" in longest["text"]
        rig.thawed.set()
        for which in (*range(1, server.MOST_CONNECTIONS - 1), -2, -1):
            assert await there.hear(which) == {"answer": "recorded"}


async def test_whoever_hung_up_makes_room_before_all_who_still_wait(runtime):
    half = server.MOST_CONNECTIONS // 2
    async with opened(runtime) as (rig, door), visitors(door) as there:
        rig.thawed.clear()
        await there.come(2 * half, line("note"))
        for which in range(2 * half):
            assert (await there.hear(which))["answer"] == "acted"
        await there.hang_up(slice(half, None))
        await there.come(half, line("note"))
        for which in range(half, 2 * half):
            assert (await there.hear(which))["answer"] == "acted"
        rig.thawed.set()
        for which in range(2 * half):
            assert await there.hear(which) == {"answer": "recorded"}


@pytest.mark.nights
async def test_a_stop_comes_before_all_that_fills_an_unserved_desk(runtime):
    async with opened(runtime, attended=False) as (rig, door), visitors(door) as there:
        await there.come(MOST_WAITING, line("note"))
        await there.come(1, line("stop"))
        await say(door, b'{"ask": "look"}', answers=1)
        first = rig.desk.take(0)
        assert first is not None
        assert first.request.verb == "stop"
        first.answer(done=True, text="stops", state="cycling")
        assert (await there.hear(-1))["answer"] == "acted"
        waiting = [asked.request.verb for asked in iter(lambda: rig.desk.take(0), None)]
        assert waiting == ["note"] * MOST_WAITING
        assert "may still be done" in (await there.hear(0))["text"]


async def test_who_waits_for_a_stop_keeps_the_place_until_it_is_answered(runtime):
    async with opened(runtime, attended=False) as (rig, door), visitors(door) as there:
        await there.come(server.MOST_CONNECTIONS, line("stop"))
        told = await say(door, line("stop"), answers=1)
        assert "too many connections wait for a stop" in told[0]["text"]
        stop = rig.desk.take(0)
        assert stop is not None
        assert rig.desk.take(0) is None
        stop.answer(done=True, text="stops", state="cycling")
        for which in range(server.MOST_CONNECTIONS):
            assert (await there.hear(which))["answer"] == "acted"


async def test_stops_beyond_the_first_are_answered_like_it_and_never_pile_up(runtime):
    desk = Desk()
    stops = [desk.ask(Request("stop", who=f"{n}")) for n in range(MOST_WAITING + 5)]
    assert [s.done() for s in stops].count(True) == 4
    assert "a stop is waiting" in stops[-1].result().text
    first = desk.take(0)
    assert first is not None
    assert first.request.who == "0"
    assert desk.take(0) is None
    stops[1].cancel()
    first.answer(done=True, text="stops", state="cycling")
    assert all(s.result().done for s in (stops[0], *stops[2 : MOST_WAITING + 1]))
    late = [desk.ask(Request("stop")) for _ in range(2)]
    desk.close("the test has ended")
    assert [s.result().text for s in late] == ["the test has ended"] * 2


async def test_many_lines_at_once_leave_others_their_turn(runtime):
    async with opened(runtime) as (rig, door), visitors(door) as there:
        await there.come(2)
        there.links[0][1].write(b'{"ask": "look"}\n' * 500)
        while not rig.looks:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0)
        there.links[1][1].write(line("stop") + b"\n")
        # Looked at in each turn: 500 lines are heard within a moment.
        while not rig.done and rig.looks < 500:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0)
        assert rig.done
        assert rig.looks < 500


async def test_a_storm_of_longest_lines_has_few_heard_in_any_turn_of_the_loop(runtime):
    longest = b'{"ask": "look"}'.ljust(LONGEST_LINE) + b"\n"
    async with opened(runtime) as (rig, door):
        storm = [socket.socket(socket.AF_UNIX) for _ in range(60)]
        for visitor in storm:
            visitor.connect(str(door.path))
            visitor.sendall(longest * 4)
        heard = []
        while rig.looks < 240:
            before = rig.looks
            await asyncio.sleep(0)
            heard.append(rig.looks - before)
        for visitor in storm:
            visitor.close()
    assert max(heard) <= server.AT_ONCE < 10


async def test_a_stop_is_heard_in_its_turn_among_a_storm(runtime):
    async with opened(runtime) as (rig, door), visitors(door) as there:
        storm = [socket.socket(socket.AF_UNIX) for _ in range(60)]
        for visitor in storm:
            visitor.connect(str(door.path))
            visitor.sendall(b'{"ask": "look"}\n' * 1000)
        await there.come(1, line("stop"))
        assert (await there.hear(0))["answer"] == "acted"
        assert rig.looks < 60 * 100
        for visitor in storm:
            visitor.close()


async def test_a_visitor_who_never_reads_holds_nobody_up(runtime):
    async with opened(runtime) as (_, door):
        deaf = socket.socket(socket.AF_UNIX)
        deaf.setblocking(False)
        deaf.connect(str(door.path))
        with contextlib.suppress(BlockingIOError):
            for _ in range(1000):
                deaf.send(b'{"ask": "look"}\n' * 1000)
        told = await say(door, line("pause"), answers=2)
        deaf.close()
    assert [t["answer"] for t in told] == ["acted", "recorded"]


async def test_a_visitor_who_left_is_acted_for_all_the_same(runtime):
    async with opened(runtime) as (rig, door):
        _, writer = await asyncio.open_unix_connection(str(door.path))
        writer.write(line("stop") + b"\n")
        await writer.drain()
        writer.close()
        await until(lambda: bool(rig.done))
    assert rig.done[0].verb == "stop"


BROKEN = {
    "no JSON": b"pause",
    "empty": b"",
    "no object": b'["ask", "pause"]',
    "no text encoding": b'{"ask": "\xff\xfe"}',
    "nested without end": b"[" * 8_000,
    "a number beyond all digits": b'{"ask": ' + b"9" * 8_000 + b"}",
    "no verb": b'{"who": "A. Name"}',
    "unknown verb": b'{"ask": "faster", "who": "A. Name"}',
    "verb as a list": b'{"ask": ["pause"], "who": "A. Name"}',
    "nobody": b'{"ask": "pause"}',
    "nobody after cleaning": b'{"ask": "pause", "who": "\\u001b\\u0007"}',
    "name as a number": b'{"ask": "pause", "who": 7}',
    "unknown key": b'{"ask": "pause", "who": "A. Name", "force": true}',
    "flow as text": b'{"ask": "note", "who": "A. Name", "catch_can": "1.4 L/min"}',
    "flow as truth": b'{"ask": "note", "who": "A. Name", "catch_can": true}',
    "flow without end": b'{"ask": "note", "who": "A. Name", "catch_can": Infinity}',
    "flow below zero": b'{"ask": "note", "who": "A. Name", "catch_can": -1e-5}',
    "items as text": b'{"ask": "confirm", "who": "A. Name", "items": "all"}',
}


async def test_nonsense_is_refused_in_one_line_each_and_the_connection_lives(runtime):
    async with opened(runtime) as (rig, door):
        told = await say(door, *BROKEN.values(), line("pause"), answers=len(BROKEN) + 2)
    assert {t["answer"] for t in told[:-2]} == {"refused"}
    assert all(t["text"] and "\n" not in t["text"] for t in told[:-2])
    assert [t["answer"] for t in told[-2:]] == ["acted", "recorded"]
    assert [request.verb for request in rig.done] == ["pause"]


async def test_a_line_without_end_is_refused_and_cut_off(runtime):
    async with opened(runtime) as (_, door):
        reader, writer = await asyncio.open_unix_connection(str(door.path))
        writer.write(b"x" * 200_000)
        told = json.loads(await reader.readline())
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        writer.close()
    assert told["answer"] == "refused"
    assert str(LONGEST_LINE) in told["text"]


async def test_a_look_needs_no_name_and_asks_nothing_of_the_rig(runtime):
    async with opened(runtime) as (rig, door):
        told = await say(door, b'{"ask": "look"}', answers=1)
    assert told == [{"run": "/night-1", "state": "cycling"}]
    assert rig.done == []
