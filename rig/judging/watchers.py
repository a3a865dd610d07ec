"""Judges for slow loading: the first crack and the end of a static test."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from rig.criteria.crack import CrackSetup, CrackState, first_crack
from rig.criteria.ultimate import UltimateSetup, UltimateState, watch_ultimate
from rig.judging.looking import AllOf, Decision, Judge, Look
from rig.samples import SampleArray, SampleBlock

LEAST_SHARE: Final = 0.05
"""Of the load scale: under it neither crack nor end is looked for; common practice, no source."""
NO_PEAK: Final = (-math.inf, math.nan)
"""Peak of a static test that has not begun: load [N], net deflection [m]."""


@dataclass(frozen=True, slots=True)
class CrackWatch:
    """Decides "crack" once, with the load [N], at a 5 % offset from linearity."""

    setup: CrackSetup
    state: CrackState
    found: bool = False

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Look for the first crack."""
        if self.found:
            return Look(self)
        state, crack = first_crack(
            self.setup, self.state, block.first, block.of("load"), deflection
        )
        if crack is None:
            return Look(replace(self, state=state))
        decision = Decision("crack", crack.frame + 1, crack.load)
        return Look(replace(self, state=state, found=True), (decision,))


@dataclass(frozen=True, slots=True)
class UltimateWatch:
    """Decides "ultimate" at the end of a static test, with its text."""

    setup: UltimateSetup
    state: UltimateState

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Look for the end of the static test."""
        state, end = watch_ultimate(
            self.setup, self.state, block.first, block.of("load"), deflection
        )
        decisions = (Decision("ultimate", end.frame + 1, end.text),) if end else ()
        return Look(replace(self, state=state), decisions)


def peak_of(judge: Judge, before: tuple[float, ...]) -> tuple[float, ...]:
    """Return the higher peak: that of the static test among a stage's judges, or the one before."""
    judges = judge.judges if isinstance(judge, AllOf) else (judge,)
    peaks = [j.state.peak[:2] for j in judges if isinstance(j, UltimateWatch)]
    return max([before, *peaks], key=lambda peak: peak[0])
