"""A line in trouble: what passes between a device and its terminal meets a script's accidents."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from functools import partial
from typing import Final, Protocol

from rig.clock import Clock
from simulators.wire.troubles import (
    OnLine,
    Script,
    Silent,
    Trouble,
    Unit,
    Unplugged,
    became,
    concerns,
)

Put = Callable[[bytes], None]

_ENDS: Final[Mapping[Unit, bytes]] = {"frame": b"\0", "line": b"\n"}


class Port(Protocol):
    """A port that devices send through and hosts are heard on, as a `Terminal` is."""

    on_bytes: Put
    through: Callable[[bytes, Put], None] | None

    def unplug(self) -> None:
        """Take the port away."""

    def plug(self) -> None:
        """Bring it back."""


class TroubledLine:
    """One direction of a line. Called with what is sent and where it would go, it lets it pass.

    Nothing overtakes: what is late holds up what comes behind it. It needs a running event loop.
    """

    def __init__(self, line: OnLine, clock: Clock, port: Port | None = None) -> None:
        self.passed = 0  # messages that have come to an end here
        self._line = line
        self._clock = clock
        self._port = port
        self._deaf_until = float("-inf")
        self._due = float("-inf")
        self._waiting: deque[tuple[float, bytes, Put]] = deque()
        self._timer: asyncio.TimerHandle | None = None
        self._plug: asyncio.TimerHandle | None = None

    def __call__(self, data: bytes, put: Put) -> None:
        """Let what is sent meet what happens to it; `put` is called now, later, or never."""
        unit = self._line.unit
        ended, begun = _counted(data, unit)
        if not self._met(ended + begun):
            # Nothing happens to any of it, so it stays together.
            self._pass(data, ended, put)
            return
        for message, ends in _cut(data, unit):
            self._pass(message, ends, put)

    def close(self) -> None:
        """Lose what is under way."""
        for timer in (self._timer, self._plug):
            if timer is not None:
                timer.cancel()
        self._timer = self._plug = None
        self._waiting.clear()

    def _met(self, messages: int) -> list[Trouble]:
        """Return what happens to the next messages."""
        begin, end = self.passed, self.passed + messages
        return [t for t in self._line.troubles if concerns(t, begin, end)]

    def _pass(self, message: bytes, ends: int, put: Put) -> None:
        """Let a message pass, or a part of one, or several to which nothing happens."""
        met = self._met(max(ends, 1))
        self.passed += ends
        now = self._clock.now()
        for trouble in met:
            if isinstance(trouble, Silent | Unplugged):
                self._fall_silent(now, trouble)
        if now >= self._deaf_until:
            for pause, part in became(message, met):
                self._let_go(now, pause, part, put)

    def _fall_silent(self, now: float, trouble: Silent | Unplugged) -> None:
        self._deaf_until = max(self._deaf_until, now + trouble.by)
        if isinstance(trouble, Unplugged) and self._port is not None:
            self._waiting.clear()
            self._port.unplug()
            if self._plug is not None:
                self._plug.cancel()
            loop = asyncio.get_running_loop()
            self._plug = loop.call_later(self._deaf_until - now, self._port.plug)

    def _let_go(self, now: float, pause: float, part: bytes, put: Put) -> None:
        self._due = max(self._due, now) + pause
        if not part:
            return  # only time passes
        if self._due <= now and not self._waiting:
            put(part)
            return
        self._waiting.append((self._due, part, put))
        self._wait()

    def _wait(self) -> None:
        if self._waiting and self._timer is None:
            left = self._waiting[0][0] - self._clock.now()
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(max(0.0, left), self._deliver)

    def _deliver(self) -> None:
        self._timer = None
        while self._waiting and self._waiting[0][0] <= self._clock.now():
            _, part, put = self._waiting.popleft()
            put(part)
        self._wait()


def _counted(data: bytes, unit: Unit) -> tuple[int, bool]:
    """Return how many messages end in bytes, and whether one is begun behind them."""
    if unit == "byte":
        return len(data), False
    if unit == "send":
        return 1, False
    end = _ENDS[unit]
    return data.count(end), not data.endswith(end)


def _cut(data: bytes, unit: Unit) -> list[tuple[bytes, int]]:
    """Return messages, or parts of them, each with how many end in it: one or none."""
    if unit == "send":
        return [(data, 1)]
    if unit == "byte":
        return [(bytes((byte,)), 1) for byte in data]
    *whole, rest = data.split(_ENDS[unit])
    messages = [(part + _ENDS[unit], 1) for part in whole]
    return [*messages, (rest, 0)] if rest else messages


def disturb(script: Script, ports: Mapping[str, Port], clock: Clock) -> tuple[TroubledLine, ...]:
    """Let a script's accidents happen on the lines of an emulation that has its devices.

    What is returned is to be closed in the end.
    """
    lines = []
    for line in script.lines:
        port = ports[line.port]
        troubled = TroubledLine(line, clock, port)
        if line.way == "out":
            port.through = troubled
        else:
            port.on_bytes = partial(_hear, troubled, port.on_bytes)
        lines.append(troubled)
    return tuple(lines)


def _hear(troubled: TroubledLine, take: Put, data: bytes) -> None:
    troubled(data, take)
