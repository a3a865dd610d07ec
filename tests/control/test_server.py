"""The door of a live run: every line is answered, nobody holds it up, nobody else comes in."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import socket
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import SystemClock
from rig.commands.files import load
from rig.control import server
from rig.control.address import (
    SUFFIX,
    all_sockets,
    find_socket,
    make_folder,
    socket_name,
    sweep,
)
from rig.control.caller import look_at
from rig.control.checklist import checklist, missing
from rig.control.desk import MOST_WAITING, VERBS, Desk, Request
from rig.control.request_line import (
    LONGEST_LINE,
    WORDS,
    NotUnderstood,
    clean,
    read_request,
    write_request,
)
from rig.control.server import Door
from rig.errors import InputError, StorageError


@pytest.fixture
def runtime(monkeypatch):
    """A short folder: the path of a socket has at most a hundred bytes."""
    folder = Path(tempfile.mkdtemp(prefix="door-"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


class Rig:
    """A desk with somebody behind it who does what is asked, and a disk that may refuse."""

    def __init__(self) -> None:
        self.desk = Desk()
        self.done: list[Request] = []
        self.looks = 0
        self.disk = ""
        self.thawed = asyncio.Event()
        self.thawed.set()

    async def synced(self) -> None:
        await self.thawed.wait()
        if self.disk:
            raise StorageError(self.disk)

    def look(self) -> dict[str, object]:
        self.looks += 1
        return {"run": "/night-1", "state": "cycling"}

    async def work(self) -> None:
        while True:
            await self.desk.wait()
            while (asked := self.desk.take(0)) is not None:
                self.done.append(asked.request)
                possible = asked.request.verb != "continue"
                asked.answer(done=possible, text="so it is", state="cycling")


@contextlib.asynccontextmanager
async def opened(runtime: Path, *, attended: bool = True):
    """Give a rig whose door is open, somebody working at its desk if attended, and the door."""
    rig = Rig()
    door = Door(runtime / "door.sock", rig.desk, synced=rig.synced, look=rig.look)
    async with asyncio.TaskGroup() as group:
        work = group.create_task(rig.work()) if attended else None
        async with door:
            yield rig, door
        if work is not None:
            work.cancel()


async def say(door: Door, *lines: bytes, answers: int) -> list[dict]:
    """Send lines on one connection and return so many answers."""
    reader, writer = await asyncio.open_unix_connection(str(door.path))
    writer.write(b"".join(line + b"\n" for line in lines))
    told = [json.loads(await reader.readline()) for _ in range(answers)]
    writer.close()
    await writer.wait_closed()
    return told


class Visitors:
    """Connections that stay, each with its reader and writer."""

    def __init__(self, door: Door) -> None:
        self.door = door
        self.links: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []

    async def come(self, number: int, said: bytes = b"") -> None:
        """Open connections, each of which says one line or nothing."""
        for _ in range(number):
            link = await asyncio.open_unix_connection(str(self.door.path))
            if said:
                link[1].write(said + b"\n")
            self.links.append(link)

    async def hear(self, which: int) -> dict:
        """Return the next answer of one."""
        async with asyncio.timeout(10):
            return json.loads(await self.links[which][0].readline())

    async def hang_up(self, which: slice = slice(None)) -> None:
        """Let some hang up."""
        for _, writer in self.links[which]:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
        del self.links[which]


@contextlib.asynccontextmanager
async def visitors(door: Door):
    """Give visitors of a door who are gone in the end."""
    there = Visitors(door)
    try:
        yield there
    finally:
        await there.hang_up()


async def until(claim: Callable[[], bool]) -> None:
    """Wait until a claim about the outside world is true."""
    async with asyncio.timeout(10):
        while not claim():  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.01)


def line(ask: str, **more: object) -> bytes:
    return json.dumps({"ask": ask, "who": "A. Name", **more}).encode()


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
        await until(lambda: bool(rig.done) or rig.looks == 500)
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


async def test_the_socket_is_for_its_user_alone_and_gone_after_the_run(runtime):
    folder = make_folder()
    async with opened(folder) as (_, door):
        assert door.path.stat().st_mode & 0o777 == 0o600
        assert folder.stat().st_mode & 0o777 == 0o700
    assert not door.path.exists()


AS_NOBODY = """
import os, socket, sys
os.setgid(65534); os.setuid(65534)
caller = socket.socket(socket.AF_UNIX)
caller.connect(sys.argv[1])
try:
    caller.sendall(b'{"ask": "stop", "who": "A. Name"}\\n')
except BrokenPipeError:
    pass
print(caller.makefile().readline(), end="")
"""


async def test_another_user_is_refused_even_where_the_folder_lets_them_in(runtime):
    if os.getuid() != 0:
        pytest.skip("only root can become another user")
    runtime.chmod(0o755)
    async with opened(runtime) as (rig, door):
        door.path.chmod(0o666)
        child = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-c", AS_NOBODY, str(door.path)), stdout=asyncio.subprocess.PIPE
        )
        out, _ = await child.communicate()
    assert json.loads(out)["text"] == "this run belongs to another user"
    assert rig.done == []


async def test_a_socket_left_over_by_a_killed_run_is_replaced(runtime):
    with socket.socket(socket.AF_UNIX) as old:
        old.bind(str(runtime / "door.sock"))
    async with opened(runtime) as (_, door):
        told = await say(door, line("pause"), answers=2)
    assert told[0]["answer"] == "acted"


async def test_a_start_takes_away_what_killed_runs_left_and_nothing_else(runtime):
    folder = make_folder()
    with socket.socket(socket.AF_UNIX) as old:
        old.bind(str(folder / "killed.sock"))
    (folder / "written.txt").touch()
    async with opened(folder) as (_, door):
        sweep()
        assert sorted(folder.iterdir()) == [door.path, folder / "written.txt"]
        told = await say(door, line("pause"), answers=2)
    assert told[0]["answer"] == "acted"


class Sneaking(socket.socket):
    """A socket whose first attempt to connect is followed at once by another run's start."""

    start: Callable[[], None] | None = None

    def connect(self, address):
        try:
            super().connect(address)
        finally:
            if (start := Sneaking.start) is not None:
                Sneaking.start = None
                start()


def test_a_run_that_starts_while_another_sweeps_keeps_its_socket(runtime, monkeypatch):
    path = make_folder() / "night.sock"
    with socket.socket(socket.AF_UNIX) as old:
        old.bind(str(path))
    with socket.socket(socket.AF_UNIX) as started, socket.socket(socket.AF_UNIX) as caller:

        def start() -> None:
            started.bind(str(path.with_suffix(".new")))
            started.listen()
            path.with_suffix(".new").rename(path)

        monkeypatch.setattr(Sneaking, "start", start)
        monkeypatch.setattr(socket, "socket", Sneaking)
        sweep()
        assert list(path.parent.iterdir()) == [path]
        caller.connect(str(path))


async def test_a_door_has_its_name_only_once_it_listens(runtime, monkeypatch):
    names = []
    listen = asyncio.start_unix_server

    async def listening(*given, **more):
        names.extend(p.name for p in runtime.iterdir())
        return await listen(*given, **more)

    monkeypatch.setattr(asyncio, "start_unix_server", listening)
    async with opened(runtime) as (_, door):
        assert list(runtime.iterdir()) == [door.path]
    assert len(names) == 1
    assert not names[0].endswith(SUFFIX)


async def test_the_door_comes_back_when_a_logout_took_its_folder_away(runtime, monkeypatch):
    monkeypatch.setattr(server, "LOOKS_AFTER", 0.05)
    run = runtime / "night-1"
    folder = make_folder()
    rig = Rig()
    door = Door(folder / socket_name(run), rig.desk, synced=rig.synced, look=rig.look)
    async with asyncio.TaskGroup() as group, door:
        staying = group.create_task(door.stay(SystemClock()))
        shutil.rmtree(folder)
        await until(lambda: find_socket(run) is not None)
        told = await say(door, b'{"ask": "look"}', answers=1)
        staying.cancel()
    assert told[0]["state"] == "cycling"


def test_a_folder_of_somebody_else_is_refused(runtime):
    if os.getuid() != 0:
        pytest.skip("only root can give a folder away")
    (runtime / "nightrig").mkdir()
    os.chown(runtime / "nightrig", 12345, 12345)
    with pytest.raises(InputError, match="not a folder of yours"):
        make_folder()


def foreign(folder: Path) -> None:
    os.chown(folder, 12345, 12345)


def a_link(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))
    folder.symlink_to(folder.with_name("elsewhere"))


@pytest.mark.parametrize(
    "change",
    [foreign, a_link, lambda folder: folder.chmod(0o755), lambda folder: folder.chmod(0o770)],
    ids=["somebody else's", "a link", "others may look", "a group may write"],
)
def test_no_run_is_looked_for_in_a_folder_that_is_not_ones_own_alone(runtime, change, caplog):
    if change is foreign and os.getuid() != 0:
        pytest.skip("only root can give a folder away")
    run = runtime / "night-1"
    folder = make_folder()
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(folder / socket_name(run)))
        assert find_socket(run) == folder / socket_name(run)
        assert folder / socket_name(run) in all_sockets()
        change(folder)
        assert find_socket(run) is None
        assert folder / socket_name(run) not in all_sockets()
        sweep()
        assert (folder / socket_name(run)).is_socket()
    told = [record.getMessage() for record in caplog.records if str(folder) in record.getMessage()]
    assert told == [f"{folder}: is not a folder of yours alone; no run is looked for in it"]


LISTENING_NOBODY = """
import os, socket, sys
os.setgid(65534); os.setuid(65534)
door = socket.socket(socket.AF_UNIX)
door.bind(sys.argv[1])
door.listen()
print("listens", flush=True)
visitor, _ = door.accept()
heard = b""
try:
    visitor.sendall(b'{"answer": "acted"}\\n')
    heard = visitor.recv(1000)
except ConnectionError:
    pass
print(heard, flush=True)
"""


async def test_an_answer_of_another_user_is_not_believed_and_nothing_is_asked(runtime, caplog):
    if os.getuid() != 0:
        pytest.skip("only root can become another user")
    runtime.chmod(0o777)
    path = runtime / "door.sock"
    child = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-c", LISTENING_NOBODY, str(path)), stdout=asyncio.subprocess.PIPE
    )
    assert child.stdout is not None
    assert await child.stdout.readline() == b"listens\n"
    assert look_at(path) is None
    out, _ = await child.communicate()
    assert out == b"b''\n"
    assert [record.getMessage() for record in caplog.records] == [
        f"{path}: another user answers there; nothing was asked"
    ]


def test_a_folder_whose_path_is_too_long_for_a_socket_is_passed_over(runtime, monkeypatch):
    deep = runtime / ("d" * 90)
    deep.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(deep))
    folder = make_folder()
    assert deep not in folder.parents
    with socket.socket(socket.AF_UNIX) as bound:
        path = folder / socket_name(runtime / "a run that nobody has")
        path.unlink(missing_ok=True)
        bound.bind(str(path))
        path.unlink()


@pytest.mark.parametrize("key", WORDS)
def test_what_is_said_beyond_the_longest_words_is_never_looked_at(key):
    said = {"ask": "note", "who": "A. Name", key: "A" + " " * (WORDS[key] - 1) + "late"}
    request = read_request(json.dumps(said).encode())
    assert request is not None
    assert getattr(request, key) == "A"


def test_of_long_items_only_the_beginning_is_looked_at():
    said = {"ask": "confirm", "who": "A. Name", "items": ["on" + " " * 1000 + "late"] * 7}
    request = read_request(json.dumps(said).encode())
    assert request is not None
    assert request.items == ("on",) * 7


def test_a_confirmation_of_the_longest_checklist_fits_in_a_line():
    plan = load("overnight-wet-prism", None)
    actuator = replace(plan.rig.actuator, limits="software only")
    channels = tuple(c for c in plan.rig.channels if c.name != "load_2")
    rig = replace(plan.rig, actuator=actuator, channels=channels, warning=None)
    bare = replace(plan, rig=rig)
    items = checklist(bare)
    assert len([item for item in items if item.startswith("accepted: ")]) == 3
    said = {"ask": "confirm", "who": "N" * 100, "items": items, "on_call": "B. Name, +00 12"}
    sent = write_request(said)
    assert len(sent) <= LONGEST_LINE
    request = read_request(sent)
    assert request is not None
    assert request.items == items
    assert missing(bare, request) == ""


@pytest.mark.nights
@given(st.fixed_dictionaries({key: st.text(max_size=30) for key in WORDS}))
def test_a_request_is_read_as_it_was_written_however_long_its_words(words):
    said = {key: (word or "\U0001f30a") * 2000 for key, word in words.items()}
    sent = write_request({"ask": "stop", **said})
    assert len(sent) <= LONGEST_LINE
    kept = {}
    for key, word in said.items():
        text, most = clean(word), WORDS[key]
        kept[key] = text if len(text) <= most else f"{text[: most - 1]}…"
    if kept["who"]:
        assert read_request(sent) == Request("stop", **kept)


@given(st.binary(max_size=300) | st.text(max_size=100).map(lambda t: json.dumps(t).encode()))
def test_any_line_is_a_request_or_not_understood(data):
    with contextlib.suppress(NotUnderstood):
        request = read_request(data)
        assert request is None or request.verb in VERBS


@given(st.text(max_size=200))
def test_a_cleaned_text_can_be_printed_on_one_line_and_written_as_utf_8(text):
    found = clean(text)
    assert found.isprintable()
    assert found == found.strip()
    found.encode("utf-8")
