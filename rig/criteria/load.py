"""Judging the load that was reached: short, or above the upper load."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from rig.criteria.agreement import Together
from rig.criteria.confirming import opinion
from rig.criteria.findings import BEFORE, CriteriaSetup, CriteriaState, Finding
from rig.criteria.part import Part
from rig.samples import Cycles

OVERLOAD: Final = 1.02  # of the upper load; common practice, no source
GROSS_OVERLOAD: Final = 1.05  # of the upper load: marks the run; common practice, no source

RANGE_SHORT: Final = 0.5  # of what the upper load is short by; less, and only its zero has moved
SOFTENED: Final = 0.05
"""Stiffness lost against the cycles before a shortfall that makes it the specimen's doing."""

DISPUTED: Final = "disputed load-short"
"""Reported once other channels have contradicted a failure by a short load."""

WEAKENED: Final = 0.20
"""Stiffness lost against the baseline that does so where no warning level is armed.
Both: common practice, no source."""


def find_overloads(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles, findings: list[Finding]
) -> CriteriaState:
    """Note each stretch of cycles above 102 % of the upper load; warn at the first above 105 %."""
    load = rows["load_max"].astype(np.float64)
    over = load > OVERLOAD * setup.upper
    if not over.any():
        return replace(state, overloaded=False) if state.overloaded else state
    before = np.concatenate(([state.overloaded], over[:-1]))
    counts = state.overloads + np.cumsum(over)
    gross = np.flatnonzero(load > GROSS_OVERLOAD * setup.upper)
    warned = "overload" in state.reported
    worst = int(gross[0]) if len(gross) and not warned else None
    findings += [
        _overload(setup, rows, at, "note", OVERLOAD, int(counts[at]))
        for at in np.flatnonzero(over & ~before).tolist()
        if at != worst
    ]
    reported = state.reported
    if worst is not None:
        findings.append(_overload(setup, rows, worst, "warn", GROSS_OVERLOAD, int(counts[worst])))
        reported |= {"overload"}
    return replace(state, overloaded=bool(over[-1]), overloads=int(counts[-1]), reported=reported)


def _overload(
    setup: CriteriaSetup, rows: Cycles, at: int, action: str, limit: float, count: int
) -> Finding:
    load = float(rows["load_max"][at])
    cycle = int(rows["number"][at])
    text = (
        f"load reached {load / 1e3:.5g} kN, {load / setup.upper:.1%} of the upper load "
        f"{setup.upper / 1e3:.5g} kN; above {limit:.0%}"
    )
    evidence = {"load_max": load, "ratio": load / setup.upper, "overloads": float(count)}
    return Finding("overload", action, cycle, int(rows.known[at]), cycle, text, evidence)


def find_short(
    setup: CriteriaSetup,
    state: CriteriaState,
    part: Part,
    together: Together | None,
    findings: list[Finding],
) -> CriteriaState:
    """Find the upper load short in `short_confirm` judged cycles in a row.

    With stiffness unchanged it is the rig's fault; with stiffness down, the specimen's failure. A
    failure that other channels contradict pauses once in its place.
    """
    if setup.short_stop is None or "load-short" in state.reported or not len(part.load_max):
        return state
    short = part.load_max < setup.upper * (1 - setup.short_stop)
    run = state.short_cycles if short[0] else 0
    if not short.any():
        return replace(state, short_cycles=0) if state.short_cycles else state
    for index, is_short in enumerate(short.tolist()):
        run = run + 1 if is_short else 0
        if run == setup.short_confirm:
            found = _short(setup, state, part, index)
            if found.action == "failure":
                said = opinion(together, part.row(part.begin + index), run)
                found = said.of(found, "conflict")
            if found.kind == "conflict":
                run = 0
                if DISPUTED not in state.reported:
                    findings.append(found)
                state = replace(state, reported=state.reported | {DISPUTED})
                continue
            findings.append(found)
            return replace(state, short_cycles=0, reported=state.reported | {"load-short"})
    return replace(state, short_cycles=run)


def _loss(now: float, before: float) -> float:
    return 1 - now / before if before > 0 else math.nan


def _short(setup: CriteriaSetup, state: CriteriaState, part: Part, index: int) -> Finding:
    at = part.begin + index
    first = at - setup.short_confirm + 1
    now = float(np.median(part.stiffness[first : at + 1]))
    earlier = part.stiffness[max(0, first - BEFORE) : first]
    recent = _loss(now, float(np.median(earlier)) if len(earlier) else math.nan)
    total = _loss(now, state.baseline.stiffness if state.baseline else math.nan)
    weakened = WEAKENED if setup.loss_warn is None else setup.loss_warn
    failed = recent >= SOFTENED or total >= weakened
    load = float(part.load_max[index])
    cause = "stiffness is down too" if failed else "stiffness is unchanged: the rig is at fault"
    span = load - float(part.load_min[index])
    if not failed and 1 - span / (setup.upper - setup.lower) < RANGE_SHORT * (
        1 - load / setup.upper
    ):
        cause = "the range is as it should be: the load cell is in doubt, look at its zero"
    text = (
        f"upper load short in {setup.short_confirm} cycles in a row, {load / 1e3:.5g} of "
        f"{setup.upper / 1e3:.5g} kN; {cause} ({now / 1e6:.5g} kN/mm)"
    )
    evidence = {
        "load_max": load,
        "short": 1 - load / setup.upper,
        "stiffness": now,
        "loss_since_before": recent,
        "loss_since_baseline": total,
    }
    action = "failure" if failed else "fault"
    cycle, frame = part.when(at)
    return Finding("load-short", action, cycle, frame, part.when(first)[0], text, evidence)
