"""Numbers and times of sample frames: unwrapped, each number once, in order, holes seen.

The device counts frames and microseconds in 32 bits: the one wraps after 49.7 days at 1 kHz, the
other every 71.6 minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from drivers.frames import Samples
from rig.samples import FloatArray

FAR: Final = 10.0
"""A hole longer than this [s] is none: the device has begun anew."""
LATE: Final = 0.1
"""A frame that comes up to this [s] behind its place in the line is late, not of a new start."""
AGREE: Final = 1.0
"""How far [s] a device's time may stray from its count of frames between two of them."""

_WRAP: Final = 1 << 32
_HALF: Final = 1 << 31
_BACK: Final = -1
_ANEW: Final = -2


@dataclass(frozen=True, slots=True)
class Placed:
    """Frames in their places: numbers [first, end), of which those at `at` have come.

    `take` tells which of the batch these are; both have shape (taken,), or are None where all of
    the batch have come and nothing is missing. `times` [s] is the device's, shape (end - first,),
    interpolated where a frame is missing. With `anew` the device has begun anew: its numbers and
    times have nothing to do with those before.
    """

    first: int
    end: int
    times: FloatArray
    take: NDArray[np.intp] | None = None
    at: NDArray[np.intp] | None = None
    anew: bool = False


class Numbering:
    """Gives every frame its number and time.

    `next` is the number that is expected, None before the first frame. `missing` counts frames
    that never came, `repeated` those that came again or too late.
    """

    def __init__(self, rate: float) -> None:
        self.next: int | None = None
        self.missing = 0
        self.repeated = 0
        self._rate = rate
        self._far = max(round(FAR * rate), 1)
        self._late = max(round(LATE * rate), 1)
        self._micros = 0  # unwrapped device time of the last frame [us]
        # The CRC of what came under each of the last numbers: a copy is known by it.
        self._checks = np.zeros(self._far, np.uint32)
        self._numbers = np.full(self._far, -1, np.int64)

    @property
    def time(self) -> float:
        """Device time of the last frame [s], unwrapped."""
        return self._micros * 1e-6

    def forget(self) -> None:
        """Take the next frame for the first one."""
        self.next = None
        self._numbers.fill(-1)

    def ahead(self, sequence: int) -> int:
        """Return by how many frames a number on the line is ahead of the expected one."""
        if self.next is None:
            return 0
        return _signed(sequence - self.next)

    def place(self, samples: Samples) -> list[Placed]:
        """Return the frames of a batch in their places; several where the device began anew."""
        straight = self._straight(samples)
        if straight is not None:
            return [straight]
        return self._one_by_one(samples)

    def _straight(self, samples: Samples) -> Placed | None:
        """Return a batch that goes on just where the last one ended, else None."""
        first, count = self.next, len(samples.sequence)
        if first is None or int(samples.sequence[0]) != first % _WRAP:
            return None
        if count > 1 and (np.diff(samples.sequence) != 1).any():
            return None
        gone: NDArray[np.int64] = samples.time.astype(np.int64) - self._micros
        gone = (gone + _HALF) % _WRAP - _HALF
        if abs(int(gone[-1]) * 1e-6 - count / self._rate) > AGREE:
            return None
        times = np.multiply(self._micros + gone, 1e-6, dtype=np.float64)
        self._micros += int(gone[-1])
        self.next = first + count
        self._remember(first, samples.check)
        return Placed(first, first + count, times)

    def _one_by_one(self, samples: Samples) -> list[Placed]:
        placed: list[Placed] = []
        run = _Run(self.next, self._micros)
        for i, (sequence, micros, check) in enumerate(
            zip(
                samples.sequence.tolist(),
                samples.time.tolist(),
                samples.check.tolist(),
                strict=True,
            )
        ):
            hole = self._step(sequence, micros, check)
            if hole == _BACK:
                self.repeated += 1
                continue
            if hole == _ANEW:
                placed += run.placed()
                self.forget()
                run = _Run(None, 0, anew=True)
                hole = 0
            if self.next is None:
                self.next, self._micros = sequence, micros
            else:
                self._micros += _signed(micros - self._micros)
            self.missing += hole
            number = self.next + hole
            slot = number % self._far
            self._numbers[slot], self._checks[slot] = number, check
            self.next = number + 1
            run.add(i, number, self._micros)
        return placed + run.placed()

    def _step(self, sequence: int, micros: int, check: int) -> int:
        """Return how many frames are missing before this one, or what else it is."""
        if self.next is None:
            return 0
        ahead = _signed(sequence - self.next)
        if ahead < 0:
            number = self.next + ahead
            slot = number % self._far
            known = -ahead <= self._far and int(self._numbers[slot]) == number
            if known:
                return _BACK if int(self._checks[slot]) == check else _ANEW
            return _BACK if -ahead <= self._late else _ANEW
        passed = _signed(micros - self._micros) * 1e-6
        if ahead > self._far or abs(passed - (ahead + 1) / self._rate) > AGREE:
            return _ANEW
        return ahead

    def _remember(self, first: int, checks: NDArray[np.uint32]) -> None:
        count = len(checks)
        if count == 1:  # nearly always: a thousand times a second
            slot = first % self._far
            self._numbers[slot], self._checks[slot] = first, checks[0]
            return
        numbers = np.arange(first, first + count)[-self._far :]
        slots = numbers % self._far
        self._numbers[slots], self._checks[slots] = numbers, checks[-self._far :]


class _Run:
    """Frames of a batch that belong to one count."""

    def __init__(self, expected: int | None, micros: int, *, anew: bool = False) -> None:
        self._expected = expected
        self._micros = micros
        self._anew = anew
        self._take: list[int] = []
        self._at: list[int] = []
        self._times: list[int] = []

    def add(self, index: int, number: int, micros: int) -> None:
        self._take.append(index)
        self._at.append(number)
        self._times.append(micros)

    def placed(self) -> list[Placed]:
        """Return the run in its place, nothing where no frame is in it."""
        if not self._at:
            return []
        first = self._at[0] if self._expected is None else self._expected
        end = self._at[-1] + 1
        known, stamps = self._at, self._times
        if self._expected is not None:
            # What is missing before the first one lies between it and the last of before.
            known, stamps = [first - 1, *known], [self._micros, *stamps]
        times = np.interp(np.arange(first, end), known, np.array(stamps) * 1e-6)
        take, at = np.array(self._take, np.intp), np.array(self._at, np.intp) - first
        return [Placed(first, end, times, take, at, self._anew)]


def _signed(difference: int) -> int:
    """Return a difference of two 32-bit counts as the shortest way between them."""
    return (difference + _HALF) % _WRAP - _HALF
