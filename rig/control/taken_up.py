"""Where a test that was cut off goes on, as its record tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rig.samples import Cycles

NOT_BEGUN: Final = frozenset({"idle", "checklist", "starting"})
"""States in which, before the first stage, nothing has been done to the specimen."""


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
    going on should find, NaN where nothing tells, and `stiffness_from` whence that is known.
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

    @property
    def point_cycles(self) -> int:
        """Cycles, counted or not, that the restart point knows."""
        cycling = self.point["cycling"]
        return int(cycling["counted"] + cycling["built_up"]) if cycling else 0

    @property
    def begun(self) -> bool:
        """Tell whether anything had been done to the specimen."""
        return bool(self.point.get("stage_number")) or self.point["state"] not in NOT_BEGUN
