"""The socket of a live run: its own user's alone, found where it belongs, gone with its run."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.clock import SystemClock
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
from rig.control.server import Door
from rig.errors import InputError
from tests.control.visitors import Rig, a_runtime, line, opened, say, until


@pytest.fixture
def runtime(monkeypatch):
    yield from a_runtime(monkeypatch)


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
