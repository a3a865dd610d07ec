"""Kept samples in order of time: pieces that follow on each other make one stretch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.replay.recording import Recording
from rig.samples import SampleBlock

STOP: Final = "stop"
"""Label of what is kept about a stop."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples that come next; `new` tells that they do not follow on those before."""

    block: SampleBlock
    new: bool


def intervals(recording: Recording, label: str = "") -> list[tuple[int, int]]:
    """Return first and last frame + 1 of each stretch kept at full rate, or of those of a label."""
    found: list[tuple[int, int]] = []
    kept = recording.stretches()
    frames = [(f, f + n) for name, f, n, r in kept if r == recording.rate and label in ("", name)]
    for first, last in sorted(frames):
        if found and first <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return found


def pieces(recording: Recording) -> Iterator[Piece]:
    """Yield what is kept at full rate in order of time, each frame once.

    What is kept about a stop is written last and may hold cycles that are kept by themselves too.
    """
    stops = intervals(recording, STOP)
    done: int | None = None
    for record in recording.full_rate():
        first, end = record.first_frame, record.first_frame + record.values.shape[1]
        inside = record.label != STOP and any(a <= first and end <= b for a, b in stops)
        if record.rate != recording.rate or inside:  # means, as a ramp keeps them, are no samples
            continue
        skip = 0 if done is None else min(max(done - first, 0), end - first)
        if first + skip == end:
            continue
        values = record.values[:, skip:]
        block = SampleBlock(first + skip, record.rate, record.channels, values)
        yield Piece(block, done is None or block.first > done)
        done = block.end


def part_of(block: SampleBlock, begin: int, end: int) -> SampleBlock:
    """Return frames [begin, end) of a block (a view)."""
    start, stop = max(begin - block.first, 0), max(end - block.first, 0)
    return SampleBlock(block.first + start, block.rate, block.channels, block.values[:, start:stop])


def joined(blocks: Iterable[SampleBlock], begin: int, end: int) -> SampleBlock:
    """Return frames [begin, end) of blocks that follow on each other, as far as they go."""
    parts = [part_of(block, begin, end) for block in blocks]
    parts = [part for part in parts if part.frames]
    values = np.hstack([part.values for part in parts])
    return SampleBlock(parts[0].first, parts[0].rate, parts[0].channels, values)
