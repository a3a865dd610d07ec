"""The parts of a plan before they are held against each other."""

from __future__ import annotations

from dataclasses import dataclass

from rig.protocol.plan import (
    Attendance,
    Baseline,
    Cyclic,
    Failure,
    Inspections,
    Limits,
    Loading,
    RigPlan,
    SpraySchedule,
    Stage,
)


@dataclass(frozen=True, slots=True)
class Draft:
    """Parts as far as they can be read; what cannot be is None or nan.

    `wrong` names the top-level keys that have problems of their own: nothing is said about what
    is missing there.
    """

    exposure: str | None
    loading: Loading | None
    stages: tuple[Stage | None, ...]
    spray: SpraySchedule | None
    inspections: Inspections | None
    baseline: Baseline
    attendance: Attendance | None
    failure: Failure
    limits: Limits
    rig: RigPlan | None
    wrong: frozenset[str]

    @property
    def cyclic(self) -> bool:
        """Tell whether a stage is cyclic."""
        return any(isinstance(s, Cyclic) for s in self.stages)
