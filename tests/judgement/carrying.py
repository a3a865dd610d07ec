"""One night carried out by the whole program, and what of it is kept: verdict beside truth."""

from __future__ import annotations

import hashlib
import math
import os
import tempfile
import time
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np

from rig.assembly.events_file import kept_events
from rig.assembly.rehearsal import rehearse
from rig.assembly.result import Result
from rig.record import Event, read_journal
from tests.judgement.causes import named_by, named_by_end
from tests.judgement.drawing import Night
from tests.judgement.setting import BASELINE, STOP, plan_of
from tests.truth import Truth, truth_of

ROOT: Final = Path(__file__).parents[2]
SLACK: Final = 0.02
"""Of stiffness, beyond the limit, by which a slow end must have been confirmed, or before it may
not have been: twice what is asked of the confirmation."""


@dataclass(frozen=True)
class Record:
    """What is kept of a night; times in s of the test, None where it did not come to that.

    `named` are the causes that its events named: time, cause, kind, words. `truth` are the events
    that happened: what, cause, channel, begin, end. `stopped` is when it was being stopped, with
    the table's word for why. `crossed` is when the true slope had fallen by the limit,
    `crossing` the true loss right before and right after, `beyond` when it had fallen by SLACK
    more, `broken` when the specimen broke; `lost` is the true loss at the stop, NaN without a
    baseline. `second` counts cycles onto the broken specimen.
    """

    name: str
    kind: str
    seed: int
    program: str
    outcome: str
    why: str
    cycles: int
    test_s: float
    stopped: float | None
    stop_cause: str
    end_named: str | None
    named: list[list[Any]]
    truth: list[list[Any]]
    crossed: float | None
    crossing: list[float] | None
    beyond: float | None
    broken: float | None
    lost: float
    second: int
    cpu_s: float

    def plain(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self)

    @staticmethod
    def of(plain: dict[str, Any]) -> Record:
        """Return what `plain` wrote."""
        return Record(**{field.name: plain[field.name] for field in fields(Record)})


def carry_out(night: Night, keep: Path | None = None) -> Record:
    """Rehearse a night at the full sample rate and return its record; it is kept in `keep`."""
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        return _carried_out(night, keep)
    with tempfile.TemporaryDirectory(prefix="nightrig-judgement-") as folder:
        return _carried_out(night, Path(folder))


def _carried_out(night: Night, folder: Path) -> Record:
    began = time.process_time()
    plan = plan_of(
        folder,
        run_out=night.run_out,
        life_scale=night.life_scale,
        ending=night.ending,
    )
    (folder / "events.toml").write_text(night.events, encoding="utf-8")
    result = rehearse(plan, folder / "run", night.seed, events=kept_events(night.events, plan))
    with read_journal(folder / "run") as journal:
        events = journal.events()
        columns = journal.columns("cycles")
    truth = truth_of(folder / "run")
    return recorded(night, result, events, columns, truth, time.process_time() - began)


def recorded(
    night: Night,
    result: Result,
    events: list[Event],
    columns: dict[str, np.ndarray],
    truth: Truth,
    cpu_s: float = 0.0,
) -> Record:
    """Return what is kept of a night, by its verdict, events, rows and truth."""
    stopping = next(
        (e for e in events if e.kind == "state" and e.text.startswith("stopping,")), None
    )
    stopped = stopping.time if stopping else None
    cause = stopping.text.partition(", ")[2].partition(":")[0] if stopping else ""
    base = _settled(columns, truth)
    broken = truth.broken
    crossed, beyond = (_crossing(truth, base, loss) for loss in (STOP, STOP + SLACK))
    causes = ((e, named_by(e)) for e in events)
    return Record(
        name=night.name,
        kind=night.kind,
        seed=night.seed,
        program=program(),
        outcome=result.outcome,
        why=result.why,
        cycles=result.cycles,
        test_s=result.test_s,
        stopped=stopped,
        stop_cause=cause,
        end_named=named_by_end(result.outcome, cause, result.why),
        named=[[e.time, c, e.kind, e.text] for e, c in causes if c is not None],
        truth=[[e.what, e.cause, e.channel, e.begin, _finite(e.end)] for e in truth.events],
        crossed=crossed,
        crossing=None if crossed is None else _about(truth, base, crossed),
        beyond=beyond,
        broken=broken.time if broken else None,
        lost=_lost(truth, base, stopped),
        second=_second(columns, broken.time if broken else None),
        cpu_s=cpu_s,
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _settled(columns: dict[str, np.ndarray], truth: Truth) -> float:
    """Return the true slope over the baseline's cycles [N/m], NaN where there were none."""
    number, times = columns["number"], columns["time"]
    first, last = BASELINE
    if not len(number) or number[-1] < last:
        return math.nan
    within = times[(number >= first) & (number <= last)]
    at = np.array([s.time for s in truth.states])
    slope = np.array([s.slope for s in truth.states])
    return float(np.median(slope[np.searchsorted(at, within, side="right") - 1]))


def _crossing(truth: Truth, base: float, loss: float) -> float | None:
    """Return when the true slope in cycling had first fallen by a share [s]."""
    low = (1 - loss) * base
    return next((s.time for s in truth.states if s.cycling and s.slope <= low), None)


def _about(truth: Truth, base: float, crossed: float) -> list[float]:
    """Return the true loss of stiffness right before and right after a crossing."""
    cycling = [s for s in truth.states if s.cycling]
    after = next(i for i, s in enumerate(cycling) if s.time == crossed)
    return [1 - s.slope / base for s in (cycling[max(after - 1, 0)], cycling[after])]


def _lost(truth: Truth, base: float, stopped: float | None) -> float:
    """Return the true loss of stiffness when a test was being stopped; 1 of a broken specimen."""
    if stopped is None or not truth.states:
        return math.nan
    before = [s for s in truth.states if s.time <= stopped]
    if before[-1].broken:
        return 1.0
    return 1 - before[-1].slope / base


def _second(columns: dict[str, np.ndarray], broken: float | None) -> int:
    """Return how many cycles that began after a specimen broke reached half the load range."""
    if broken is None or not len(columns["time"]):
        return 0
    spans = columns["load_max"] - columns["load_min"]
    return int(np.sum((columns["time"] > broken) & (spans > 0.5 * np.median(spans))))


@lru_cache(maxsize=1)
def program() -> str:
    """Return a short digest of what judges and what is judged: records of others are not mixed."""
    digest = hashlib.sha256()
    for room in ("rig", "simulators", "tests/judgement", "protocols"):
        for path in sorted((ROOT / room).rglob("*")):
            if path.suffix in (".py", ".toml") and "/wire/" not in path.as_posix():
                digest.update(path.relative_to(ROOT).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def nice() -> None:
    """Let others of this computer go first."""
    os.nice(19)
