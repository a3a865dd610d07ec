"""Bytes into lines of text: split where they may be, ended as they may be, garbled or not.

Knows no time but what it is told, and no port.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

LONGEST: Final = 1024
"""Bytes of a line; what goes on longer is none."""

_END: Final = re.compile(rb"[\r\n]")
_PRINTABLE: Final = re.compile(rb"[\t\x20-\x7e]*")


@dataclass(frozen=True, slots=True)
class Heard:
    """A line that came: its text, None where it holds bytes that are none of a text.

    `begun` and `ended` are when its first and its last byte came [s of the clock].
    """

    text: str | None
    begun: float
    ended: float


class LineSplitter:
    """Bytes in, lines out. CR, LF and both together end a line; empty lines are none.

    Fed in one thread; `partial`, `begun`, `last` and `cut` may be looked at from another.
    """

    def __init__(self) -> None:
        self.partial = False  # whether a line has begun and not ended
        self.begun = 0.0  # when it began [s]
        self.last = float("-inf")  # when the last byte came [s]
        self.cut = 0  # lines that were given up before their end
        self._held = bytearray()
        self._skipping = False  # the rest of a line that was too long

    def feed(self, data: bytes, when: float, asked: float = float("-inf")) -> list[Heard]:
        """Return the lines that end in bytes that came at `when` [s].

        What began before a question was `asked` [s] and has not ended since is no answer to it,
        and is given up.
        """
        if self.partial and self.begun < asked:
            self.give_up()
        self.last = when
        found = []
        *ended, rest = _END.split(data)
        for part in ended:
            line = self._ended(part, when)
            if line is not None:
                found.append(line)
        self._hold(rest, when)
        return found

    def give_up(self) -> None:
        """Take no notice of what has come of a line that has not ended."""
        self.cut += self.partial
        self._clear()

    def _ended(self, part: bytes, when: float) -> Heard | None:
        self._hold(part, when)
        line, begun, too_long = bytes(self._held), self.begun, self._skipping
        self._clear()
        if not line and not too_long:
            return None
        good = not too_long and _PRINTABLE.fullmatch(line)
        return Heard(line.decode("ascii").strip() if good else None, begun, when)

    def _hold(self, part: bytes, when: float) -> None:
        if not part:
            return
        if not self.partial:
            self.partial, self.begun = True, when
        if not self._skipping:
            self._held += part
        if len(self._held) > LONGEST:
            self._skipping = True
            self._held.clear()

    def _clear(self) -> None:
        self._held.clear()
        self.partial = self._skipping = False
