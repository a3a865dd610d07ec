"""Cycling: from samples to counted, flagged, judged cycles, as one pure judge.

Build-up ends at the first cycle whose range reaches 95 % of the target; that cycle is the first
that counts, and from it on every cycle counts.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Final

import numpy as np

from rig.acquire.extract import ExtractionSetup, ExtractionState, extract
from rig.control.correction import Correction, correct
from rig.control.looking import Decision, Look
from rig.criteria.findings import CriteriaSetup, CriteriaState
from rig.criteria.judge import judge
from rig.samples import Cycles, Flag, SampleArray, SampleBlock

FULL_RANGE: Final = 0.95
OVERLOAD: Final = 1.02


@dataclass(frozen=True, slots=True)
class CyclingSetup:
    """What stays the same through a cyclic stage. Loads [N]."""

    extraction: ExtractionSetup
    criteria: CriteriaSetup
    upper: float
    target_range: float


@dataclass(frozen=True, slots=True)
class Cycling:
    """State of a cyclic stage.

    `counted` is the number of the last counted cycle, `built_up` the same for build-up cycles,
    `due` the counts at which something is scheduled, `wet` the stretches of frames [on, off)
    in which water ran (the last may be open), `commanded` the frame of the last change of the
    load command, `falling` that the amplitude is on its way to zero (such cycles do not count),
    `ended` that a verdict has fallen.
    """

    setup: CyclingSetup
    extraction: ExtractionState
    criteria: CriteriaState
    correction: Correction
    counted: int = 0
    built_up: int = 0
    counting: bool = False
    due: tuple[int, ...] = ()
    wet: tuple[tuple[int, int | None], ...] = ()
    always_wet: bool = False
    commanded: int | None = None
    falling: bool = False
    ended: bool = False

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Extract, count, flag and judge the cycles that end in the block."""
        extraction, rows = extract(self.setup.extraction, self.extraction, block, deflection)
        state = replace(self, extraction=extraction)
        if not len(rows):
            return Look(state)
        built, counted, decisions = state._split(rows)
        state = replace(state, built_up=state.built_up + len(built))
        if not len(counted):
            return Look(state, (), built)
        state = replace(state, counting=True, counted=state.counted + len(counted))
        state, more = state._judge(counted, self.counted)
        decisions = tuple(sorted((*decisions, *more), key=lambda d: d.frame))
        return Look(state, decisions, built, counted)

    def to_plain(self) -> dict[str, object]:
        """Return the state as plain values for a restart point."""
        return {
            "extraction": self.extraction.to_plain(),
            "criteria": self.criteria.to_plain(),
            "correction": asdict(self.correction),
            "counted": self.counted,
            "built_up": self.built_up,
            "counting": self.counting,
            "due": list(self.due),
            "wet": [list(stretch) for stretch in self.wet],
        }

    def _split(self, rows: Cycles) -> tuple[Cycles, Cycles, tuple[Decision, ...]]:
        """Part build-up cycles from counted ones, number and flag both."""
        at = 0
        decisions: tuple[Decision, ...] = ()
        if self.falling:
            at = len(rows)
        elif not self.counting:
            reached = np.flatnonzero(
                rows["load_max"] - rows["load_min"] >= FULL_RANGE * self.setup.target_range
            )
            at = int(reached[0]) if len(reached) else len(rows)
            if len(reached):
                decisions = (Decision("counting", int(rows.known[at]), self.counted + 1),)
        built = _numbered(rows.part(0, at), self.built_up)
        counted = _numbered(rows.part(at, len(rows)), self.counted)
        return (
            self._flagged(built, building=True),
            self._flagged(counted, building=False),
            decisions,
        )

    def _flagged(self, rows: Cycles, *, building: bool) -> Cycles:
        if not len(rows):
            return rows
        wet = np.full(len(rows), self.always_wet)
        for on, off in self.wet:
            wet |= (rows.end > on) & ((rows.begin < off) if off is not None else True)
        flags = rows["flags"].astype(np.uint16)
        spans = rows["load_max"] - rows["load_min"]
        flags |= _where(wet & bool(self.wet), Flag.SPRAY)
        flags |= _where(rows["load_max"] > OVERLOAD * self.setup.upper, Flag.OVERLOAD)
        if not building:
            flags |= _where(spans < FULL_RANGE * self.setup.target_range, Flag.SHORT)
        if self.commanded is not None:
            flags |= _where(
                (rows.begin <= self.commanded) & (rows.end > self.commanded), Flag.CORRECTED
            )
        if self.ended:
            flags |= np.uint16(Flag.AFTER_END)
        return rows.with_columns(wet=wet.astype(np.uint8), flags=flags)

    def _judge(self, rows: Cycles, before: int) -> tuple[Cycling, tuple[Decision, ...]]:
        """Return the successor and what the counted rows ask for."""
        if self.ended:
            return self, ()
        decisions = []
        criteria, findings = judge(self.setup.criteria, self.criteria, rows)
        decisions += [Decision("finding", f.frame, f) for f in findings]
        for count in self.due:
            if before < count <= before + len(rows):
                decisions.append(Decision("count", int(rows.known[count - before - 1]), count))
        correction, row, change = correct(self.correction, rows)
        if change is not None and row is not None:
            decisions.append(Decision("correct", int(rows.known[row]), change))
        due = tuple(c for c in self.due if c > before + len(rows))
        return replace(self, criteria=criteria, correction=correction, due=due), tuple(decisions)


def _numbered(rows: Cycles, last: int) -> Cycles:
    return rows.with_columns(number=np.arange(last + 1, last + 1 + len(rows), dtype=np.int64))


def _where(
    condition: np.ndarray[tuple[int], np.dtype[np.bool_]], flag: Flag
) -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    return np.where(condition, np.uint16(flag), np.uint16(0))
