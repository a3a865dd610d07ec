"""Where a test that was cut off goes on, as its record tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from typing import Any, Final

from rig.record.cracks import CrackEntry
from rig.record.entries import Residual
from rig.samples import Cycles

LOAD_DOUBTED: Final = frozenset({"feedback", "polarity", "limit"})
"""Causes of a stop whose outcome is a fault because the load that was read is in doubt."""
SAME: Final = 0.05  # of stiffness, within which a test goes on; common practice, no source


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a run ended: outcome, why, the count at the verdict, and the cause of the stop.

    `residual` is how the static test after a run-out ended, None where there was none; the cause
    is then that of its stop.
    """

    outcome: str
    why: str
    cycles: int
    cause: str = ""
    residual: Residual | None = None

    @property
    def last(self) -> Verdict | Residual:
        """What ended last: by its outcome a test goes on or not, and has its exit code."""
        return self.residual or self

    @property
    def doubts_load(self) -> bool:
        """Tell whether it ended because the load that was read is in doubt."""
        return self.outcome == "fault" and self.cause in LOAD_DOUBTED

    @property
    def words(self) -> str:
        """Outcome and why, for people."""
        after = f"; {self.residual.words}" if self.residual is not None else ""
        return f"{self.outcome}: {self.why}{after}"

    def to_plain(self) -> list[object]:
        """Return it as plain values for a restart point."""
        after = None if self.residual is None else list(astuple(self.residual))
        return [self.outcome, self.why, self.cycles, self.cause, after]

    @staticmethod
    def from_plain(plain: Sequence[Any]) -> Verdict:
        """Return what `to_plain` wrote; a version before this one wrote no residual test."""
        outcome, why, cycles, cause, after = (*plain, None)[:5]
        return Verdict(outcome, why, cycles, cause, Residual(*after) if after else None)


def broken(ran_out: Verdict, ended: Verdict, peak: Sequence[float]) -> Verdict:
    """Return the verdict of a run-out whose static test `ended` so.

    `peak` is the highest load [N] it held, and the net deflection there [m]; infinite before it
    came to load. None of it is told where the load is in doubt.
    """
    known = math.isfinite(peak[0]) and not ended.doubts_load
    load, deflection = peak if known else (None, None)
    after = Residual(ended.outcome, ended.why, load, deflection)
    return replace(ran_out, cause=ended.cause, residual=after)


@dataclass(frozen=True, slots=True)
class TakenUp:
    """Where a test that was cut off goes on.

    `point` is the restart point of its record. Test time goes on at frame `begin`. `ended` [s]
    is the test time of the last thing recorded, `counted` and `built_up` the last numbers there.
    `later` holds counted rows that are recorded but which the restart point does not know: they
    are judged once more. `why` says what happened. `stiffness` [N/m] is what the check before
    going on should find, `stiffness_from` whence that is known; NaN where there was no check
    before: then the first cycles are held against `cycles_stiffness`, that of the last ones.
    `cracks` is the crack log so far.
    """

    point: Mapping[str, Any]
    begin: int
    ended: float
    counted: int
    built_up: int
    later: Cycles
    why: str
    stiffness: float
    stiffness_from: str
    cycles_stiffness: float
    cracks: tuple[CrackEntry, ...] = ()

    @property
    def point_cycles(self) -> int:
        """Cycles, counted or not, that the restart point knows."""
        cycling = self.point["cycling"]
        return int(cycling["counted"] + cycling["built_up"]) if cycling else 0

    @property
    def ran_out(self) -> Verdict | None:
        """The run-out that stood when the test was cut off, None where none did.

        A version before this one knew of no test after it.
        """
        told = self.point.get("ran_out")
        return Verdict.from_plain(told) if told else None

    @property
    def begun(self) -> bool:
        """Tell whether a stage had begun: before that nothing was done to the specimen."""
        return int(self.point["stage_number"]) > 0


def compared(stiffness: float, expected: float) -> tuple[str, bool]:
    """Return in words how a stiffness [N/m] compares with the expected one, and if it is the same.

    "" and True where nothing can be compared.
    """
    change = stiffness / expected - 1
    if math.isnan(change):
        return "", True
    share = f"{abs(change):.1%} {'above' if change > 0 else 'below'}"
    words = f"stiffness {stiffness / 1e6:.2f} kN/mm, {share} {expected / 1e6:.2f} kN/mm"
    return words, abs(change) <= SAME
