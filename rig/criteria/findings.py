"""What the criteria are set to, what they found, and what they keep between calls."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.criteria.agreement import AgreementSetup, AgreementState
from rig.criteria.off_target import TargetState
from rig.criteria.warmth import WarmthState

FloatArray = NDArray[np.float64]

LONGEST_MEDIAN: Final = 100
"""Cycles of the longest median a loss is judged on."""

STEP_MEDIAN: Final = 5
"""Cycles of the median that a stiffness step is judged on: two bad cycles are no step."""

BEFORE: Final = 50
"""Cycles before a shortfall of the load that its stiffness is compared with."""

IN_DOUBT: Final = "channel in doubt"
"""How the words of a finding of kind "sensor" begin."""

_ORDER: Final = {"note": 0, "warn": 1, "failure": 2, "fault": 3, "run-out": 4, "pause": 5}


@dataclass(frozen=True, slots=True)
class CriteriaSetup:
    """Loads [N], fractions and cycle counts; None means not armed.

    The loss is judged on the median of `loss_confirm` cycles, at most 100. `agreement` are the
    channels that are asked what they say of it, None for none.
    """

    upper: float
    lower: float
    baseline_first: int = 2000
    baseline_last: int = 3000
    loss_warn: float | None = None
    loss_stop: float | None = None
    loss_confirm: int = 100
    step_pause: float | None = None
    step_within: int = 20
    residual_warn: float | None = None
    short_stop: float | None = None
    short_confirm: int = 5
    run_out: int | None = None
    agreement: AgreementSetup | None = None

    @property
    def window(self) -> int:
        """Cycles of the median that loss and residual are judged on."""
        return max(1, min(self.loss_confirm, LONGEST_MEDIAN))

    @property
    def memory(self) -> int:
        """Judged cycles that a state keeps."""
        return max(LONGEST_MEDIAN, self.step_within + STEP_MEDIAN, self.short_confirm + BEFORE)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found at counted cycle `cycle`, knowable at `frame`.

    `action` is "note", "warn", "pause", "failure", "fault" or "run-out", or "alert" for what a
    criterion that is alert only would have done; `first_seen` the first cycle that showed it;
    `evidence` holds the numbers [SI, fractions].
    """

    kind: str
    action: str
    cycle: int
    frame: int
    first_seen: int
    text: str
    evidence: Mapping[str, float]


def in_order(findings: list[Finding]) -> tuple[Finding, ...]:
    """Return findings by cycle; within a cycle what ends the test comes before a pause."""
    return tuple(sorted(findings, key=lambda f: (f.cycle, _ORDER[f.action])))


@dataclass(frozen=True, slots=True)
class Settled:
    """Medians over the baseline cycles: stiffness [N/m], extremes [m]; NaN: not measured."""

    stiffness: float
    deflection_max: float
    deflection_min: float
    stroke_max: float = math.nan
    stroke_min: float = math.nan


def _empty(rows: int) -> FloatArray:
    return np.empty((rows, 0))


@dataclass(frozen=True, slots=True, eq=False)
class CriteriaState:
    """What is kept from call to call. Compare two states by their `to_plain`.

    `recent` holds number, stiffness and deflection_min of the last judged cycles, shape (3, n), or
    (5, n) with what the temperature adds to the latter;
    `collected` the columns of `Settled` over the baseline's cycles so far, shape (5, n), empty
    once it is complete; `opening` the stiffness of the first judged cycles, at most 100.
    """

    baseline: Settled | None = None
    recent: FloatArray = field(default_factory=lambda: _empty(3))
    collected: FloatArray = field(default_factory=lambda: _empty(5))
    opening: FloatArray = field(default_factory=lambda: np.empty(0))
    first_seen: Mapping[str, int] = field(default_factory=dict)
    reported: frozenset[str] = frozenset()
    step_after: int = 0
    short_cycles: int = 0
    overloaded: bool = False
    overloads: int = 0
    agreement: AgreementState = field(default_factory=AgreementState)
    warmth: WarmthState = field(default_factory=WarmthState)
    target: TargetState = field(default_factory=TargetState)

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point (NaN stays a float)."""
        base = self.baseline
        return {
            "baseline": None
            if base is None
            else [getattr(base, name) for name in Settled.__slots__],
            "recent": self.recent.tolist(),
            "collected": self.collected.tolist(),
            "opening": self.opening.tolist(),
            "first_seen": dict(sorted(self.first_seen.items())),
            "reported": sorted(self.reported),
            "step_after": self.step_after,
            "short_cycles": self.short_cycles,
            "overloaded": self.overloaded,
            "overloads": self.overloads,
            "agreement": self.agreement.to_plain(),
            "warmth": self.warmth.to_plain(),
            "target": self.target.to_plain(),
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> CriteriaState:
        """Return the state that `to_plain` wrote."""
        return CriteriaState(
            baseline=None if plain["baseline"] is None else Settled(*plain["baseline"]),
            recent=np.array(plain["recent"], np.float64).reshape(len(plain["recent"]), -1),
            collected=np.array(plain["collected"], dtype=np.float64).reshape(5, -1),
            opening=np.array(plain["opening"], dtype=np.float64),
            first_seen=dict(plain["first_seen"]),
            reported=frozenset(plain["reported"]),
            step_after=plain["step_after"],
            short_cycles=plain["short_cycles"],
            overloaded=plain["overloaded"],
            overloads=plain["overloads"],
            # A version before this one kept neither.
            agreement=AgreementState.from_plain(plain.get("agreement")),
            warmth=WarmthState.from_plain(plain.get("warmth")),
            target=TargetState.from_plain(plain.get("target")),
        )
