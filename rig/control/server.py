"""The door of a live run: requests of people in its own user's name, one JSON object a line.

Whoever sends nonsense is told so in one line; whoever is slow, silent or gone holds nothing up.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import select
import socket
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Any, Final

from rig.clock import Clock
from rig.control.address import is_trusted, make_folder
from rig.control.desk import Answer, Desk
from rig.control.request_line import LONGEST_LINE, NotUnderstood, clean, read_request
from rig.errors import InputError, StorageError

MOST_CONNECTIONS: Final = 64
AT_ONCE: Final = 4
"""Requests heard in one turn of the loop, over all connections, so that no storm holds the test up.

No more connections are taken in a turn than requests heard: whoever has sent its line when it
comes is heard before as many others have come as would send it away."""
QUEUE: Final = 1024  # connections that wait to be taken; the system may allow fewer
IDLE: Final = 30.0  # [s] a connection may stay silent
READS: Final = 5.0  # [s] a client may take to read an answer
ACTS: Final = 180.0  # [s] to the first answer: somebody may have to walk to the rig's button
RECORDS: Final = 15.0  # [s] to the second
LOOKS_AFTER: Final = 5.0  # [s] between two looks whether the socket is still there


class Waits(IntEnum):
    """What a connection waits for, in the order in which connections make room for others."""

    NOTHING = 0  # has asked for nothing yet
    MORE = 1  # has been answered and may go on to ask
    RECORD = 2  # has its first answer
    ANSWER = 3
    STOP = 4  # asked for a stop that is not yet answered: makes no room


_SENT_AWAY: Final = {
    Waits.RECORD: ("not recorded", "too many connections to wait for the disk; see the record"),
    Waits.ANSWER: ("refused", "too many connections; it may still be done: look at the state"),
}


@dataclass(slots=True)
class _Visit:
    """One connection, the task that serves it and what it waits for."""

    writer: asyncio.StreamWriter
    task: asyncio.Task[Any]
    waits: Waits

    def worth(self) -> int:
        """Return what would be lost by closing it; nothing where nobody hears the answer."""
        # Whoever waits for no answer may have left a line behind that is not read yet.
        return -1 if self.waits >= Waits.RECORD and _hung_up(self.writer) else self.waits

    def send_away(self) -> None:
        """Tell it to come again and end its task."""
        answer, text = _SENT_AWAY.get(self.waits, ("refused", "too many connections; ask again"))
        self.writer.write(_line({"answer": answer, "text": text, "state": ""}))
        self.task.cancel()


class Door:
    """Serves a desk on a Unix socket until it is closed; an asynchronous context manager.

    A request that was acted on is answered twice, "acted" and then "recorded" or "not recorded";
    one that was refused once. Where all connections are taken, a new one gets the place of the one
    that would lose least, and of those the one that has waited longest: a storm or a frozen disk
    keeps nobody from asking for a stop.

    `synced` returns once all that was recorded is on the disk and raises StorageError where it
    cannot be; `look` describes the run.
    """

    def __init__(
        self,
        path: Path,
        desk: Desk,
        *,
        synced: Callable[[], Awaitable[object]],
        look: Callable[[], Mapping[str, object]],
    ) -> None:
        self.path = path
        self._desk = desk
        self._synced = synced
        self._look = look
        self._server: asyncio.Server | None = None
        self._heard = asyncio.Semaphore(AT_ONCE)
        # The one whose wait began first comes first.
        self._visits: dict[asyncio.Task[Any], _Visit] = {}

    async def __aenter__(self) -> Door:
        await self._open()
        return self

    async def __aexit__(self, *_why: object) -> None:
        await self.close()

    async def _open(self) -> None:
        # Until it listens it has another name: it would look as if a killed run had left it.
        # Whoever opens the door holds the lock of the run: an older socket is left over.
        unheard = self.path.with_suffix(".new")
        unheard.unlink(missing_ok=True)
        bound = socket.socket(socket.AF_UNIX)
        try:
            before = os.umask(0o177)
            try:
                bound.bind(str(unheard))
            finally:
                os.umask(before)
            self._server = await asyncio.start_unix_server(
                self._serve, sock=bound, limit=LONGEST_LINE, backlog=AT_ONCE
            )
            bound.listen(QUEUE)
            unheard.rename(self.path)
        except OSError:
            bound.close()
            raise

    async def stay(self, clock: Clock) -> None:
        """Put the socket back whenever its folder was taken away, as a logout does; for ever."""
        while True:
            await clock.sleep(LOOKS_AFTER)
            if not self.path.is_socket():
                # Where it fails the next look tries again; the test goes on in any case.
                with contextlib.suppress(OSError, InputError):
                    self.path = make_folder() / self.path.name
                    if self._server is not None:
                        self._server.close()
                    await self._open()

    async def close(self) -> None:
        """Serve no more: what is being answered is answered, for a moment, then cut off."""
        if self._server is not None:
            self._server.close()
        self.path.unlink(missing_ok=True)
        if self._visits:
            await asyncio.wait(self._visits, timeout=1.0)
        for task in self._visits:
            task.cancel()
        await asyncio.gather(*self._visits, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None:
            return
        refusal = self._refusal(writer)
        visit = _Visit(writer, task, Waits.ANSWER if refusal else Waits.NOTHING)
        self._visits[task] = visit
        try:
            if refusal:
                await _say(writer, _refused(refusal))
            else:
                await self._answer_lines(reader, visit)
        except (OSError, TimeoutError):
            # Gone or too slow; what was asked stays asked.
            writer.transport.abort()
        except asyncio.CancelledError:
            # Sent away or closed, and at its end in any case: left cancelled, it would be written
            # down by the streams with a traceback for every connection.
            # Whoever does not read would keep the socket for ever.
            if writer.transport.get_write_buffer_size():
                writer.transport.abort()
        finally:
            self._visits.pop(task, None)
            writer.close()

    def _refusal(self, writer: asyncio.StreamWriter) -> str:
        """Return why a new connection is refused, "" once there is room for it."""
        if not is_trusted(writer.get_extra_info("socket")):
            return "this run belongs to another user"
        while len(self._visits) >= MOST_CONNECTIONS:
            least = min(self._visits.values(), key=_Visit.worth)
            if least.worth() == Waits.STOP:
                return "too many connections wait for a stop; it has been asked for"
            del self._visits[least.task]
            least.send_away()
        return ""

    def _now_waits(self, visit: _Visit, waits: Waits) -> None:
        visit.waits = waits
        # One that was just sent away is not taken in again.
        if self._visits.pop(visit.task, None) is not None:
            self._visits[visit.task] = visit

    async def _answer_lines(self, reader: asyncio.StreamReader, visit: _Visit) -> None:
        writer = visit.writer
        while True:
            try:
                async with asyncio.timeout(IDLE):
                    line = await reader.readuntil(b"\n")
            except asyncio.IncompleteReadError:
                return
            except asyncio.LimitOverrunError:
                await _say(writer, _refused(f"a line has at most {LONGEST_LINE} bytes"))
                return
            self._now_waits(visit, Waits.ANSWER)
            await self._answer(line, visit)
            self._now_waits(visit, Waits.MORE)

    async def _answer(self, line: bytes, visit: _Visit) -> None:
        writer = visit.writer
        async with self._heard:
            acted = self._hear(line, visit)
            # Neither reading nor answering gives way while there are lines and room.
            await asyncio.sleep(0)
        if not isinstance(acted, asyncio.Future):
            await _say(writer, acted)
            return
        try:
            async with asyncio.timeout(ACTS):
                answer = await asyncio.shield(acted)
        except TimeoutError:
            self._now_waits(visit, Waits.ANSWER)
            await _say(writer, _refused(f"no answer within {ACTS:g} s; look at the state"))
            return
        self._now_waits(visit, Waits.RECORD if answer.done else Waits.ANSWER)
        word = "acted" if answer.done else "refused"
        await _say(writer, {"answer": word, "text": answer.text, "state": answer.state})
        if answer.done:
            await _say(writer, await self._recorded())

    def _hear(self, line: bytes, visit: _Visit) -> asyncio.Future[Answer] | Mapping[str, object]:
        """Return the answer of a line, or of one for the desk the future that has it."""
        try:
            request = read_request(line)
        except NotUnderstood as error:
            return _refused(str(error))
        if request is None:
            return self._look()
        if request.verb == "stop":
            self._now_waits(visit, Waits.STOP)
        return self._desk.ask(request)

    async def _recorded(self) -> dict[str, object]:
        try:
            async with asyncio.timeout(RECORDS):
                await self._synced()
        except StorageError as error:
            return {"answer": "not recorded", "text": clean(str(error))}
        except TimeoutError:
            text = f"kept in memory, the disk has not taken it in {RECORDS:g} s"
            return {"answer": "not recorded", "text": text}
        return {"answer": "recorded"}


def _refused(text: str) -> dict[str, object]:
    return {"answer": "refused", "text": text, "state": ""}


def _line(message: Mapping[str, object]) -> bytes:
    return json.dumps(message).encode() + b"\n"


async def _say(writer: asyncio.StreamWriter, message: Mapping[str, object]) -> None:
    writer.write(_line(message))
    async with asyncio.timeout(READS):
        await writer.drain()


def _hung_up(writer: asyncio.StreamWriter) -> bool:
    """Tell whether the peer is gone; one that only sends no more still hears its answers."""
    number = writer.get_extra_info("socket").fileno()
    if number < 0:
        return True
    poll = select.poll()
    poll.register(number, 0)
    return bool(poll.poll(0))
