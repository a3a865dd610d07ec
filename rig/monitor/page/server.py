"""The server of the page: two addresses that can be read, and nothing that can be changed."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import gzip
import os
import socket
from collections.abc import AsyncIterator, Callable
from http import HTTPStatus
from typing import Any, Final

from rig.clock import Clock
from rig.errors import InputError
from rig.monitor.page.document import as_json, document, numbers, policy
from rig.monitor.page.door import Address, Door
from rig.monitor.page.http import (
    METHODS,
    MOST_HEAD,
    Answer,
    Refused,
    Request,
    read_request,
    refusal,
    written,
)
from rig.monitor.page.shown import shown
from rig.monitor.view import View

MOST: Final = 64
"""Connections at once; for one more the oldest is dropped: whoever asks at once is long gone."""
ASKS_WITHIN: Final = 5.0
"""Seconds within which a request must have come."""
READS_WITHIN: Final = 10.0
"""Seconds within which an answer must have been taken."""
WRONG_WAITS: Final = 1.0
"""Seconds that an answer to a wrong token takes."""
MOST_WRONG: Final = 8
"""Wrong tokens that wait at once; more are refused unheard."""
_REST: Final = 65536
"""Bytes behind a refused request that are still taken, so that its refusal can be read."""


class Server:
    """Serves the newest view of a run to whoever the door lets in.

    `view` returns the newest view at once. `door` counts wrong tokens, `dropped` connections that
    had to make room.
    """

    def __init__(self, view: Callable[[], View], door: Door, clock: Clock) -> None:
        self._view, self.door, self._clock = view, door, clock
        self._open: dict[asyncio.StreamWriter, None] = {}
        self._tasks: set[asyncio.Task[Any]] = set()
        self._waiting_wrong = 0
        self._made: tuple[View | None, bytes, bytes] = (None, b"", b"")
        self.dropped = 0

    @property
    def connections(self) -> int:
        """Return how many connections are open."""
        return len(self._open)

    async def connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one connection, and close it; whatever it sends, nothing else happens."""
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        while len(self._open) >= MOST:
            self.dropped += 1
            oldest = next(iter(self._open))
            del self._open[oldest]
            oldest.transport.abort()
        self._open[writer] = None
        # So that a drain lasts until all was taken, however slowly a phone takes it.
        writer.transport.set_write_buffer_limits(0)
        try:
            # Cancelled it is by `end` alone; asyncio would tell of that as of an error.
            with contextlib.suppress(OSError, TimeoutError, asyncio.CancelledError):
                await self._served(reader, writer)
        finally:
            self._open.pop(writer, None)
            if writer.transport.get_write_buffer_size():
                writer.transport.abort()  # it was not taken in time
            else:
                writer.close()

    async def end(self) -> None:
        """Drop every connection that is still open, and wait until that is done."""
        tasks = list(self._tasks)
        for writer in self._open:
            writer.transport.abort()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _served(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = None
        try:
            async with asyncio.timeout(ASKS_WITHIN):
                request = await read_request(reader)
            if request is None:
                return
            answer = await self._answer(request)
        except TimeoutError:
            answer = refusal(HTTPStatus.REQUEST_TIMEOUT)
        except Refused as error:
            answer = refusal(error.status)
        head_only = request is not None and request.method == "HEAD"
        async with asyncio.timeout(READS_WITHIN):
            writer.write(written(answer, self._clock.utc(), head_only=head_only))
            await writer.drain()
            if answer.status is not HTTPStatus.OK:
                # What was sent and not read would reset the connection under the refusal.
                writer.write_eof()
                await reader.read(_REST)

    async def _answer(self, request: Request) -> Answer:
        if not self.door.answers_to(request.fields["host"]):
            return refusal(HTTPStatus.MISDIRECTED_REQUEST)
        if request.target not in ("/", "/state.json"):
            return refusal(HTTPStatus.NOT_FOUND)
        if request.method not in METHODS:
            return refusal(HTTPStatus.METHOD_NOT_ALLOWED, Allow=", ".join(METHODS))
        given = request.fields.get("authorization", "")
        before = self.door.wrong
        opens = self.door.opens(given)
        if self.door.wrong > before and (refused := await self._slowed()):
            return refused
        if request.target == "/":
            page = shown(self._view()) if opens else None
            fields = {"Content-Security-Policy": policy()}
            return Answer(HTTPStatus.OK, document(page), "text/html; charset=utf-8", fields)
        if not opens:
            return refusal(HTTPStatus.UNAUTHORIZED, WWW_Authenticate='Bearer realm="nightrig"')
        return self._numbers("gzip" in request.fields.get("accept-encoding", ""))

    async def _slowed(self) -> Answer | None:
        """Let a wrong token wait; return the refusal of one too many."""
        if self._waiting_wrong >= MOST_WRONG:
            return refusal(HTTPStatus.TOO_MANY_REQUESTS)
        self._waiting_wrong += 1
        try:
            await self._clock.sleep(WRONG_WAITS)
        finally:
            self._waiting_wrong -= 1
        return None

    def _numbers(self, packed: bool) -> Answer:
        """Return the numbers, made once for all who ask between two looks."""
        view = self._view()
        if self._made[0] is not view:
            body = as_json(numbers(view))
            self._made = (view, body, gzip.compress(body, 1))
        fields = {"Vary": "Accept-Encoding", **({"Content-Encoding": "gzip"} if packed else {})}
        body = self._made[2] if packed else self._made[1]
        return Answer(HTTPStatus.OK, body, "application/json", fields)


@contextlib.asynccontextmanager
async def serving(server: Server, at: Address) -> AsyncIterator[int]:
    """Serve at an address as long as the context lasts; it is given the port.

    Raises InputError where the address is taken, or none of this computer.
    """
    try:
        listening = await asyncio.start_server(
            server.connected, at.host, at.port, limit=MOST_HEAD, backlog=4 * MOST
        )
    except OSError as error:
        # What the event loop says names the address once more.
        known = error.errno is not None and not isinstance(error, socket.gaierror)
        said = os.strerror(error.errno or 0) if known else error.strerror or str(error)
        # Only where the port is taken would another one do.
        taken = error.errno == errno.EADDRINUSE
        other = at.with_port(at.port % 65535 + 1) if taken else "127.0.0.1"
        raise InputError(
            f"the page cannot be served at {at.host} port {at.port}: {said.lower()}; give another "
            f"with --page-address, such as {other}"
        ) from error
    try:
        yield int(listening.sockets[0].getsockname()[1])
    finally:
        listening.close()
        await server.end()
        await listening.wait_closed()
