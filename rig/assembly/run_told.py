"""What the record of a run tells of its specimen: life, ultimate load, and what befell it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

import numpy as np

from rig.criteria.load import GROSS_OVERLOAD
from rig.errors import InputError
from rig.protocol.levels import tendon_range_of
from rig.protocol.plan import Plan
from rig.record.cracks import NOTHING, Found, found_after, read_cracks
from rig.record.layout import TEXTS
from rig.record.reader import RunFile, read_run
from rig.record.reasons import UNLOADED, ultimate_of
from rig.record.spans import covered
from rig.replay.kept_files import plan_of_kept
from rig.samples import Flag

PIECE: Final = 500_000  # rows that are read at once


@dataclass(frozen=True, slots=True)
class RunTold:
    """What a run tells; None is what it does not know. Loads in N, times in s.

    `age` is that of a real specimen at its start, by the cast date of its file. `cycles` are those
    at the verdict, `tendon_range` [Pa] is that of mechanics before any wear. `ultimate` is the load
    of a static test, `residual` that of one after a run-out, where they came to their ultimate.
    `unloadings` are the last counted cycles before those
    interruptions in which it carried no load, `found` what people found after the end.
    """

    specimen: str
    exposure: str
    outcome: str
    cycles: int
    level: float | None
    tendon_range: float | None
    overloaded: bool
    age: float | None
    wet: float | None
    interruptions: float
    unloaded: float
    unloadings: tuple[int, ...]
    ultimate: float | None
    residual: float | None
    found: Found = NOTHING


def run_told(path: Path) -> RunTold:
    """Return what a run's folder or run.h5 tells. Raises StorageError."""
    with read_run(path) as run:
        plan = _plan(run)
        loading = plan.loading if plan else None
        rows = run.entries("interruptions")
        without = [row for row in rows if UNLOADED.search(row[3])]
        after = run.residual
        return RunTold(
            specimen=str(run.attributes["specimen_id"]),
            exposure=str(run.attributes["exposure"]),
            outcome=run.outcome,
            cycles=run.cycles,
            level=loading.upper / loading.capacity if loading else None,
            tendon_range=tendon_range_of(plan) if plan else None,
            overloaded=loading is not None and _overloaded(run, loading.upper),
            age=_age(run, plan) if plan else None,
            wet=_wet(run),
            interruptions=covered((row[0], row[0] + row[2]) for row in rows),
            unloaded=covered((row[0], row[0] + row[2]) for row in without),
            unloadings=tuple(row[1] for row in without),
            ultimate=_ultimate(run),
            residual=after.load if after is not None and after.outcome == "ultimate" else None,
            found=found_after(read_cracks(run)),
        )


def _plan(run: RunFile) -> Plan | None:
    """Return the plan of the kept files, None where none are kept that can be read."""
    try:
        return plan_of_kept(run.path, {name: run.text(name) for name in TEXTS})
    except InputError:
        return None


def _age(run: RunFile, plan: Plan) -> float | None:
    """Return how old [s] the concrete was; the time of a rehearsal or an import tells nothing."""
    if run.attributes["simulated"] or "imported" in run.attributes:
        return None
    try:
        cast = date.fromisoformat(plan.specimen.history.get("cast", ""))
    except ValueError:
        return None
    days = (datetime.fromisoformat(str(run.attributes["started_utc"])).date() - cast).days
    return days * 86400.0 if days >= 0 else None


def _overloaded(run: RunFile, upper: float) -> bool:
    """Tell whether a counted cycle up to the verdict went far above the upper load [N]."""
    for start in range(0, run.rows(), PIECE):
        stop = start + PIECE
        load = run.column("load_max", start, stop).astype(np.float64)
        counted = (run.column("flags", start, stop).astype(np.int64) & Flag.AFTER_END) == 0
        if bool((counted & (load > GROSS_OVERLOAD * upper)).any()):
            return True
    return False


def _wet(run: RunFile) -> float | None:
    """Return for how long it was wet [s]: all the time in water, in spray as the flow confirmed."""
    exposure = run.attributes["exposure"]
    if exposure == "submerged":
        ended = float(run.attributes["ended_time"])
        return ended if math.isfinite(ended) else None
    if exposure == "spray":
        rows = run.entries("spray")
        return covered((on, off) for on, off, _, confirmed in rows if confirmed)
    return 0.0 if exposure == "dry" else None


def _ultimate(run: RunFile) -> float | None:
    if run.outcome != "ultimate":
        return None
    found = ultimate_of(run.why)
    return None if found is None else found[0]
