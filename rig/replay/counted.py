"""From imported samples to rows: cycles found, and counted as a protocol's rig would count them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionSetup, ExtractionState, begin, extract
from rig.criteria.findings import CriteriaState
from rig.judging.arming import cycling_setup
from rig.judging.correction import start_correction
from rig.judging.cycling import Cycling
from rig.protocol.plan import Plan
from rig.replay.levels import LONGEST, MOVES, Search, stretch
from rig.replay.stretches import joined, part_of
from rig.samples import Cycles, SampleArray, SampleBlock

AT_LEAST: Final = 8192  # frames looked at together

Found = tuple[str, Cycles]
"""The table that rows belong to, "cycles" or "build_up", and the rows."""


@dataclass(slots=True)
class Counter:
    """Finds cycles in blocks of samples and numbers them; `plan` tells which are build-up."""

    setup: ExtractionSetup
    plan: Plan | None
    count: int = 0
    state: ExtractionState | None = None
    judge: Cycling | None = None

    def look(self, block: SampleBlock) -> tuple[list[Found], int | None]:
        """Return the rows that end in a block, and the frame at which the last of them ended."""
        if self.state is None:
            return [], None
        deflection = net_deflection(block)
        if self.plan is None:
            self.state, rows = extract(self.setup, self.state, block, deflection)
            return self._numbered(rows)
        judge = self.judge or _judge(self.plan, self.setup.rate)
        seen = replace(judge, extraction=self.state).look(block, deflection)
        if not isinstance(seen.judge, Cycling):
            raise TypeError("a judge of cycles is followed by another")
        self.judge, self.state = seen.judge, seen.judge.extraction
        found = [("build_up", seen.built_up), ("cycles", seen.counted)]
        kept = [(kind, rows) for kind, rows in found if rows is not None and len(rows)]
        return kept, int(kept[-1][1].end[-1]) if kept else None

    def _numbered(self, rows: Cycles) -> tuple[list[Found], int | None]:
        if not len(rows):
            return [], None
        numbers = np.arange(self.count + 1, self.count + 1 + len(rows), dtype=np.int64)
        self.count += len(rows)
        return [("cycles", rows.with_columns(number=numbers))], int(rows.end[-1])


def _judge(plan: Plan, rate: float) -> Cycling:
    """Return a judge that counts and flags; its verdicts are left to a replay."""
    if plan.cyclic is None or plan.loading is None:
        raise ValueError("cycles need a cyclic stage and [loading]")
    loading = plan.loading
    setup = cycling_setup(plan, plan.cyclic, loading, rate)
    return Cycling(
        setup=setup,
        extraction=begin(loading.mean, loading.range, 0),
        criteria=CriteriaState(),
        correction=start_correction(loading.mean, loading.range / 2),
    )


def rows_of_samples(
    pieces: Iterator[SampleArray],
    setup: ExtractionSetup,
    plan: Plan | None,
    first_frame: int,
    load_range: float,
) -> Iterator[Found]:
    """Yield the rows of samples that come in pieces (channels, frames), in the setup's channels.

    `load_range` [N] is that of the whole record. A plan's range takes its place where it has one.
    """
    if plan is not None and plan.loading is None:
        return
    whole = plan.loading.range if plan and plan.loading else load_range
    search = Search(setup.rate, MOVES * whole, first_frame)
    counter = Counter(setup, plan)
    held: list[SampleBlock] = []
    at_once = max(AT_LEAST, stretch(setup.rate))
    for block in _blocks(pieces, setup, first_frame, at_once):
        held.append(block)
        yield from _looked(block, held, counter, search)
        needed = search.since if counter.state is not None else search.swing.needed
        while held and held[0].end <= max(needed, block.end - LONGEST):
            del held[0]


def _looked(
    block: SampleBlock, held: list[SampleBlock], counter: Counter, search: Search
) -> Iterator[Found]:
    """Yield the rows that end in a block, the last one held; those before may be gone back to."""
    end, size = block.end, stretch(block.rate)
    while True:
        if counter.state is None:
            counter.state = search.first(block.of("load"))
            if counter.state is None:
                return
            block = joined(held, counter.state.first, end)
            # Of a very long way up to the swing not all is held.
            counter.state = replace(counter.state, first=block.first)
        before = replace(counter)
        found, ended = counter.look(block)
        if block.frames > size and any(search.skips(rows) for _, rows in found):
            counter.state, counter.count, counter.judge = before.state, before.count, before.judge
            for first in range(block.first, end, size):
                yield from _looked(part_of(block, first, first + size), held, counter, search)
            return
        yield from found
        anew = search.lost(counter.state, ended, end)
        if anew is None or anew >= end:
            return
        counter.state = None
        block = joined(held, anew, end)


def _blocks(
    pieces: Iterator[SampleArray], setup: ExtractionSetup, first: int, at_once: int
) -> Iterator[SampleBlock]:
    """Yield blocks of just so many frames but for the last: how pieces come must not show."""
    rest = np.empty((len(setup.channels), 0), np.float32)
    for piece in pieces:
        rest = np.concatenate((rest, piece), axis=1)
        while rest.shape[1] >= at_once:
            yield SampleBlock(first, setup.rate, setup.names, rest[:, :at_once])
            first, rest = first + at_once, rest[:, at_once:]
    if rest.shape[1]:
        yield SampleBlock(first, setup.rate, setup.names, rest)
