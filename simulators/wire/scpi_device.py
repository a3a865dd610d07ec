"""A device that obeys text lines: what it does with a message, and when it answers."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from typing import Final

from simulators.wire.scpi import Fault, Unit, units
from simulators.wire.scpi_status import Status
from simulators.wire.scpi_tree import Command, Path, Tree, arguments

LINE_MOST: Final = 1024
"""Bytes of the longest message; a longer one is thrown away whole."""


class Session:
    """The commands of one device and what it remembers of its errors; knows no line, no time."""

    def __init__(
        self, identity: str, commands: Iterable[Command], reset: Callable[[], None]
    ) -> None:
        self.status = Status()
        self._tree = Tree([*self.status.commands(identity, reset), *commands])

    def obey(self, line: str) -> str:
        """Obey a message without its line end; return the answers to its queries, "" for none.

        A unit that cannot be read ends the commands of its message: what follows may have been
        meant to build on it. Queries that begin at the root are still answered, so that the
        error can be asked for in the same message. A command that can be read but not obeyed
        ends nothing.
        """
        answers: list[str] = []
        path: Path = ()
        broken = False
        for unit in units(line):
            try:
                if isinstance(unit, Fault):
                    raise unit
                if broken and not _asks_from_root(unit):
                    continue
                command, path = self._tree.find(unit, path)
                answer = command.act(*arguments(command, unit.data))
            except Fault as fault:
                self.status.note(fault)
                broken = broken or fault.of_command
            else:
                if answer is not None:
                    answers.append(answer)
        return ";".join(answers)


class TextDevice:
    """A `Session` at the end of a line: obeys each message `turn_round` [s] after its end."""

    def __init__(self, session: Session, send: Callable[[bytes], None], turn_round: float) -> None:
        self.session = session
        self._send = send
        self._turn_round = turn_round
        self._loop = asyncio.get_running_loop()
        self._line = bytearray()
        self._overrun = False
        self._waiting: deque[str | None] = deque()

    def take(self, data: bytes) -> None:
        """Take bytes that have come from the host."""
        *ended, rest = data.split(b"\n")
        for part in ended:
            self._add(part)
            self._waiting.append(None if self._overrun else self._line.decode("latin-1"))
            self._line.clear()
            self._overrun = False
            self._loop.call_later(self._turn_round, self._obey_next)
        self._add(rest)

    async def run(self) -> None:
        """Do nothing by itself: it answers."""

    def _add(self, part: bytes) -> None:
        self._line += part
        if len(self._line) > LINE_MOST:
            self._line.clear()
            self._overrun = True

    def _obey_next(self) -> None:
        line = self._waiting.popleft()
        if line is None:
            self.session.status.note(Fault(-363, f"a message has at most {LINE_MOST} bytes"))
            return
        answer = self.session.obey(line)
        if answer:
            self._send(answer.encode("ascii") + b"\n")


def _asks_from_root(unit: Unit) -> bool:
    return unit.query and (unit.rooted or unit.common)
