"""Stiffness lost against the baseline, and deflection that is left: warned of, and ended by.

A loss that would end the test is held against what other channels say. Where they contradict it
the test pauses in its place; while they go on to, it is told no more.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.channels import shown
from rig.criteria.agreement import Together
from rig.criteria.confirming import CONTRADICTED, opinion, weigh
from rig.criteria.findings import CriteriaSetup, CriteriaState, Finding
from rig.criteria.medians import first_at_or_below
from rig.criteria.part import Part

DISPUTED = "disputed stiffness-loss"
"""Reported as long as other channels contradict a loss that would end the test."""
CLEARED = 0.9
"""Of the limit: a loss below it is disputed no more."""


def find_loss(
    setup: CriteriaSetup,
    state: CriteriaState,
    part: Part,
    together: Together | None,
    findings: list[Finding],
) -> CriteriaState:
    """Find where the median of stiffness crosses the warning and the stop."""
    if state.baseline is None or not state.baseline.stiffness > 0:
        return state
    for action, limit in (("warn", setup.loss_warn), ("failure", setup.loss_stop)):
        name = f"stiffness-loss {action}"
        if limit is None or name in state.reported:
            continue
        threshold = state.baseline.stiffness * (1 - limit)
        state = see(state, name, part, part.warm_stiffness[part.begin :] <= threshold)
        if action == "failure":
            state = _find_stop(setup, state, part, together, threshold, findings)
            continue
        hit = first_at_or_below(part.warm_stiffness, part.begin, setup.window, threshold)
        if hit is not None:
            findings.append(_loss(setup, state, part, hit, action, limit))
            state = replace(state, reported=state.reported | {name})
    return state


def _find_stop(
    setup: CriteriaSetup,
    state: CriteriaState,
    part: Part,
    together: Together | None,
    threshold: float,
    findings: list[Finding],
) -> CriteriaState:
    """Find the loss that ends the test, or that others contradict, at a stiffness [N/m]."""
    limit = setup.loss_stop
    if limit is None or state.baseline is None:
        return state
    begin = part.begin
    while True:
        if DISPUTED in state.reported:
            hit, over = _settled(setup, part, together, begin, state.baseline.stiffness)
            if over is not None:
                state = replace(state, reported=state.reported - {DISPUTED})
                begin = over + 1
                continue
        else:
            hit = first_at_or_below(part.warm_stiffness, begin, setup.window, threshold)
        if hit is None:
            return state
        said = opinion(together, part.row(hit[0]))
        found = said.of(_loss(setup, state, part, hit, "failure", limit), "conflict")
        findings.append(found)
        if found.kind != "conflict":
            return replace(state, reported=state.reported | {"stiffness-loss failure"})
        state = replace(state, reported=state.reported | {DISPUTED})
        begin = hit[0] + 1


def _settled(
    setup: CriteriaSetup, part: Part, together: Together | None, begin: int, base: float
) -> tuple[tuple[int, float] | None, int | None]:
    """Look, group by group, where a disputed loss is disputed no more.

    Returns index and median where others do not contradict it any more, or the index at which
    there is no such loss any more.
    """
    if together is None or together.base is None or setup.loss_stop is None:
        return None, None
    new = together.groups.part(together.begin, len(together.groups))
    if not len(new):
        return None, None
    against = weigh(together.setup, together.base, new).verdict == CONTRADICTED
    low, high = base * (1 - setup.loss_stop), base * (1 - CLEARED * setup.loss_stop)
    for group, row in enumerate(together.ends.tolist()):
        at = part.place(row)
        if at < max(begin, setup.window - 1):
            continue
        if against[group] and not part.warm_stiffness[at] > high:
            continue
        median = float(np.median(part.warm_stiffness[at - setup.window + 1 : at + 1]))
        if median > high:
            return None, at
        if median <= low and not against[group]:
            return (at, median), None
    return None, None


def _loss(
    setup: CriteriaSetup,
    state: CriteriaState,
    part: Part,
    hit: tuple[int, float],
    action: str,
    limit: float,
) -> Finding:
    at, median = hit
    base = state.baseline.stiffness if state.baseline is not None else float("nan")
    loss = 1 - median / base
    text = (
        f"stiffness {median / 1e6:.5g} kN/mm, median of {setup.window} cycles, is "
        f"{loss:.1%} below the baseline {base / 1e6:.5g} kN/mm; limit {limit:.0%}"
    )
    evidence = {"loss": loss, "stiffness": median, "baseline": base, "limit": limit}
    window = slice(at - setup.window + 1, at + 1)
    raw = float(np.median(part.stiffness[window]))
    if part.warm is not None and part.warm[0, at] != 0:
        text += f" ({raw / 1e6:.5g} kN/mm as measured, without the temperature)"
        evidence |= {"as_measured": raw}
    seen = state.first_seen[f"stiffness-loss {action}"]
    return Finding("stiffness-loss", action, *part.when(at), seen, text, evidence)


def find_residual(
    setup: CriteriaSetup, state: CriteriaState, part: Part, findings: list[Finding]
) -> CriteriaState:
    """Warn when net deflection at lower load has grown against the baseline."""
    limit, name = setup.residual_warn, "residual-growth"
    if state.baseline is None or limit is None or name in state.reported:
        return state
    base = state.baseline.deflection_min
    if not base > 0:
        return state
    threshold = base * (1 + limit)
    values = part.warm_deflection
    state = see(state, name, part, values[part.begin :] >= threshold)
    hit = first_at_or_below(-values, part.begin, setup.window, -threshold)
    if hit is None:
        return state
    at, median = hit[0], -hit[1]
    growth = median / base - 1
    text = (
        f"net deflection at lower load {median * 1e3:.4g} mm, median of {setup.window} cycles, "
        f"has grown {growth:.0%} over the baseline {base * 1e3:.4g} mm; limit {limit:.0%}"
    )
    evidence = {"growth": growth, "deflection_min": median, "baseline": base, "limit": limit}
    if part.warm is not None and part.warm[1, at] != 0:
        raw = float(np.median(part.deflection[at - setup.window + 1 : at + 1]))
        measured = shown("deflection", raw, digits=4)
        text += f" ({measured} as measured, without the temperature)"
        evidence |= {"as_measured": raw}
    findings.append(Finding(name, "warn", *part.when(at), state.first_seen[name], text, evidence))
    return replace(state, reported=state.reported | {name})


def see(state: CriteriaState, name: str, part: Part, crossed: NDArray[np.bool_]) -> CriteriaState:
    """Keep the first cycle whose own value crossed."""
    if name in state.first_seen or not crossed.any():
        return state
    cycle = part.when(part.begin + int(np.argmax(crossed)))[0]
    return replace(state, first_seen={**state.first_seen, name: cycle})
