"""Recorded rows through today's criteria, for one plan or for many in one pass.

Rows are held against limits only where nobody had watched the samples they are made of: as
recorded a row cannot trip what three samples in a row did not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np

from rig.channels import shown
from rig.criteria.findings import CriteriaSetup, CriteriaState, Finding, Settled
from rig.criteria.judge import judge
from rig.guards.health import HealthSetup, HealthState, check_spikes
from rig.guards.learned import combine
from rig.judging.arming import criteria_setup, learned_of
from rig.judging.shadow import shadowed
from rig.judging.surroundings import with_temperatures
from rig.protocol.plan import Bounds, Plan
from rig.replay.ends import DOUBT, ENDING, FINDING, TRIP, End, Noted, end_of, first_of, found_of
from rig.replay.found import Found
from rig.replay.timeline import Timeline
from rig.samples import Cycles, Flag, FloatArray

FROM_EXTREMES: Final = "from the cycle's extremes: whether it lasted is not known"
UNBOUNDED: Final = (-math.inf, math.inf)
Intervals = Sequence[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class RowSetup:
    """What a plan has recorded rows held against.

    By the limits of the plan `recorded_by` every sample was watched when the rows were recorded;
    None where nobody did. `seen` are the stretches of frames of which the samples are kept: they
    are looked at, not their rows. `air` holds times [s] and temperatures [K] of the air.
    """

    plan: Plan
    criteria: CriteriaSetup
    health: HealthSetup
    timeline: Timeline
    recorded_by: Plan | None
    seen: Intervals = ()
    air: tuple[FloatArray, FloatArray] = (np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True, eq=False)
class RowState:
    """Where judging stands after some rows.

    `settled_tick` is when the baseline was acted upon. `reference` follows the baseline that the
    recorded limits were learned from, where it may be another. `build_ups` are the frames of
    those to come, `last_begin` is that of the last row. `end` ends the judging.
    """

    criteria: CriteriaState
    health: HealthState
    reference: CriteriaState | None = None
    settled_tick: int | None = None
    build_ups: tuple[int, ...] = ()
    last_begin: int = -1
    rows: int = 0
    noted: tuple[Noted, ...] = ()
    end: End | None = None

    @property
    def settled(self) -> tuple[int, Settled] | None:
        """The baseline, and the tick at which it was acted upon."""
        if self.settled_tick is None or self.criteria.baseline is None:
            return None
        return self.settled_tick, self.criteria.baseline


@dataclass(frozen=True, slots=True)
class _Part:
    """Rows of one call, and what was found in them."""

    rows: Cycles
    noted: list[Noted] = field(default_factory=list)
    ends: list[End] = field(default_factory=list)


def row_setup(
    plan: Plan,
    rate: float,
    line: Timeline,
    recorded_by: Plan | None,
    seen: Intervals,
    air: tuple[FloatArray, FloatArray] = (np.empty(0), np.empty(0)),
) -> RowSetup | None:
    """Return what rows at `rate` [Hz] are held against; None for a plan that judges no cycles."""
    if plan.cyclic is None or plan.loading is None:
        return None
    health = HealthSetup({}, rate)
    return RowSetup(plan, criteria_setup(plan, plan.cyclic), health, line, recorded_by, seen, air)


def begin_rows(setup: RowSetup) -> RowState:
    """Return the state before the first row."""
    other = setup.recorded_by is not None and setup.recorded_by != setup.plan
    return RowState(
        CriteriaState(),
        HealthState(),
        reference=CriteriaState() if other else None,
        build_ups=tuple(setup.timeline.build_ups()),
    )


def columns_of(setups: Iterable[RowSetup]) -> set[str]:
    """Return the columns that judging needs."""
    needed = {"number", "time", "frequency", "flags", "stiffness", "load_max"}
    needed |= {f"{name}_{end}" for name in ("deflection", "stroke") for end in ("max", "min")}
    for setup in setups:
        if setup.criteria.agreement is not None:
            names = {*setup.criteria.agreement.channels, "load", "deflection"}
            needed |= {f"{name}_{end}" for name in names for end in ("max", "min")}
        if setup.recorded_by != setup.plan:
            names = {*setup.plan.limits.fixed, "load"}
            needed |= {f"{name}_{end}" for name in names for end in ("max", "min")}
    return needed


def judge_rows(setup: RowSetup, state: RowState, rows: Cycles) -> RowState:
    """Judge the next rows; nothing is done any more behind an end.

    What is found does not depend on how the rows are cut.
    """
    if state.end is not None or not len(rows):
        return state
    part = _Part(rows)
    criteria, findings = judge(setup.criteria, state.criteria, with_temperatures(rows, *setup.air))
    findings = shadowed(setup.plan.failure.alert_only, findings)
    settled = state.settled_tick
    for finding in findings:
        tick = setup.timeline.at_tick(finding.frame)
        if finding.kind == "baseline":
            settled = tick
        if finding.action in ENDING:
            part.ends.append(end_of(finding, tick))
        elif (finding.kind, finding.action) == (
            "conflict",
            "pause",
        ) and not setup.timeline.paused_at(finding.frame):
            # Nobody looked: a failure that may be none ends a test as a fault.
            finding = replace(finding, action="fault")
            part.ends.append(end_of(finding, tick))
        part.noted.append(Noted(tick, FINDING, found_of(finding)))
    health, build_ups = _spikes(setup, state, part)
    reference, known_at = _follow(setup, state, rows)
    after = replace(
        state,
        criteria=criteria,
        health=health,
        reference=reference,
        settled_tick=settled,
        build_ups=build_ups,
        last_begin=int(rows.begin[-1]),
        rows=state.rows + len(rows),
    )
    settled_at = _settled_at(state, findings, rows)
    cuts = sorted({0, settled_at, known_at, len(rows)})
    for start, stop in pairwise(cuts):
        base = criteria.baseline if start >= settled_at else None
        watched = _watched(setup, after, base, known=start >= known_at)
        _beyond(setup, tighter(_limits(setup.plan, base), watched), part, start, stop)
    return _closed(setup, after, part)


def _settled_at(state: RowState, findings: tuple[Finding, ...], rows: Cycles) -> int:
    """Return the index of the first row behind the one that completed the baseline."""
    if state.criteria.baseline is not None:
        return 0
    cycle = next((f.cycle for f in findings if f.kind == "baseline"), None)
    return len(rows) if cycle is None else int(np.searchsorted(rows["number"], cycle)) + 1


def _closed(setup: RowSetup, state: RowState, part: _Part) -> RowState:
    """Return the state with what was found, up to the first end that ends the test."""
    ends = [e for e in part.ends if not setup.timeline.survived(e.frame)]
    end = first_of(ends)
    noted = [n for n in part.noted if end is None or n.tick <= end.tick]
    if end is not None:
        # Within a tick findings are acted upon in order, and none after the one that ends it.
        at = next(i for i, n in enumerate(noted) if n.found == end.found)
        noted = [n for i, n in enumerate(noted) if n.tick < end.tick or i <= at]
    return replace(state, noted=(*state.noted, *noted), end=end)


def _follow(setup: RowSetup, state: RowState, rows: Cycles) -> tuple[CriteriaState | None, int]:
    """Follow the baseline of the plan that the rows were recorded by, where it is another.

    Returns it, and the index of the first row behind the one that completed it.
    """
    by = setup.recorded_by
    if state.reference is None or by is None or by.loading is None:
        return state.reference, len(rows)
    if state.reference.baseline is not None:
        return state.reference, 0
    bare = CriteriaSetup(by.loading.upper, by.loading.lower, by.baseline.first, by.baseline.last)
    after, findings = judge(bare, state.reference, rows)
    cycle = next((f.cycle for f in findings if f.kind == "baseline"), None)
    at = len(rows) if cycle is None else int(np.searchsorted(rows["number"], cycle)) + 1
    return after, at


def _limits(plan: Plan, base: Settled | None) -> Mapping[str, Bounds]:
    """Return the limits of a plan [SI], with those learned from a baseline."""
    if base is None or plan.loading is None:
        return plan.limits.fixed
    return combine(plan.limits.fixed, learned_of(plan, plan.loading, base))


def _watched(
    setup: RowSetup, state: RowState, base: Settled | None, *, known: bool
) -> Mapping[str, Bounds]:
    """Return the limits that every sample was held against when the rows were recorded [SI]."""
    by = setup.recorded_by
    if by is None:
        return {}
    if state.reference is not None:
        base = state.reference.baseline if known else None
    return combine(by.rig.limits, _limits(by, base))


def tighter(own: Mapping[str, Bounds], watched: Mapping[str, Bounds]) -> dict[str, Bounds]:
    """Return the sides of bounds that lie within those watched; the others are infinite."""
    found: dict[str, Bounds] = {}
    for name, (low, high) in own.items():
        known_low, known_high = watched.get(name, UNBOUNDED)
        sides = (low if low > known_low else -math.inf, high if high < known_high else math.inf)
        if sides != UNBOUNDED:
            found[name] = sides
    return found


def _spikes(setup: RowSetup, state: RowState, part: _Part) -> tuple[HealthState, tuple[int, ...]]:
    """Count flagged spikes; after a build-up they are reported anew.

    The first cycle after a build-up is not looked at: counting begins with it.
    """
    rows, health, build_ups = part.rows, state.health, state.build_ups
    flags = rows["flags"].astype(np.int64)
    for row in np.flatnonzero(flags & Flag.SPIKE).tolist():
        begin = int(rows.begin[row])
        before = int(rows.begin[row - 1]) if row else state.last_begin
        passed = [b for b in build_ups if b <= begin]
        if passed:
            build_ups = build_ups[len(passed) :]
            health = HealthState(spikes=health.spikes)
            if before < passed[-1]:
                continue
        of_load = bool(flags[row] & Flag.LOAD_SPIKE)
        health, crowded = check_spikes(setup.health, health, [int(rows.known[row])], [of_load])
        for found in crowded:
            told = Found(found.kind, int(rows["number"][row]), found.text, found.action)
            part.noted.append(Noted(setup.timeline.at_tick(found.frame), DOUBT, told))
    return health, build_ups


def _beyond(
    setup: RowSetup, limits: Mapping[str, Bounds], part: _Part, start: int, stop: int
) -> None:
    """Find the first row [start, stop) with an extreme beyond a limit, where no sample is kept."""
    rows = part.rows.part(start, stop)
    if not limits or not len(rows):
        return
    unseen = _unseen(rows, setup.seen)
    hits: list[tuple[int, str, float, float]] = []
    for name, bounds in limits.items():
        for bound, column in zip(bounds, _extremes(rows, name), strict=True):
            if column is None or math.isinf(bound):
                continue
            # As a sample holds it: one that equals the bound is not beyond it.
            level = np.float32(bound)
            beyond = unseen & ((column < level) if bound == bounds[0] else (column > level))
            if beyond.any():
                at = int(np.argmax(beyond))
                hits.append((at, name, float(column[at]), bound))
    if hits:
        at, name, value, bound = min(hits, key=lambda hit: hit[0])
        _tripped(setup, part, start + at, _words(name, value, bound))


def _tripped(setup: RowSetup, part: _Part, at: int, text: str) -> None:
    """Note that a row's extreme is beyond a limit."""
    cycle, frame = int(part.rows["number"][at]), int(part.rows.known[at])
    tick = setup.timeline.at_tick(frame)
    found = Found("limit", cycle, text, "limit")
    part.ends.append(End(tick, TRIP, frame, "limit", text, found, cycle))
    part.noted.append(Noted(tick, TRIP, found))


def _extremes(rows: Cycles, name: str) -> list[Any]:
    return [rows.columns.get(f"{name}_{end}") for end in ("min", "max")]


def _words(name: str, value: float, bound: float) -> str:
    limit = shown(name, bound)
    # A value that is just beyond must not read as if it were the limit.
    seen = next((s for s in (shown(name, value), shown(name, value, digits=8)) if s != limit), "")
    word = "above" if value > bound else "below"
    return f"{name} {seen or limit} is {word} its limit {limit}, {FROM_EXTREMES}"


def _unseen(rows: Cycles, seen: Intervals) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which rows are made of samples that are not kept."""
    unseen = np.ones(len(rows), np.bool_)
    for first, last in seen:
        unseen &= ~((rows.begin >= first) & (rows.end <= last))
    return unseen
