"""Where a test that was cut off goes on, as its record tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rig.samples import Cycles

SAME: Final = 0.05  # of stiffness, within which a test goes on; common practice, no source


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a run ended: outcome, why, the count at the verdict, and the cause of the stop."""

    outcome: str
    why: str
    cycles: int
    cause: str = ""


@dataclass(frozen=True, slots=True)
class TakenUp:
    """Where a test that was cut off goes on.

    `point` is the restart point of its record. Test time goes on at frame `begin`. `ended` [s]
    is the test time of the last thing recorded, `counted` and `built_up` the last numbers there.
    `later` holds counted rows that are recorded but which the restart point does not know: they
    are judged once more. `why` says what happened. `stiffness` [N/m] is what the check before
    going on should find, `stiffness_from` whence that is known; NaN where there was no check
    before: then the first cycles are held against `cycles_stiffness`, that of the last ones.
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

    @property
    def point_cycles(self) -> int:
        """Cycles, counted or not, that the restart point knows."""
        cycling = self.point["cycling"]
        return int(cycling["counted"] + cycling["built_up"]) if cycling else 0

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
