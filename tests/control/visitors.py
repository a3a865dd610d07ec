"""A door with somebody behind it, and visitors of it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from rig.control.desk import Desk, Request
from rig.control.server import Door
from rig.errors import StorageError


def a_runtime(monkeypatch):
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
