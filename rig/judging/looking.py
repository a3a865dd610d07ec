"""Looking at samples: what a stage watches for, as pure judges over blocks.

A judge takes a block and returns its successor and the decisions the block holds, each with the
frame at which it was due. It never changes itself, so the stream may look at a long block, find
a decision inside, cut the block there and look again from where it stood: what happens does not
depend on how the samples were cut.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np

from rig.guards.runs import first_run
from rig.samples import Cycles, SampleArray, SampleBlock

TICK_SECONDS: Final = 0.02
"""Decisions act at multiples of this device time [s], in a test and in its replay."""
LONG_PIECE: Final = 4096  # means in a piece that is not added to any more


@dataclass(frozen=True, slots=True)
class Decision:
    """Something to act upon. `frame` is the count of frames that had to be seen to know it."""

    kind: str
    frame: int
    detail: object = None


@dataclass(frozen=True, slots=True)
class Look:
    """What a judge saw: its successor, decisions in order of frame, and finished cycles."""

    judge: Judge
    decisions: tuple[Decision, ...] = ()
    built_up: Cycles | None = None
    counted: Cycles | None = None


class Judge(Protocol):
    """What every watcher offers."""

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Look at the next block and its net deflection [m], shape (frames,)."""


@dataclass(frozen=True, slots=True)
class Nothing:
    """Watches for nothing."""

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """See nothing."""
        return Look(self)


@dataclass(frozen=True, slots=True)
class LoadReaches:
    """Decides `kind` once the load was at or beyond `level` [N] for `persist` samples in a row.

    Persistence keeps a single spike from being taken for contact or for the upper load.
    """

    kind: str
    level: float
    rising: bool
    persist: int = 3
    run: int = 0

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Look for the first run of samples beyond the level."""
        load = block.of("load")
        beyond = load >= self.level if self.rising else load <= self.level
        index, run = first_run(beyond, self.run, self.persist)
        if index is None:
            return Look(replace(self, run=run))
        return Look(replace(self, run=0), (Decision(self.kind, block.first + index + 1),))


@dataclass(frozen=True, slots=True)
class AllOf:
    """Several judges of slow stages on the same samples; none of them extracts cycles."""

    judges: tuple[Judge, ...]

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Let each judge look; decisions come in order of frame."""
        looks = [judge.look(block, deflection) for judge in self.judges]
        decisions = sorted((d for k in looks for d in k.decisions), key=lambda d: d.frame)
        return Look(AllOf(tuple(k.judge for k in looks)), tuple(decisions))


@dataclass(frozen=True, slots=True)
class Averaged:
    """Collects a slow stage's samples as means over `group` frames, for `/static`.

    Groups are counted from `origin`, so that they do not depend on block bounds. `kept` holds
    finished means, shape (channels + 1, n); the last row is net deflection.
    """

    origin: int
    group: int
    rest: SampleArray | None = None
    kept: tuple[SampleArray, ...] = field(default=())

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Add the block's samples."""
        both = np.vstack((block.values, deflection[None, :]))
        if self.rest is not None and self.rest.size:
            both = np.hstack((self.rest, both))
        whole = both.shape[1] // self.group * self.group
        rest = both[:, whole:].copy()
        if not whole:
            return Look(replace(self, rest=rest))
        means = both[:, :whole].reshape(len(both), -1, self.group).mean(axis=2, dtype=np.float64)
        return Look(replace(self, rest=rest, kept=_joined(self.kept, means.astype(np.float32))))

    def samples(self) -> SampleArray:
        """Return all finished means, shape (channels + 1, n)."""
        if not self.kept:
            return np.empty((1, 0), np.float32)
        return np.hstack(self.kept)


def averaged_in(judge: Judge) -> Averaged | None:
    """Return the collector among a stage's judges, None where there is none."""
    judges = judge.judges if isinstance(judge, AllOf) else (judge,)
    return next((j for j in judges if isinstance(j, Averaged)), None)


def _joined(kept: tuple[SampleArray, ...], means: SampleArray) -> tuple[SampleArray, ...]:
    """Return pieces with means added: few pieces, and none copied once it is long."""
    if kept and kept[-1].shape[1] < LONG_PIECE:
        return (*kept[:-1], np.hstack((kept[-1], means)))
    return (*kept, means)
