"""Figures of many records: stopped falsely, missed, how late, which cause was named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.judgement.carrying import SLACK, Record
from tests.judgement.causes import NOTHING
from tests.judgement.drawing import BRITTLE, SLOW
from tests.judgement.kinds import UNTOLD
from tests.judgement.setting import CONFIRM, FREQUENCY, STOP
from tests.truth import CAUSES

ALLOWED: Final = 10.0
"""s in which a specimen that broke must have stopped the test."""
AT_ONCE: Final = 0.005
"""Of stiffness, by which a crossing goes beyond the limit at once: a crack opens in one cycle, and
what is confirmed then is held against the loss right after it, for nobody could tell before."""
CONFIRMING: Final = 4 * CONFIRM / FREQUENCY
"""s after a loss beyond the limit and SLACK: four times the cycles that confirm it."""


@dataclass(frozen=True)
class Healthy:
    """Of disturbed nights whose specimen does not fail: `false` names those stopped as failure.

    `spoiled` names those whose specimen failed all the same (they are counted nowhere else),
    `groundless` those that ended although nothing but harmless things happened; `hours` are those
    judged, of so many `nights`, `whole` of which went on to the run-out.
    """

    nights: int
    false: tuple[str, ...]
    spoiled: tuple[str, ...]
    groundless: tuple[str, ...]
    whole: int
    hours: float


def healthy_figures(records: Iterable[Record]) -> Healthy:
    """Return the figures of healthy nights."""
    nights = list(records)
    spoiled = [r for r in nights if failed_at(r) is not None]
    sound = [r for r in nights if failed_at(r) is None]
    return Healthy(
        nights=len(sound),
        false=_names(r for r in sound if r.outcome == "failure"),
        spoiled=_names(spoiled),
        groundless=_names(
            r for r in sound if r.outcome != "run-out" and {t[1] for t in _begun(r)} <= {NOTHING}
        ),
        whole=sum(r.outcome == "run-out" for r in sound),
        hours=sum((r.stopped or r.test_s) / 3600 for r in sound),
    )


@dataclass(frozen=True)
class Failing:
    """Of members that fail: `missed` ones, those called a failure too `early`, `whole` ones.

    The last did not fail, by the truth, and are counted nowhere else, nor are the `cut` ones: they
    were ended by something else in the very cycles after the crossing that confirm it. `off` is by
    how much the true loss at the verdict differs from the limit, of slow ends [share of
    stiffness], or from the loss right after the crossing of the `leapt` ones (AT_ONCE): name, true
    loss before and after the crossing and at the verdict. `ms` is how long after the break the rig
    was stopped, of brittle ones, `second` the cycles that then came.
    """

    members: int
    missed: tuple[str, ...]
    early: tuple[str, ...]
    whole: tuple[str, ...]
    cut: tuple[str, ...]
    off: tuple[float, ...]
    leapt: tuple[tuple[str, float, float, float], ...]
    ms: tuple[float, ...]
    second: int


def failing_figures(records: Iterable[Record]) -> Failing:
    """Return the figures of members that fail."""
    members = list(records)
    cut = [r for r in members if cut_short(r)]
    failed = (r for r in members if failed_at(r) is not None or r.outcome == "failure")
    gone = [r for r in failed if r not in cut]
    found = [r for r in gone if r.outcome == "failure"]
    early = [r for r in found if r.broken is None and not r.lost >= STOP - SLACK]
    slow = [r for r in found if r.kind in SLOW and r.broken is None]
    brittle = [r for r in found if r.kind in BRITTLE and r.broken is not None]
    return Failing(
        members=len(gone),
        missed=_names(r for r in gone if not caught(r)),
        early=_names(early),
        whole=_names(r for r in members if r not in gone and r not in cut),
        cut=_names(cut),
        off=tuple(abs(r.lost - _crossing(r)) for r in slow),
        leapt=tuple((r.name, *_leap(r), r.lost) for r in slow if _leap(r)),
        ms=tuple(1000 * (r.stopped - r.broken) for r in brittle if r.stopped and r.broken),
        second=sum(r.second for r in brittle),
    )


def _leap(record: Record) -> tuple[float, ...]:
    """Return the true loss before and after a crossing that went far beyond the limit at once."""
    crossing = record.crossing or (0.0, 0.0)
    leapt = crossing[1] > STOP + AT_ONCE and record.lost >= STOP
    return tuple(crossing) if leapt else ()


def _crossing(record: Record) -> float:
    """Return the true loss that a verdict is held against."""
    return _leap(record)[1] if _leap(record) else STOP


def failed_at(record: Record) -> float | None:
    """Return when a specimen had failed by the truth: broken, or beyond the limit [s]."""
    return min((t for t in (record.broken, record.crossed) if t is not None), default=None)


def cut_short(record: Record) -> bool:
    """Tell whether a test was ended before the cycles that confirm a failure were over.

    Its specimen had just crossed the limit, was not broken, nor beyond the limit by SLACK.
    """
    if record.outcome == "failure" or record.stopped is None or record.crossed is None:
        return False
    if record.broken is not None or record.beyond is not None:
        return False
    return record.stopped < record.crossed + CONFIRM / FREQUENCY


def caught(record: Record) -> bool:
    """Tell whether a member was called a failure within the time that is allowed."""
    if record.outcome != "failure" or record.stopped is None:
        return False
    until = [record.broken + ALLOWED] if record.broken is not None else []
    until += [record.beyond + CONFIRMING] if record.beyond is not None else []
    return record.stopped <= min(until, default=np.inf)


@dataclass(frozen=True)
class Causes:
    """Which cause was named of disturbances alone: counts by true and named cause.

    `wrong` holds name of the test, true cause, and what was named.
    """

    table: Mapping[tuple[str, str], int]
    right: int
    of: int
    wrong: tuple[tuple[str, str, str], ...]

    @property
    def share(self) -> float:
        """Return the share that was named rightly."""
        return self.right / self.of

    def lines(self) -> list[str]:
        """Return the confusion table as lines: true causes down, named ones across."""
        across = [*CAUSES, *sorted({n for _, n in self.table} - {*CAUSES})]
        lines = [" " * 10 + "".join(f"{name:>10}" for name in across)]
        for true in CAUSES:
            counts = [self.table.get((true, named), 0) for named in across]
            if any(counts):
                lines.append(f"{true:<10}" + "".join(f"{n or '.':>10}" for n in counts))
        return lines


def cause_figures(records: Iterable[Record]) -> Causes:
    """Return which cause was named of tests with at most one disturbance each."""
    table: Counter[tuple[str, str]] = Counter()
    wrong, right = [], 0
    tests = list(records)
    for record in tests:
        true, named = true_cause(record), named_cause(record)
        table[true, named] += 1
        untold = record.kind.removeprefix("alone: ") in UNTOLD and named == NOTHING
        if named == true or untold:
            right += 1
        else:
            wrong.append((record.name, true, named))
    return Causes(dict(table), right, len(tests), tuple(wrong))


def true_cause(record: Record) -> str:
    """Return what a test with at most one disturbance is a case of."""
    causes = [t[1] for t in record.truth]
    if len(causes) > 1:
        raise ValueError(f"{record.name}: {len(causes)} things happened, at most one is told apart")
    return str(causes[0]) if causes else NOTHING


def named_cause(record: Record) -> str:
    """Return the cause that a test was told to have: that of its end, else what was named first.

    What was named before anything happened counts too: it was wrong.
    """
    if record.end_named is not None:
        return record.end_named
    return str(record.named[0][1]) if record.named else NOTHING


def _begun(record: Record) -> list[list[object]]:
    """Return what had begun by the end of a test."""
    end = record.stopped or record.test_s
    return [t for t in record.truth if t[3] <= end]


def _names(records: Iterable[Record]) -> tuple[str, ...]:
    return tuple(record.name for record in records)
