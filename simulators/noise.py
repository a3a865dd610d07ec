"""Measurement noise: a pure function of seed, channel and frame, made ahead by a thread.

Noise does not depend on control, so one thread makes the coming chunks while the main thread
works; whoever needs a chunk waits for it. Which thread made a chunk cannot be seen in it.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final

import numpy as np

from rig.samples import SampleArray

CHUNK: Final = 1 << 16
"""Frames of noise made at once; chunk k covers frames [k CHUNK, (k + 1) CHUNK)."""

_KEPT: Final = 6 * CHUNK  # frames behind the last block: two blocks of 1e5 can be read again


class Noise:
    """Gaussian noise of several channels, each with its standard deviation."""

    def __init__(self, seed: int, deviations: tuple[float, ...]) -> None:
        self._seed = seed
        self._deviations = deviations
        self._chunks: dict[tuple[int, int], Future[SampleArray]] = {}
        self._pool: ThreadPoolExecutor | None = None

    def add(self, channel: int, first: int, row: SampleArray) -> None:
        """Add the noise of a channel at frames first, first + 1, ... to a row in place."""
        if self._deviations[channel] == 0:
            return
        done = 0
        while done < len(row):
            number, offset = divmod(first + done, CHUNK)
            part = self._ask(channel, number).result()[offset : offset + len(row) - done]
            target = row[done : done + len(part)]
            np.add(target, part, out=target)
            done += len(part)

    def prefetch(self, first: int, end: int) -> None:
        """Have the chunks made that follow a block, and drop those far behind it."""
        until = (2 * end - first + CHUNK // 4) // CHUNK
        for channel, deviation in enumerate(self._deviations):
            if deviation:
                for number in range(end // CHUNK, until + 1):
                    self._ask(channel, number)
        oldest = (first - _KEPT) // CHUNK
        for key in [k for k in self._chunks if k[1] < oldest]:
            del self._chunks[key]

    def close(self) -> None:
        """End the thread."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None
        self._chunks.clear()

    def _ask(self, channel: int, number: int) -> Future[SampleArray]:
        key = (channel, number)
        future = self._chunks.get(key)
        if future is None:
            if self._pool is None:
                self._pool = ThreadPoolExecutor(1, thread_name_prefix="noise")
            future = self._chunks[key] = self._pool.submit(self._make, channel, number)
        return future

    def _make(self, channel: int, number: int) -> SampleArray:
        source = np.random.SeedSequence(self._seed, spawn_key=(channel, number))
        generator = np.random.Generator(np.random.SFC64(source))
        values: SampleArray = generator.standard_normal(CHUNK, dtype=np.float32)
        values *= np.float32(self._deviations[channel])
        return values
