"""Numbers and times of sample frames: unwrapped, each number once, in order, holes seen.

The device counts frames and microseconds in 32 bits: the one wraps after 49.7 days at 1 kHz, the
other every 71.6 minutes. Plain numbers, no arrays: frames come one at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from drivers.frames import HEAD

FAR: Final = 10.0
"""A hole longer than this [s] is none: the device has begun anew."""
LATE: Final = 0.1
"""A frame that comes up to this [s] behind its place in the line is late, not of a new start."""
REMEMBERED: Final = 1.0
"""How far back [s] a frame is known when it comes a second time."""
AGREE: Final = 1.0
"""How far [s] a device's time may stray from its count of frames between two of them."""

_WRAP: Final = 1 << 32
_MASK: Final = _WRAP - 1
_HALF: Final = 1 << 31
_BACK: Final = -1
_ANEW: Final = -2


@dataclass(slots=True)
class Placed:
    """Frames in their places: the numbers [first, end), with the bodies of those that have come.

    `at` gives each body's place from `first`, `times` [s] the device's time of every number,
    interpolated where a frame is missing. With `anew` the device has begun anew: numbers and times
    have nothing to do with those before.
    """

    first: int
    anew: bool = False
    bodies: list[bytes] = field(default_factory=list)
    at: list[int] = field(default_factory=list)
    times: list[float] = field(default_factory=list)

    @property
    def end(self) -> int:
        """Number of the frame after the last one."""
        return self.first + len(self.times)

    @property
    def whole(self) -> bool:
        """Whether none is missing."""
        return len(self.bodies) == len(self.times)


class Numbering:
    """Gives every frame its number and time.

    `next` is the number that is expected, None before the first frame. `missing` counts frames
    that never came, `repeated` those that came again or too late.
    """

    def __init__(self, rate: float) -> None:
        self.next: int | None = None
        self.missing = 0
        self.repeated = 0
        self._period = 1 / rate
        self._far = max(round(FAR * rate), 1)
        self._late = max(round(LATE * rate), 1)
        self._micros = 0  # unwrapped device time of the last frame [us]
        # What came under the last numbers: a frame that comes twice is known by it.
        self._known: list[tuple[int, bytes]] = [(-1, b"")] * max(round(REMEMBERED * rate), 1)

    @property
    def time(self) -> float:
        """Device time of the last frame [s], unwrapped."""
        return self._micros * 1e-6

    def forget(self) -> None:
        """Take the next frame for the first one."""
        self.next = None
        self._known = [(-1, b"")] * len(self._known)

    def ahead(self, sequence: int) -> int:
        """Return by how many frames a number on the line is ahead of the expected one."""
        if self.next is None:
            return 0
        return _signed(sequence - self.next)

    def place(self, bodies: Sequence[bytes]) -> list[Placed]:
        """Return the frames of a batch in their places; several where the device began anew."""
        placed: list[Placed] = []
        if len(bodies) == 1 and self._straight(bodies[0]):
            # Nearly always: a thousand times a second.
            end = self.next or 0
            return [Placed(end - 1, False, list(bodies), [0], [self._micros * 1e-6])]
        for body in bodies:
            _, sequence, micros = HEAD.unpack_from(body)
            hole = self._step(sequence, micros, body)
            if hole == _BACK:
                self.repeated += 1
                continue
            if hole == _ANEW:
                self.forget()
            if self.next is None:
                self.next, self._micros = sequence, micros
                placed.append(Placed(sequence, anew=hole == _ANEW))
                hole = 0
                gone = 0
            else:
                gone = _signed(micros - self._micros)
            if not placed:
                placed.append(Placed(self.next))
            self._add(placed[-1], body, hole, gone)
        return placed

    def _straight(self, body: bytes) -> bool:
        """Take a frame that goes on just where the last one ended; tell whether it does."""
        _, sequence, micros = HEAD.unpack_from(body)
        number = self.next
        if number is None or sequence != number & _MASK:
            return False
        gone = _signed(micros - self._micros)
        if not -AGREE < gone * 1e-6 - self._period < AGREE:
            return False
        self._micros += gone
        self._known[number % len(self._known)] = (number, body)
        self.next = number + 1
        return True

    def _step(self, sequence: int, micros: int, body: bytes) -> int:
        """Return how many frames are missing before this one, or what else it is."""
        if self.next is None:
            return 0
        ahead = _signed(sequence - self.next)
        if ahead < 0:
            return self._behind(-ahead, body)
        passed = _signed(micros - self._micros) * 1e-6
        if ahead > self._far or abs(passed - (ahead + 1) * self._period) > AGREE:
            return _ANEW
        return ahead

    def _behind(self, back: int, body: bytes) -> int:
        """Tell a frame that comes twice or late from one that counts anew."""
        number = (self.next or 0) - back
        known, before = self._known[number % len(self._known)]
        if known == number:
            return _BACK if body == before else _ANEW
        return _BACK if back <= self._late else _ANEW

    def _add(self, placed: Placed, body: bytes, hole: int, gone: int) -> None:
        """Put a frame behind `hole` missing ones, `gone` microseconds after the last one."""
        number = (self.next or 0) + hole
        for i in range(1, hole + 1):
            placed.times.append((self._micros + gone * i / (hole + 1)) * 1e-6)
        self.missing += hole
        self._micros += gone
        placed.at.append(len(placed.times))
        placed.times.append(self._micros * 1e-6)
        placed.bodies.append(body)
        self._known[number % len(self._known)] = (number, body)
        self.next = number + 1


def _signed(difference: int) -> int:
    """Return a difference of two 32-bit counts as the shortest way between them."""
    return ((difference + _HALF) & _MASK) - _HALF
