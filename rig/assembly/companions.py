"""Runs of companions that a series names: how they softened to their end, for the forecast."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from rig.criteria.forecast_taught import taught_by
from rig.errors import InputError, StorageError
from rig.protocol.load import load_series
from rig.protocol.plan import Plan
from rig.protocol.series import names_runs
from rig.record.reader import RunFile, read_run
from rig.samples import Cycles

NEEDED: Final = ("number", "stiffness", "load_max", "deflection_max", "wet", "flags")
PIECE: Final = 500_000  # rows that are read at once


def with_companions(plan: Plan, protocol: str, read: Callable[[str], str]) -> Plan:
    """Return a plan with what the runs of its series' companions teach.

    `protocol` is the path of its file, which names the series, which names the runs (a folder or
    its run.h5); paths are relative to the file that has them. Runs that did not fail, or have no
    steady branch, teach nothing, and no specimen teaches its own forecast. Raises InputError for
    one that cannot be read.
    """
    if not names_runs(plan.texts.get("series", "")):
        return plan
    source = plan.loading.capacity_source if plan.loading else ""
    path = Path(protocol).parent / source.rpartition(":")[0].strip()
    series = load_series(str(path), read)
    own = {life.run for life in series.lives if life.specimen == plan.specimen_id}
    runs = (run for run in series.runs_of(plan.exposure) if run not in own)
    taught = (_taught(plan, path.parent / run, path) for run in runs)
    return replace(plan, softening=tuple(each for each in taught if each is not None))


def _taught(plan: Plan, run: Path, series: Path) -> tuple[float, float] | None:
    try:
        with read_run(run) as found:
            if found.outcome != "failure":
                return None
            base = plan.baseline
            return taught_by(_pieces(found), found.cycles, base.first, base.last)
    except StorageError as error:
        raise InputError(
            f"{series}: life.run: {error}; correct the path, or take it out"
        ) from error


def _pieces(found: RunFile) -> Iterator[Cycles]:
    for start in range(0, found.rows(), PIECE):
        stop = start + PIECE
        columns = {name: found.column(name, start, stop) for name in NEEDED}
        frames = np.arange(len(columns["number"]), dtype=np.int64)
        yield Cycles(columns, frames, frames + 1, frames + 1)
