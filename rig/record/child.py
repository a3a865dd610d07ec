"""One recorder process as the runner's event loop sees it: bytes in, messages out, its end."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final

from rig.errors import InputError, StorageError
from rig.record.wire import Message, Unpacker, pack

_REFUSALS: Final = {"InputError": InputError, "StorageError": StorageError}


class Child(asyncio.SubprocessProtocol):
    """A recorder process. Lives in one event loop.

    `ready` becomes the numbers of the last message and of the last counted cycle that its journal
    holds, or the error that kept it from beginning; `gone` becomes its exit code once it has been
    waited for. `heard` is given every later message, `writable` is called when `write` may be used
    again.
    """

    def __init__(self, heard: Callable[[Message], None], writable: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        self.ready: asyncio.Future[tuple[int, int]] = loop.create_future()
        self.gone: asyncio.Future[int] = loop.create_future()
        self.paused = False
        self.last_heard = loop.time()
        self.pid = 0
        self._heard = heard
        self._writable = writable
        self._unpacker = Unpacker()
        self._transport: Any = None
        self._input: Any = None

    @staticmethod
    async def start(
        command: Sequence[str],
        first: Message,
        heard: Callable[[Message], None],
        writable: Callable[[], None],
    ) -> Child:
        """Start a process and give it its first message. Raises StorageError."""
        loop = asyncio.get_running_loop()
        try:
            # A session of its own: no key at the runner's terminal reaches it.
            _, child = await loop.subprocess_exec(
                lambda: Child(heard, writable), *command, stderr=None, start_new_session=True
            )
        except OSError as error:
            raise StorageError(f"cannot start the recorder: {command[0]}: {error}") from error
        child.write(pack(first))
        return child

    def write(self, data: bytes) -> None:
        """Write a message; what the process does not take yet waits, and `paused` says so."""
        if self._input is not None:
            self._input.write(data)

    def end_input(self) -> None:
        """Tell the process that nothing follows: it commits what it has and ends."""
        if self._input is not None:
            self._input.close()
            self._input = None

    def kill(self) -> None:
        """Kill the process; `gone` tells when it is."""
        if not self.gone.done():
            with suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the ways to the process."""
        self._transport = transport
        self.pid = self._transport.get_pid()
        self._input = self._transport.get_pipe_transport(0)

    def pipe_data_received(self, _fd: int, data: Any) -> None:
        """Take what the process says."""
        self.last_heard = asyncio.get_running_loop().time()
        for message in self._unpacker.feed(data):
            match message:
                case ("ready", number, counted):
                    self.ready.set_result((number, counted))
                case ("refused", error, text):
                    self.ready.set_exception(_REFUSALS[error](text))
                case _:
                    self._heard(message)

    def pipe_connection_lost(self, fd: int, _error: Exception | None) -> None:
        """Stop writing to a process that does not read any more."""
        if fd == 0:
            self._input = None

    def pause_writing(self) -> None:
        """Hold messages back: the process does not keep up."""
        self.paused = True

    def resume_writing(self) -> None:
        """Go on writing."""
        self.paused = False
        self._writable()

    def connection_lost(self, _error: Exception | None) -> None:
        """Take the end of the process: all it said has been heard, and it has been waited for."""
        code = self._transport.get_returncode()
        self._transport.close()
        if not self.ready.done():
            self.ready.set_exception(StorageError(f"the recorder {ended(code)}"))
        self.gone.set_result(code)


def ended(code: int) -> str:
    """Return how a process ended, in words."""
    return f"was ended by signal {-code}" if code < 0 else f"ended with code {code}"
