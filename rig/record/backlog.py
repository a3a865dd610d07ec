"""What the recorder process has not acknowledged yet, in bounded memory."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

from rig.record.wire import pack

OVERHEAD: Final = 200
"""What keeping one message costs beside its bytes: objects and places in two queues [B]."""


@dataclass(slots=True)
class _Entry:
    number: int
    message: bytes


class Backlog:
    """Numbered messages in the order in which they were recorded, until they are durable."""

    def __init__(self) -> None:
        self.last = 0
        self.durable = 0
        self.size = 0
        self._kept: deque[_Entry] = deque()
        self._unsent: deque[_Entry] = deque()
        self._newest: _Entry | None = None

    def add(self, message: bytes, *, replaces: bool = False) -> None:
        """Keep the message of the next number.

        One that `replaces` makes the last such one worthless: only its number is kept.
        """
        self.last += 1
        entry = _Entry(self.last, message)
        if replaces:
            if self._newest is not None and self._newest.number > self.durable:
                self._empty(self._newest)
            self._newest = entry
        self._kept.append(entry)
        self._unsent.append(entry)
        self.size += len(message) + OVERHEAD

    def _empty(self, entry: _Entry) -> None:
        nothing = pack((entry.number, "nothing", ()))
        self.size -= len(entry.message) - len(nothing)
        entry.message = nothing

    def next_unsent(self) -> bytes | None:
        """Return the next message to send, or None."""
        return self._unsent.popleft().message if self._unsent else None

    def acknowledge(self, number: int) -> None:
        """Let go of everything up to a number: it is on the disk."""
        self.durable = max(self.durable, number)
        while self._kept and self._kept[0].number <= number:
            self.size -= len(self._kept.popleft().message) + OVERHEAD

    def send_again(self) -> None:
        """Have everything that is not durable sent once more, to another process."""
        self._unsent = deque(self._kept)
