"""The series file and the runs that a series is made from: what they are, and their hashes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.errors import StorageError
from rig.record.hashes import sha256_of
from rig.record.layout import RUN_FILE
from rig.record.reader import read_run
from rig.report.curve_columns import SLIPS
from rig.report.series_measured import Measured, measured_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rig.protocol.series import Life, Series, Ultimate

NOTED: Final = SLIPS[1]
"""Slip of a tendon's end [m] from which on it is counted here."""


@dataclass(frozen=True, slots=True)
class SourceRun:
    """A run that the series names: `named` as written there, `sha256` of its run.h5.

    `trouble` says why it could not be read; the rest is then empty, `measured` None. `kind` is
    "recorded", "simulated" or "imported".
    """

    named: str
    specimens: tuple[str, ...]
    file: str = ""
    sha256: str = ""
    run_id: str = ""
    started: str = ""
    outcome: str = ""
    cycles: int | None = None
    kind: str = ""
    software: str = ""
    trouble: str = ""
    measured: Measured | None = None


@dataclass(frozen=True, slots=True)
class Sources:
    """The series file, "" where it is not known, and its runs in the order of the file."""

    file: str
    sha256: str
    runs: tuple[SourceRun, ...]

    def place(self, named: str) -> int:
        """Return the place from 0 of a run by its name in the series. Raises ValueError."""
        return [run.named for run in self.runs].index(named)

    def measured(self, named: str | None) -> Measured | None:
        """Return what a run measured, None where it was not read or is none."""
        return next((run.measured for run in self.runs if run.named == named), None)


def sources_of(series: Series, file: Path | None) -> Sources:
    """Return what a series was made from; `file` is its own, None where it has none.

    A run that cannot be read does not hinder a report: void entries may name what is gone.
    """
    named: dict[str, list[str]] = {}
    entries: tuple[Life | Ultimate, ...] = (*series.lives, *series.ultimates)
    for entry in entries:
        if entry.run:
            specimens = named.setdefault(entry.run, [])
            if entry.specimen not in specimens:
                specimens.append(entry.specimen)
    if file is None:
        return Sources("", "", tuple(SourceRun(n, tuple(s)) for n, s in named.items()))
    runs = tuple(_run(file.parent, name, tuple(own)) for name, own in named.items())
    return Sources(file.name, sha256_of(file), runs)


def _run(folder: Path, named: str, specimens: tuple[str, ...]) -> SourceRun:
    path = folder / named
    path = path / RUN_FILE if path.is_dir() else path
    try:
        with read_run(path) as run:
            known: Mapping[str, object] = run.attributes
            return SourceRun(
                named=named,
                specimens=specimens,
                file=path.name,
                sha256=sha256_of(path),
                run_id=str(known["run_id"]),
                started=str(known["started_utc"]),
                outcome=run.outcome,
                cycles=run.cycles,
                kind=_kind(known),
                software=str(known["software"]),
                measured=measured_of(run, NOTED),
            )
    except StorageError as error:
        return SourceRun(named, specimens, trouble=str(error))


def _kind(known: Mapping[str, object]) -> str:
    if "imported" in known:
        return "imported"
    return "simulated" if known["simulated"] else "recorded"
