"""What is doubtful about a real rig before a test: refused, accepted by name, or warned of."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Final

from rig.control.hours import local
from rig.errors import InputError
from rig.protocol.doubts import CALIBRATION, STOPS, plan_doubts
from rig.protocol.plan import Plan

OF_AIR_RUNS: Final = (CALIBRATION, STOPS)
"""What an air run, which measures nothing, is warned of all the same."""


def trusted(plan: Plan, now: datetime, by: str) -> tuple[Plan, tuple[str, ...]]:
    """Return the plan with what `by` has accepted of its rig, and what is to be warned of.

    Raises InputError where a calibration is missing or has expired and nobody accepts it; an air
    run is only warned of it.
    """
    found = plan_doubts(plan, local(plan.hours, now).date())
    if plan.air is not None:
        return plan, tuple(doubt.text for doubt in found if doubt.kind in OF_AIR_RUNS)
    # What is to be done is said once for all of them.
    refused = [doubt.text.partition("; ")[0] for doubt in found if doubt.kind == CALIBRATION]
    warned = tuple(doubt.text for doubt in found if doubt.kind != CALIBRATION)
    name = " ".join(by.split())
    if refused and not name:
        raise InputError(
            f"rig {plan.rig.name!r}: {'; '.join(refused)}; nothing was started; have it "
            "calibrated, or take it on by name: --accept NAME"
        )
    return replace(plan, accepted=tuple(f"{fact} (by {name})" for fact in refused)), warned
