"""Judging counted cycles: baseline, stiffness loss and step, residual growth, run-out.

All stiffness criteria are armed by the baseline. Growth of peak deflection is no criterion:
creep under a mean load does that alone. Rows flagged LONG_GAP are counted, not judged; rows
flagged GAP are used.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rig.criteria.agreement import Together, gather
from rig.criteria.confirming import opinion_on_step
from rig.criteria.findings import (
    LONGEST_MEDIAN,
    STEP_MEDIAN,
    CriteriaSetup,
    CriteriaState,
    Finding,
    Settled,
    in_order,
)
from rig.criteria.in_doubt import find_doubts
from rig.criteria.load import find_overloads, find_short
from rig.criteria.loss import find_loss, find_residual
from rig.criteria.medians import trailing_medians
from rig.criteria.off_target import find_off_target
from rig.criteria.part import Part
from rig.criteria.warmth import allow_for
from rig.samples import Cycles, Flag

EARLY_LOSS: Final = 0.15  # lost before the baseline; common practice, no source

FloatArray = NDArray[np.float64]


def judge(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles
) -> tuple[CriteriaState, tuple[Finding, ...]]:
    """Judge counted rows, numbered on from the last call; needs the columns of the cycle table.

    Returns all findings in the order of their cycles, also those after the first that ends the
    test. Warnings and ends come once; a step is looked for anew after each one found. What is
    found does not depend on how the rows are cut.
    """
    findings: list[Finding] = []
    while len(rows):
        stop = _baseline_end(setup, state, rows)
        state = _judge_part(setup, state, rows.part(0, stop), findings)
        rows = rows.part(stop, len(rows))
    return state, in_order(findings)


def _judged(rows: Cycles) -> NDArray[np.bool_]:
    ungapped = (rows["flags"].astype(np.int64) & Flag.LONG_GAP) == 0
    result: NDArray[np.bool_] = ungapped & np.isfinite(rows["stiffness"])
    return result


def _baseline_end(setup: CriteriaSetup, state: CriteriaState, rows: Cycles) -> int:
    """Return the index after the row that completes the baseline, else the number of rows."""
    number = rows["number"]
    if state.baseline is not None or number[-1] < setup.baseline_last:
        return len(rows)
    usable = _judged(rows) & (number >= setup.baseline_first)
    gathered = state.collected.shape[1] + np.cumsum(usable)
    complete = np.flatnonzero((number >= setup.baseline_last) & (gathered > 0))
    return int(complete[0]) + 1 if len(complete) else len(rows)


def _judge_part(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles, findings: list[Finding]
) -> CriteriaState:
    state, together, warm = _compared(setup, state, rows, findings)
    part = Part.of(rows, _judged(rows), state.recent, warm)
    state = find_overloads(setup, state, rows, findings)
    state = find_short(setup, state, part, together, findings)
    state = _find_off_target(setup, state, rows, findings)
    if state.baseline is None:
        state = _collect(setup, state, rows, part, findings)
    else:
        state = find_loss(setup, state, part, together, findings)
        state = find_residual(setup, state, part, findings)
        state = _find_step(setup, state, part, together, findings)
    state = _find_run_out(setup, state, rows, findings)
    return replace(state, recent=part.values[:, -setup.memory :].copy())


def _compared(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles, findings: list[Finding]
) -> tuple[CriteriaState, Together | None, FloatArray | None]:
    """Compare the channels; return what they say together, and what the temperature adds."""
    if setup.agreement is None:
        return state, None, None
    agreement, together = gather(setup.agreement, state.agreement, rows)
    agreement = find_doubts(agreement, together, rows, findings)
    warmth, warm = allow_for(state.warmth, together, rows)
    return replace(state, agreement=agreement, warmth=warmth), together, warm


def _find_off_target(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles, findings: list[Finding]
) -> CriteriaState:
    target, told = find_off_target(setup.upper - setup.lower, state.target, rows)
    for found in told:
        number, frame = int(rows["number"][found.row]), int(rows.known[found.row])
        text, evidence = found.text, found.evidence
        findings.append(Finding("off-target", "warn", number, frame, found.first, text, evidence))
    return replace(state, target=target)


def _median(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else float("nan")


def _collect(
    setup: CriteriaSetup,
    state: CriteriaState,
    rows: Cycles,
    part: Part,
    findings: list[Finding],
) -> CriteriaState:
    """Gather the baseline's cycles; with its last row, work it out."""
    opening = np.concatenate((state.opening, part.stiffness[part.begin :]))[:LONGEST_MEDIAN]
    chosen = part.judged & (rows["number"] >= setup.baseline_first)
    names = ("stiffness", "deflection_max", "deflection_min", "stroke_max", "stroke_min")
    missing = np.full(len(rows), np.nan)
    new = [rows.columns.get(name, missing)[chosen].astype(np.float64) for name in names]
    collected = np.concatenate((state.collected, new), axis=1)
    last = int(rows["number"][-1])
    if last < setup.baseline_last or not collected.shape[1]:
        return replace(state, opening=opening, collected=collected)
    base = Settled(*(_median(column) for column in collected))
    findings += _baseline_findings(
        base, opening, collected.shape[1], setup.baseline_first, last, int(rows.known[-1])
    )
    return replace(
        state,
        opening=opening[:0],
        collected=collected[:, :0],
        baseline=base,
        step_after=last,
    )


def _baseline_findings(
    base: Settled, opening: FloatArray, cycles: int, first: int, cycle: int, frame: int
) -> list[Finding]:
    evidence = {name: getattr(base, name) for name in Settled.__slots__}
    action = "note" if base.stiffness > 0 else "pause"
    text = (
        f"baseline over {cycles} cycles: stiffness {base.stiffness / 1e6:.5g} kN/mm, "
        f"net deflection {base.deflection_min * 1e3:.4g} to {base.deflection_max * 1e3:.4g} mm"
    )
    if action == "pause":
        text += "; the deflection does not follow the load: look at its sensors"
    found = [Finding("baseline", action, cycle, frame, first, text, evidence | {"cycles": cycles})]
    start = float(np.median(opening))
    lost = 1 - base.stiffness / start
    if lost > EARLY_LOSS:
        text = (
            f"{lost:.1%} of stiffness was lost before the baseline, above {EARLY_LOSS:.0%}: "
            f"from {start / 1e6:.5g} to {base.stiffness / 1e6:.5g} kN/mm"
        )
        numbers = {"loss": lost, "stiffness": base.stiffness, "opening": start}
        found.append(Finding("early-loss", "note", cycle, frame, 1, text, numbers))
    return found


def _find_step(
    setup: CriteriaSetup,
    state: CriteriaState,
    part: Part,
    together: Together | None,
    findings: list[Finding],
) -> CriteriaState:
    """Find drops within `step_within` cycles, between medians of 5 cycles."""
    if setup.step_pause is None:
        return state
    left = 1 - setup.step_pause
    begin = part.begin
    while True:
        skipped = int(np.searchsorted(part.numbers, state.step_after, side="right"))
        values = part.stiffness[skipped:]
        if len(values) <= STEP_MEDIAN or values.min() > left * values.max():
            return state
        medians = trailing_medians(values, STEP_MEDIAN)
        padded = np.concatenate((np.full(setup.step_within, -np.inf), medians[:-1]))
        highest = sliding_window_view(padded, setup.step_within).max(axis=1)
        ends = np.arange(len(medians)) + skipped + STEP_MEDIAN - 1
        fallen = (medians <= left * highest) & (highest > 0)
        hits = np.flatnonzero(fallen & (ends >= begin))
        if not len(hits):
            return state
        hit = int(hits[0])
        at = int(ends[hit])
        found = _step_finding(setup, part, at, (float(highest[hit]), float(medians[hit])))
        said = opinion_on_step(together, part.row(at), setup.step_within + STEP_MEDIAN, STEP_MEDIAN)
        findings.append(said.of(found, "sensor"))
        state = replace(state, step_after=part.when(at)[0])
        begin = at + 1


def _step_finding(
    setup: CriteriaSetup, part: Part, at: int, values: tuple[float, float]
) -> Finding:
    before, now = values
    limit = setup.step_pause or 0.0
    last = part.stiffness[at - STEP_MEDIAN + 1 : at + 1]
    seen = at - STEP_MEDIAN + 1 + int(np.argmax(last <= before * (1 - limit)))
    drop = 1 - now / before
    text = (
        f"stiffness fell {drop:.1%} within {setup.step_within} cycles, from "
        f"{before / 1e6:.5g} to {now / 1e6:.5g} kN/mm; limit {limit:.0%}"
    )
    evidence = {"drop": drop, "before": before, "stiffness": now, "limit": limit}
    return Finding("stiffness-step", "pause", *part.when(at), part.when(seen)[0], text, evidence)


def _find_run_out(
    setup: CriteriaSetup, state: CriteriaState, rows: Cycles, findings: list[Finding]
) -> CriteriaState:
    number = rows["number"]
    if setup.run_out is None or number[-1] < setup.run_out or "run-out" in state.reported:
        return state
    at = int(np.searchsorted(number, setup.run_out))
    cycle = int(number[at])
    text = f"no failure in {cycle:,} cycles"
    evidence = {"cycles": float(cycle)}
    findings.append(
        Finding("run-out", "run-out", cycle, int(rows.known[at]), cycle, text, evidence)
    )
    return replace(state, reported=state.reported | {"run-out"})
