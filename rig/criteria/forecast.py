"""The forecast: at which counted cycle a specimen is expected to fail, and when nothing is told.

Looked at anew at fixed counts, from the points gathered so far: what is told does not depend on
how rows are cut. It is shown from the middle of the expected life on, and only while the longest
life that is left is at most three times the shortest and no tendon is expected to break before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.criteria.findings import Finding
from rig.criteria.forecast_life import NORMAL_HIGH, Interval, Relation, interval
from rig.criteria.forecast_points import NUMBER, SAG, SOFT, Points, based, begun_at, gathered
from rig.criteria.forecast_rate import TOO_FEW, Branch, secondary, steadiest
from rig.samples import Cycles

FloatArray = NDArray[np.float64]

WIDEST: Final = 3.0
"""Longest life that is left over the shortest, at most."""
FROM: Final = 0.5  # of the life that is expected, from which on it is shown
MOVED: Final = 0.2  # of its median, from which on it is written down anew
STREAK: Final = 3  # looks in a row at which it could be shown, before it is
EVERY: Final = 0.02  # of the count, from one look to the next, at least
BLOCKS: Final = 5  # of cycles
APART: Final = 0.15  # decades of life by which stiffness and deflection may differ
LN10: Final = math.log(10)

UNSEEN: Final = "the cycles of its baseline were not seen"
UNARMED: Final = "no loss of stiffness is armed as a failure"
EARLY: Final = "too early: not yet in the middle of the life it expects"
APART_WORDS: Final = "stiffness and deflection do not point to the same end"
TENDON: Final = "a tendon may break before it softens so far"
OUTLIVED: Final = "it has borne longer than such specimens do"
UNKNOWN_STEEL: Final = "what its steel bears is not known"
LASTS: Final = "it is expected to run out before"
REACHED: Final = "the loss of stiffness that is its end is all but reached, or is behind it"


@dataclass(frozen=True, slots=True)
class ForecastSetup:
    """What stays the same through a test.

    `stop` is the loss of stiffness that is a failure, None where none is armed; counts of the
    baseline and the run-out; lives of failed `companions` [cycles]; `tendon_from` the cycles from
    which on steel may break, 0 where that is not known.
    """

    relation: Relation
    block: int
    baseline_first: int
    baseline_last: int
    stop: float | None = None
    run_out: int | None = None
    companions: tuple[float, ...] = ()
    tendon_from: float = math.inf


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected at a count: counted cycles at failure; NaN and `why` where it is silent."""

    cycle: int = 0
    low: float = math.nan
    median: float = math.nan
    high: float = math.nan
    why: str = TOO_FEW

    @property
    def shown(self) -> bool:
        """Tell whether anything is told."""
        return not self.why


@dataclass(frozen=True, slots=True, eq=False)
class ForecastState:
    """Where a forecast stands; compare two by their `to_plain`.

    `relation` is what it goes by: it stays the same although files of companions do not.
    `base` are flexibility and deflection per load [m/N] of the baseline, None before there is one.
    `branch` is the secondary one that it goes by, None while there is none.
    `newest` is what is told now, `due` the count of the next look, `streak` the looks in a row
    that would have shown it, `told` the median written down last, NaN while it is silent.
    """

    relation: Relation
    points: Points = field(default_factory=Points)
    base: tuple[float, float] | None = None
    branch: Branch | None = None
    newest: Forecast = field(default_factory=Forecast)
    due: int = 0
    streak: int = 0
    told: float = math.nan

    def to_plain(self) -> dict[str, Any]:
        """Return plain values for a restart point (NaN stays a float)."""
        new = self.newest
        return {
            "relation": _plain(self.relation),
            "points": self.points.to_plain(),
            "base": list(self.base) if self.base else None,
            "branch": _plain(self.branch) if self.branch else None,
            "newest": [new.cycle, new.low, new.median, new.high, new.why],
            "due": self.due,
            "streak": self.streak,
            "told": self.told,
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> ForecastState:
        """Return what `to_plain` kept. Raises KeyError, TypeError, ValueError."""
        cycle, low, median, high, why = plain["newest"]
        soft, sag = plain["base"] or (math.nan, math.nan)
        return ForecastState(
            relation=Relation(*map(float, plain["relation"])),
            points=Points.from_plain(plain["points"]),
            base=(float(soft), float(sag)) if plain["base"] else None,
            branch=Branch(*map(float, plain["branch"])) if plain["branch"] else None,
            newest=Forecast(int(cycle), float(low), float(median), float(high), str(why)),
            due=int(plain["due"]),
            streak=int(plain["streak"]),
            told=float(plain["told"]),
        )


def _plain(told: Relation | Branch) -> list[float]:
    return [getattr(told, each.name) for each in fields(told)]


def begin_forecast(setup: ForecastSetup) -> ForecastState:
    """Return the state before the first counted cycle."""
    due = setup.baseline_last + setup.block
    return ForecastState(setup.relation, Points(block=setup.block), due=due)


def foresee(
    setup: ForecastSetup, state: ForecastState | None, rows: Cycles
) -> tuple[ForecastState, tuple[Finding, ...]]:
    """Take the next counted rows; return what is to be written down of the forecast.

    Without a state it begins. What is found does not depend on how the rows are cut.
    """
    state = state or begin_forecast(setup)
    setup = replace(setup, relation=state.relation)
    findings: list[Finding] = []
    while len(rows):
        first = int(rows["number"][0])
        stop = min(len(rows), state.points.room, max(state.due - first + 1, 1))
        part = rows.part(0, stop)
        state = replace(state, points=gathered(state.points, part))
        if int(part["number"][-1]) >= state.due:
            state, found = _looked(setup, state, int(state.due), int(part.known[-1]))
            findings += found
        rows = rows.part(stop, len(rows))
    return state, tuple(findings)


def _looked(
    setup: ForecastSetup, state: ForecastState, count: int, frame: int
) -> tuple[ForecastState, list[Finding]]:
    """Return the state after a look at a count, and what it has written down."""
    base = state.base or based(state.points, setup.baseline_first, setup.baseline_last)
    new, branch = expected(setup, replace(state, base=base), count)
    streak = state.streak + 1 if new.shown else 0
    if new.shown and streak < STREAK and not state.newest.shown:
        new = Forecast(count, why=state.newest.why)
    due = count + max(BLOCKS * setup.block, math.ceil(EVERY * count))
    told, findings = state.told, []
    if new.shown and (math.isnan(told) or abs(new.median / told - 1) > MOVED):
        findings.append(_finding(new, frame, _words(new, told)))
        told = new.median
    elif not new.shown and not math.isnan(told):
        findings.append(_finding(new, frame, f"nothing is foretold any more: {new.why}"))
        told = math.nan
    state = replace(state, base=base, branch=branch, newest=new)
    return replace(state, due=due, streak=streak, told=told), findings


def expected(
    setup: ForecastSetup, state: ForecastState, now: int
) -> tuple[Forecast, Branch | None]:
    """Return what is expected at a count from the points gathered until then, and its branch."""
    points, base = state.points, state.base
    if setup.stop is None:
        return Forecast(now, why=UNARMED), None
    if base is None:
        seen = not points.done.size or points.done[NUMBER][0] <= setup.baseline_last
        return Forecast(now, why=TOO_FEW if seen else UNSEEN), None
    number, soft, sag = points.done[NUMBER], points.done[SOFT] / base[0] - 1, points.done[SAG]
    sag = sag / base[1] - 1
    since = begun_at(points, setup.baseline_last)
    chosen = (number > since + (now - since) / 2) & (number > setup.baseline_last)
    rates = [secondary(number[chosen], grown[chosen]) for grown in (soft, sag)]
    branch, why = steadiest(state.branch, since, *rates)
    if branch is None:
        return Forecast(now, why=why), None
    return _told(setup, now, branch, _reached(setup, branch, number, soft)), branch


def _told(setup: ForecastSetup, now: int, branch: Branch, reached: Interval) -> Forecast:
    """Return what a secondary branch tells, or why it tells nothing."""
    if not reached.low > now:
        return Forecast(now, why=REACHED)
    relation, since = setup.relation, branch.since
    lives = (relation.soft - math.log10(branch.soft), relation.sag - math.log10(branch.sag))
    if abs(lives[0] - lives[1]) > APART + relation.scatter:
        return Forecast(now, why=APART_WORDS)
    spread = math.hypot(relation.scatter, branch.noise / LN10)
    life = (lives[0] + lives[1]) / 2
    found = interval(now, since, life, relation.freedom, spread, setup.companions)
    if found is None:
        return Forecast(now, why=OUTLIVED)
    # The failure is a loss of stiffness: reached by the steady rate alone it comes sooner.
    sooner = found.sooner(reached)
    if why := _silent(setup, now, since, sooner):
        return Forecast(now, why=why)
    return Forecast(now, sooner.low, sooner.median, sooner.high, "")


def _silent(setup: ForecastSetup, now: int, since: float, found: Interval) -> str:
    """Return why an interval is not told, "" where it is."""
    if setup.run_out is not None and found.low > setup.run_out:
        return LASTS
    if not setup.tendon_from:
        return UNKNOWN_STEEL
    if found.high > setup.tendon_from:
        return f"{TENDON}, from {setup.tendon_from:,.3g} cycles on"
    ratio = found.ratio(now)
    if ratio > WIDEST:
        return f"too wide an interval: what is left differs by a factor of {ratio:.1f}"
    return "" if now - since >= FROM * (found.median - since) else EARLY


def _reached(
    setup: ForecastSetup, branch: Branch, number: FloatArray, soft: FloatArray
) -> Interval:
    """Return the counts between which the armed loss of stiffness is reached at the steady rate.

    80 % by what is not known of that rate.
    """
    goal = 1 / (1 - (setup.stop or 0.0)) - 1
    last = int(np.flatnonzero(np.isfinite(soft))[-1])
    left = (goal - float(soft[last])) / branch.soft
    wider = math.exp(NORMAL_HIGH * branch.noise)
    low, median, high = (float(number[last]) + left * share for share in (1 / wider, 1.0, wider))
    return Interval(low, median, high)


def _words(new: Forecast, told: float) -> str:
    was = "" if math.isnan(told) else f"; it was {told:,.0f}"
    return (
        f"failure expected at cycle {new.median:,.0f}, with 80 % between {new.low:,.0f} and "
        f"{new.high:,.0f}{was}"
    )


def _finding(new: Forecast, frame: int, text: str) -> Finding:
    numbers = {"low": new.low, "median": new.median, "high": new.high}
    return Finding("forecast", "note", new.cycle, frame, new.cycle, text, numbers)
