"""What the recorder process has not acknowledged yet, in bounded memory."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from rig.record.wire import pack

OVERHEAD: Final = 100
"""What keeping one message costs beside its bytes: an object and its place in a list [B]."""
BLOCK: Final = 1000
"""Messages let go of, and looked at by the garbage collection, as one."""


@dataclass(slots=True)
class _Block:
    """Messages in a row, b"" where one is let go of, and what the others cost [B]."""

    messages: list[bytes] = field(default_factory=list)
    size: int = 0


class Backlog:
    """Numbered messages in the order in which they were recorded, until they are durable.

    A long freeze leaves hundreds of thousands of them, and the loop that holds them must not
    stand still for any of it: they are bytes in blocks, and `let_go` frees a block at a time.
    Everything up to the number `durable` is on the disk from the first.
    """

    def __init__(self, durable: int = 0) -> None:
        self.last = self.durable = durable
        self.size = 0
        self._sent = self._let_go = durable
        # Places of a block go by its numbers: those before the first are let go of already.
        self._blocks = {durable // BLOCK: _Block([b""] * (durable % BLOCK))}
        self._newest: dict[str, int] = {}

    def add(self, message: bytes, *, replaces: str = "") -> None:
        """Keep the message of the next number.

        One that `replaces` a kind makes the last one of that kind worthless: only its number is
        kept.
        """
        if replaces:
            self.empty(self._newest.get(replaces, 0))
            self._newest[replaces] = self.last + 1
        if self.last % BLOCK == 0:
            self._blocks[self.last // BLOCK] = _Block()
        block = self._blocks[self.last // BLOCK]
        block.messages.append(message)
        self.last += 1
        self._count(block, len(message) + OVERHEAD)

    def empty(self, number: int) -> None:
        """Make a message worthless that is not durable yet: only its number is kept."""
        if number > self.durable:
            self._replace(number, pack((number, "nothing", ())))

    def _replace(self, number: int, message: bytes) -> None:
        block = self._blocks[(number - 1) // BLOCK]
        place = (number - 1) % BLOCK
        self._count(block, len(message) - len(block.messages[place]))
        block.messages[place] = message

    def _count(self, block: _Block, size: int) -> None:
        block.size += size
        self.size += size

    def next_unsent(self) -> bytes | None:
        """Return the next message to send, or None."""
        if self._sent == self.last:
            return None
        place = self._sent
        self._sent += 1
        return self._blocks[place // BLOCK].messages[place % BLOCK]

    def acknowledge(self, number: int) -> None:
        """Take it that everything up to a number is on the disk; `let_go` frees it."""
        self.durable = max(self.durable, number)
        self._sent = max(self._sent, number)

    def let_go(self) -> bool:
        """Free messages that are durable, a block at the most; tell whether there are more."""
        if self._let_go < self.durable:
            key = self._let_go // BLOCK
            until = min((key + 1) * BLOCK, self.durable)
            if until % BLOCK == 0:
                self.size -= self._blocks.pop(key).size
            else:
                for number in range(self._let_go + 1, until + 1):
                    self._replace(number, b"")
                    self._count(self._blocks[key], -OVERHEAD)
            self._let_go = until
        return self._let_go < self.durable

    def send_again(self) -> None:
        """Have everything that is not durable sent once more, to another process."""
        self._sent = self.durable
