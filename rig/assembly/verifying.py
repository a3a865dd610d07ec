"""What a recorded run on a gauged dummy beam tells of the load in motion."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date as Date  # noqa: N812 - a field of that name would hide it
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from rig.acquire.verification import StaticLine, Verified, static_line, verify
from rig.errors import InputError
from rig.protocol.air import AIR
from rig.protocol.doubts import LARGEST_DIFFERENCE
from rig.record.entries import RunHeader
from rig.record.history import Journal, read_journal
from rig.samples import FloatArray

GAUGE: Final = "strain_1"
"""The channel of the dummy beam's gauge."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found, on the day of the run, and on which kind of rig."""

    line: StaticLine
    found: Verified
    date: Date
    simulated: bool

    @property
    def sure(self) -> bool:
        """Tell whether gauge and cycles are good enough to find such a difference at all."""
        return max(self.line.bend, self.found.uncertainty) <= LARGEST_DIFFERENCE

    @property
    def good(self) -> bool:
        """Tell whether cell and beam agree well enough for loads in motion to be true."""
        return self.sure and abs(self.found.difference) <= LARGEST_DIFFERENCE


def verification_in(folder: Path, rig_name: str) -> Verification:
    """Return what a finished run on the rig of this name tells.

    Raises InputError where it tells nothing of that rig, StorageError where it cannot be read.
    """
    with read_journal(folder) as journal:
        header = journal.header
        _refuse_other(folder, journal, rig_name)
        load, strain = _slow(journal)
        rows: dict[str, Any] = dict(journal.columns("cycles"))
    try:
        line = static_line(load, strain)
        found = verify(
            line,
            rows["load_max"] - rows["load_min"],
            rows[f"{GAUGE}_max"] - rows[f"{GAUGE}_min"],
            rows["frequency"],
            rows["flags"],
        )
    except ValueError as error:
        raise InputError(
            f"{folder}: {error}; run protocols/dynamic-verification.toml on the dummy beam"
        ) from error
    day = datetime.fromisoformat(header.started_utc).astimezone().date()
    return Verification(line, found, day, header.simulated)


def _refuse_other(folder: Path, journal: Journal, rig_name: str) -> None:
    """Raise InputError for a run that is none on a gauged dummy beam in this rig."""
    header = journal.header
    if header.imported or header.texts.get(AIR):
        what = "was imported" if header.imported else "was an air run"
        raise InputError(f"{folder}: {what}: it verifies no rig")
    recorded = _rig_of(header)
    if recorded != rig_name:
        raise InputError(
            f"{folder}: was made on the rig {recorded!r}, and the rig file is that of {rig_name!r}"
        )
    if journal.ending is None:
        raise InputError(f"{folder}: the run has not ended; wait, or see: nightrig resume DIR")
    if GAUGE not in header.sampled:
        raise InputError(
            f"{folder}: has no channel {GAUGE}: connect the gauge of the dummy beam, and name it "
            f'so in the rig file ([[channel]] with name = "{GAUGE}")'
        )


def _rig_of(header: RunHeader) -> str:
    return str(tomllib.loads(header.texts["rig"]).get("name", ""))


def _slow(journal: Journal) -> tuple[FloatArray, FloatArray]:
    """Return load [N] and strain over the slow cycles before any counted one."""
    found = [
        (record.values[record.channels.index("load")], record.values[record.channels.index(GAUGE)])
        for record in journal.static()
        if record.cycle == 0
    ]
    if not found:
        return np.empty(0), np.empty(0)
    load, strain = (np.concatenate(parts).astype(np.float64) for parts in zip(*found, strict=True))
    return load, strain
