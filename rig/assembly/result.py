"""What is known of a run before its first cycle and after its last."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from rig import __version__
from rig.control.taken_up import Verdict
from rig.judging.shadow import WOULD
from rig.protocol.plan import Plan
from rig.record.entries import Event, Residual, RunHeader
from rig.record.history import read_journal

_KEY: Final = "alert_only"
"""In the text of a protocol: its run may tell what criteria would have done."""


@dataclass(frozen=True, slots=True)
class Result:
    """What a rehearsal or run ended with; times [s], `real_s` None where nobody knows it.

    `residual` is how the static test after a run-out ended, None where there was none. `alerts`
    say what criteria that are alert only would have done, and at which cycle.
    """

    outcome: str
    why: str
    cycles: int
    run: Path
    real_s: float | None
    test_s: float
    samples_per_cycle: float | None
    channels: int
    residual: Residual | None = None
    alerts: tuple[str, ...] = ()

    @property
    def last(self) -> Result | Residual:
        """What ended last: by its outcome a test goes on or not, and has its exit code."""
        return self.residual or self


def result_of(plan: Plan, verdict: Verdict, path: Path, *, real_s: float, test_s: float) -> Result:
    """Return the result of a plan whose run.h5 lies at `path`; times [s]."""
    return Result(
        outcome=verdict.outcome,
        why=verdict.why,
        cycles=verdict.cycles,
        run=path.resolve(),
        real_s=real_s,
        test_s=test_s,
        samples_per_cycle=plan.rig.rate / plan.loading.frequency if plan.loading else None,
        channels=len(plan.rig.sampled),
        residual=verdict.residual,
        alerts=_alerts(path.parent) if plan.failure.alert_only else (),
    )


def _alerts(folder: Path) -> tuple[str, ...]:
    """Return what is on record of criteria that are alert only."""
    with read_journal(folder) as journal:
        return told_alerts(journal.events())


def told_alerts(events: list[Event]) -> tuple[str, ...]:
    """Return what criteria would have done; what a restart point brought twice is told once."""
    told = [f"cycle {e.cycle:,}: {e.kind}: {e.text}" for e in events if e.text.startswith(WOULD)]
    return tuple(dict.fromkeys(told))


def recorded_result(folder: Path) -> tuple[str, Result] | None:
    """Return title and result of a run as its journal has them, None where it has no end.

    Raises StorageError.
    """
    with read_journal(folder) as journal:
        header, ending, status = journal.header, journal.ending, journal.status
        alerting = _KEY in header.texts.get("protocol", "")
        alerts = told_alerts(journal.events()) if alerting else ()
    if ending is None:
        return None
    real_s, frequency = None, math.nan
    if status is not None:
        frequency = status.frequency
        if status.live:
            began = datetime.fromisoformat(header.started_utc)
            real_s = (datetime.fromisoformat(status.stamp) - began).total_seconds()
    result = Result(
        outcome=ending.outcome,
        why=ending.why,
        cycles=ending.cycles,
        run=(folder / "run.h5").resolve(),
        real_s=real_s,
        test_s=ending.ended_time,
        samples_per_cycle=header.rate / frequency if math.isfinite(frequency) else None,
        channels=len(header.sampled),
        residual=ending.residual,
        alerts=alerts,
    )
    return header.title, result


def header_of(
    plan: Plan,
    folder: Path,
    seed: int | None,
    started: datetime,
    *,
    simulated: bool,
    virtual: bool = False,
) -> RunHeader:
    """Return what the record of a plan begins with; `seed` is None on a real rig."""
    return RunHeader(
        run_id=folder.resolve().name,
        software=f"nightrig {__version__}",
        started_utc=started.isoformat(),
        title=plan.title,
        specimen_id=plan.specimen_id,
        exposure=plan.exposure,
        seed=seed,
        rate=plan.rig.rate,
        channels=plan.rig.channels,
        texts=dict(plan.texts),
        simulated=simulated,
        virtual=virtual,
    )
