"""What the recorder process has not acknowledged yet, in bounded memory."""

from __future__ import annotations

from collections import deque
from typing import Final

OVERHEAD: Final = 200
"""What keeping one message costs beside its bytes: objects and places in two queues [B]."""


class Backlog:
    """Numbered messages in the order in which they were recorded, until they are durable."""

    def __init__(self) -> None:
        self.last = 0
        self.durable = 0
        self.size = 0
        self._kept: deque[tuple[int, bytes]] = deque()
        self._unsent: deque[tuple[int, bytes]] = deque()

    def add(self, message: bytes) -> None:
        """Keep the message of the next number."""
        self.last += 1
        entry = (self.last, message)
        self._kept.append(entry)
        self._unsent.append(entry)
        self.size += len(message) + OVERHEAD

    def next_unsent(self) -> bytes | None:
        """Return the next message to send, or None."""
        return self._unsent.popleft()[1] if self._unsent else None

    def acknowledge(self, number: int) -> None:
        """Let go of everything up to a number: it is on the disk."""
        self.durable = max(self.durable, number)
        while self._kept and self._kept[0][0] <= number:
            self.size -= len(self._kept.popleft()[1]) + OVERHEAD

    def send_again(self) -> None:
        """Have everything that is not durable sent once more, to another process."""
        self._unsent = deque(self._kept)
