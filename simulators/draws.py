"""Random numbers that belong to a seed, a use and a place, whoever asks for them when."""

from __future__ import annotations

from typing import Final

import numpy as np

from rig.samples import FloatArray

BLOCK: Final = 1 << 14
"""Numbers made at once; block k holds the numbers of places [k BLOCK, (k + 1) BLOCK)."""
_USE: Final = 1 << 21  # beside the keys of noise and lives
_KEPT: Final = 8  # blocks


class Draws:
    """The numbers of one use: number `use` of those that a seed is asked for."""

    def __init__(self, seed: int, use: int) -> None:
        self._seed = seed
        self._use = use
        self._blocks: dict[tuple[bool, int], FloatArray] = {}

    def uniform(self, first: int, count: int) -> FloatArray:
        """Return numbers in [0, 1) of places first, first + 1, ..., shape (count,)."""
        return self._take(False, first, count)

    def normal(self, first: int, count: int) -> FloatArray:
        """Return standard normal numbers of places first, first + 1, ..., shape (count,)."""
        return self._take(True, first, count)

    def _take(self, normal: bool, first: int, count: int) -> FloatArray:
        parts = []
        end = first + count
        while first < end:
            number, offset = divmod(first, BLOCK)
            parts.append(self._block(normal, number)[offset : offset + end - first])
            first += len(parts[-1])
        return np.concatenate(parts) if parts else np.empty(0)

    def _block(self, normal: bool, number: int) -> FloatArray:
        key = (normal, number)
        found = self._blocks.get(key)
        if found is None:
            place = (_USE, self._use, int(normal), number)
            source = np.random.SeedSequence(self._seed, spawn_key=place)
            generator = np.random.Generator(np.random.SFC64(source))
            found = generator.standard_normal(BLOCK) if normal else generator.random(BLOCK)
            while len(self._blocks) >= _KEPT:
                del self._blocks[next(iter(self._blocks))]
            self._blocks[key] = found
        return found
