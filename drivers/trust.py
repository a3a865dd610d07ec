"""Whether what a Modbus device says next can only answer the question it is asked next.

A frame on a serial line says who answers, not what. A device whose answer did not come, or did
not fit, is in doubt: what it says next may belong to the question before. It is trusted again
when it has given back a number that it was sent since then (Return Query Data), because a device
answers in the order in which it was asked. One that refuses this function is trusted for its
refusals: each of them answers one such question, the oldest first.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from drivers.modbus import ECHO

FORGOTTEN: Final = 10.0
"""Age [s] from which a question for an echo is not answered any more."""
_REFUSED: Final = ECHO | 0x80


@dataclass(slots=True)
class Trust:
    """What is known of one device: whether it is trusted, and the echoes that it owes.

    `plugged` tells how often the line had been lost when it was trusted. `owed` holds the number
    of each echo and when it was asked for [s]; those from `since` on come behind the answer that
    was missing.
    """

    trusted: bool = False
    plugged: int = -1
    since: int = 0
    owed: deque[tuple[int, float]] = field(default_factory=deque)

    def doubt(self, next_number: int) -> None:
        """Trust it no more until an echo of `next_number`, or a later one, has come."""
        self.trusted = False
        self.since = next_number

    def ask(self, number: int, now: float) -> None:
        """Note that an echo has been asked for."""
        self.owed.append((number, now))

    def settle(self, pdu: bytes, now: float) -> int | None:
        """Return the number of the echo that a PDU is, or refuses, and owe it no more."""
        while self.owed and self.owed[0][1] < now - FORGOTTEN:
            self.owed.popleft()
        if len(pdu) == 2 and pdu[0] == _REFUSED and self.owed:
            return self.owed.popleft()[0]
        for number, _ in self.owed:
            if pdu == bytes([ECHO, 0, 0]) + (number & 0xFFFF).to_bytes(2, "big"):
                # What was asked before it will not be answered behind it.
                while self.owed.popleft()[0] != number:
                    pass
                return number
        return None

    def answered(self, plugged: int) -> None:
        """Trust it: it has answered the one question that was open."""
        self.trusted, self.plugged = True, plugged

    def echoed(self, number: int, plugged: int) -> None:
        """Trust it for an echo, unless that was asked for before the answer that is missing."""
        if number >= self.since:
            self.answered(plugged)
