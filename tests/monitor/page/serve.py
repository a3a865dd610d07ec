"""A page's server in a thread of the test, and a client that speaks to it byte by byte."""

import asyncio
import contextlib
import http.client
import io
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from rig.clock import SystemClock
from rig.monitor.page.door import Address, Door
from rig.monitor.page.server import Server, serving
from rig.monitor.secrets import Hidden
from rig.monitor.view import View

HERE = Address("127.0.0.1", 0)
WITHIN = 10.0
"""How long [s] a client waits for anything."""


@dataclass
class Hasty:
    """Real time, but who has to wait has waited at once; what was waited for is kept."""

    waited: list[float]

    def now(self) -> float:
        return SystemClock().now()

    def utc(self):
        return SystemClock().utc()

    async def sleep(self, seconds: float) -> None:
        self.waited.append(seconds)


@contextlib.contextmanager
def served(
    view: Callable[[], View], token: str | None = None, names: tuple[str, ...] = (), clock=None
) -> Iterator[tuple[int, Server]]:
    """Serve a page on loopback as long as the context lasts; it is given port and server."""
    door = Door(HERE, Hidden(token) if token else None, names)
    server = Server(view, door, clock or SystemClock())
    ready, begun = threading.Event(), []

    async def serve() -> None:
        over = asyncio.Event()
        async with serving(server, HERE) as port:
            begun.extend((port, asyncio.get_running_loop(), over))
            ready.set()
            await over.wait()

    thread = threading.Thread(target=asyncio.run, args=(serve(),), daemon=True)
    thread.start()
    assert ready.wait(WITHIN)
    port, loop, over = begun
    try:
        yield port, server
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(WITHIN)
        assert not thread.is_alive()


@dataclass(frozen=True)
class Heard:
    """An answer as the standard library's own client reads it."""

    status: int
    fields: http.client.HTTPMessage
    body: bytes


def connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), WITHIN)


def said(port: int, data: bytes, method: str = "GET") -> Heard | None:
    """Return what is answered to some bytes, None where the connection is closed without a word."""
    with connect(port) as to:
        with contextlib.suppress(ConnectionError):
            to.sendall(data)
        no_more(to)
        return heard(to, method)


def no_more(to: socket.socket) -> None:
    """Say that nothing more is sent; a server that has answered and hung up knows it already."""
    with contextlib.suppress(OSError):
        to.shutdown(socket.SHUT_WR)


def heard(to: socket.socket, method: str = "GET") -> Heard | None:
    """Return the answer that comes on a connection, None where it is closed without a word."""
    data = b""
    with contextlib.suppress(ConnectionError):
        while part := to.recv(65536):
            data += part
    if not data:
        return None
    answer = http.client.HTTPResponse(_Read(data), method=method)
    answer.begin()
    body = answer.read()
    assert not answer.fp or not answer.fp.read()
    return Heard(answer.status, answer.headers, body)


class _Read:
    """Bytes that were read, as a socket to `http.client`."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def makefile(self, _mode: str) -> io.BytesIO:
        return io.BytesIO(self._data)


def request(port: int, target: str = "/", method: str = "GET", **fields: str) -> Heard:
    """Return the answer to a request; `_` in the names of fields stands for `-`."""
    named = {"Host": f"127.0.0.1:{port}", **{n.replace("_", "-"): v for n, v in fields.items()}}
    lines = [f"{method} {target} HTTP/1.1", *(f"{name}: {value}" for name, value in named.items())]
    found = said(port, "\r\n".join([*lines, "", ""]).encode("latin-1"), method)
    assert found is not None
    return found
