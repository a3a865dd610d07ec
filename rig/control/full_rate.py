"""Which stretches of samples are kept: the first cycles, some of each decade, around a stop."""

from __future__ import annotations

from collections import deque
from itertools import takewhile
from typing import Final

import numpy as np

from rig.protocol.plan import FullRate
from rig.samples import Cycles, SampleArray, SampleBlock

PIECE: Final = 20  # cycles in one record, so that a record is never far from being written


def wanted_cycles(plan: FullRate, last: int, after: int = 0) -> tuple[tuple[int, int], ...]:
    """Return the counted cycles to keep as pieces (first, last), in order, `after` to `last`."""
    wanted: set[int] = set(range(1, min(plan.first, last) + 1))
    if plan.per_decade:
        steps = int(np.ceil(np.log10(max(last, 1)) * plan.per_decade)) + 1
        for i in range(steps):
            start = round(10 ** (i / plan.per_decade))
            wanted.update(range(start, min(start + plan.cycles, last + 1)))
    numbers = sorted(n for n in wanted if after < n <= last)
    pieces: list[tuple[int, int]] = []
    for number in numbers:
        if pieces and number == pieces[-1][1] + 1 and number - pieces[-1][0] < PIECE:
            pieces[-1] = (pieces[-1][0], number)
        else:
            pieces.append((number, number))
    return tuple(pieces)


class RecentSamples:
    """The last blocks, at least `seconds` of them, from which records are cut."""

    def __init__(self, seconds: float, rate: float) -> None:
        self._frames = round(seconds * rate)
        self._blocks: deque[SampleBlock] = deque()
        self._held = False

    def add(self, block: SampleBlock) -> None:
        """Take a copy of a block: its owner may use the memory again."""
        values = block.values.copy()
        self._blocks.append(SampleBlock(block.first, block.rate, block.channels, values))
        while not self._held and block.first - self._blocks[0].end >= self._frames:
            self._blocks.popleft()

    def hold(self) -> None:
        """Drop nothing any more: what is held now is the evidence of a stop."""
        self._held = True

    def cut(self, begin: int, end: int) -> tuple[int, SampleArray]:
        """Return the first frame and the samples of [begin, end), as far as still held."""
        # From the newest back: what is wanted is mostly at the end of a minute of small blocks.
        newer = takewhile(lambda block: block.end > begin, reversed(self._blocks))
        parts = [
            block.values[:, max(begin - block.first, 0) : end - block.first]
            for block in newer
            if block.first < end
        ]
        if not parts:
            return begin, np.empty((0, 0), np.float32)
        return max(begin, self._blocks[0].first), np.hstack(parts[::-1])


class Pieces:
    """Follows counted rows and tells which pieces have become complete."""

    def __init__(self, pieces: tuple[tuple[int, int], ...]) -> None:
        self._pieces = deque(pieces)
        self._begin: int | None = None
        self._so_far: tuple[int, int] = (0, 0)

    def complete(self, rows: Cycles) -> list[tuple[int, int, int]]:
        """Return (first cycle, begin frame, end frame) of the pieces that end in these rows."""
        done = []
        numbers = rows["number"]
        first, last = int(numbers[0]), int(numbers[-1])
        while self._pieces and self._pieces[0][0] <= last:
            start, stop = self._pieces[0]
            if start >= first:
                self._begin = int(rows.begin[start - first])
            if stop > last:
                self._so_far = (last, int(rows.end[-1]))
                break
            if self._begin is not None:
                done.append((start, self._begin, int(rows.end[stop - first])))
            self._begin = None
            self._pieces.popleft()
        return done

    def interrupted(self) -> tuple[int, int, int] | None:
        """End the unfinished piece because cycling stops: return it, the rest is a new piece."""
        if self._begin is None:
            return None
        start, stop = self._pieces.popleft()
        last, end = self._so_far
        piece = (start, self._begin, end)
        self._pieces.appendleft((last + 1, stop))
        self._begin = None
        return piece
