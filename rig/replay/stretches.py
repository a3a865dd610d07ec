"""Kept samples in order of time: pieces that follow on each other make one stretch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from rig.replay.recording import Recording
from rig.samples import SampleBlock


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples that come next; `new` tells that they do not follow on those before."""

    block: SampleBlock
    new: bool


def intervals(recording: Recording) -> list[tuple[int, int]]:
    """Return first and last frame + 1 of each stretch that is kept at full rate, in order."""
    found: list[tuple[int, int]] = []
    kept = [(first, first + n) for _, first, n, r in recording.stretches() if r == recording.rate]
    for first, last in sorted(kept):
        if found and first <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return found


def pieces(recording: Recording) -> Iterator[Piece]:
    """Yield what is kept at full rate, each frame once.

    Records overlap where a stop follows soon on cycles that are kept too.
    """
    done: int | None = None
    for record in recording.full_rate():
        if record.rate != recording.rate:
            continue  # means, as a ramp keeps them
        frames = record.values.shape[1]
        skip = 0 if done is None else min(max(done - record.first_frame, 0), frames)
        if skip == frames:
            continue
        first = record.first_frame + skip
        block = SampleBlock(first, record.rate, record.channels, record.values[:, skip:])
        yield Piece(block, done is None or first > done)
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
