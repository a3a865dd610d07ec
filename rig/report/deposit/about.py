"""What is told of a run in a deposit, out of its record alone: no clock is read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from rig import __version__
from rig.clock import VIRTUAL_EPOCH
from rig.errors import InputError
from rig.protocol.plan import Plan
from rig.protocol.trust import Calibration
from rig.record.cracks import CrackEntry, read_cracks
from rig.replay.recording import Recording

LONGEST: Final = 200
"""Letters of a title or a name; what is longer is cut off with an ellipsis."""
_LONG: Final = 1000


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured channel: SI unit, resolution and range [SI], calibration where the rig tells."""

    name: str
    unit: str
    resolution: float
    low: float
    high: float
    slow: bool
    calibration: Calibration | None


@dataclass(frozen=True, slots=True)
class About:
    """What is known of a run; texts of people are one line without control characters.

    `began` and `ended` are ISO 8601 (UTC), `ended` "" where the record tells no end; `day` is that
    of the last entry. `virtual` tells that these are not of a calendar on a wall. `outcome` is ""
    where nothing was judged, `rig` and `specimen` where the files of the record cannot be read;
    `sha256` is that of run.h5.
    """

    run_id: str
    title: str
    specimen_id: str
    exposure: str
    software: str
    began: str
    ended: str
    day: str
    simulated: bool
    virtual: bool
    imported: str
    outcome: str
    why: str
    residual: str
    cycles: int
    rate: float
    rig: str
    specimen: str
    channels: tuple[Measured, ...]
    pictures: tuple[CrackEntry, ...]
    people: tuple[str, ...]
    sha256: str

    @property
    def version(self) -> str:
        """Which state of the record it is: a note after the end makes another."""
        return version_of(self.sha256)

    @property
    def program(self) -> str:
        """The program that makes the deposit, with its version."""
        return f"nightrig {__version__}"

    @property
    def kind(self) -> str:
        """What made the record, in a word."""
        if self.simulated:
            return "simulated"
        return "imported" if self.imported else "measured"

    @property
    def test(self) -> str:
        """What the test was, in a sentence."""
        specimen = f"specimen {self.specimen_id}" if self.specimen_id else "a specimen"
        named = f" ({self.specimen})" if self.specimen else ""
        exposure = f", {self.exposure}" if self.exposure else ""
        return f"Bending test of {specimen}{named}{exposure}: {self.title}."

    @property
    def origin(self) -> str:
        """Where the numbers come from, in a sentence."""
        if self.simulated:
            dates = " Its dates are those of the simulation." if self.virtual else ""
            return f"SIMULATED: no specimen was loaded, a model made every number.{dates}"
        if self.imported:
            return (
                f"IMPORTED, not recorded by this program: {self.imported}. Where the file told no "
                "date, the start is when it was imported."
            )
        return f"Measured on the rig and recorded by {self.software}."

    @property
    def ending(self) -> str:
        """How it ended, in a sentence."""
        residual = f" Then: {self.residual}." if self.residual else ""
        counted = f"{self.cycles:,} counted cycles.{residual}"
        if not self.outcome:
            return f"No outcome was judged; {counted}"
        return f"Outcome: {self.outcome}, {self.why}; {counted}"

    @property
    def keywords(self) -> tuple[str, ...]:
        """Words to find it by, each once."""
        loading = "fatigue" if self.cycles else "static loading"
        words = ("prestressed concrete", "four-point bending", loading, self.exposure)
        return tuple(dict.fromkeys(w for w in (*words, self.outcome, self.kind) if w))


def about(recording: Recording, sha256: str) -> About:
    """Return what is told of a recording whose run.h5 has that hash.

    Raises InputError where it tells no date, StorageError where it cannot be read.
    """
    header = recording.header
    plan = _plan(recording)
    cracks = read_cracks(recording)
    began = _moment(header.started_utc)
    ended = None
    if began is not None and math.isfinite(recording.ended_time):
        ended = _after(began, recording.ended_time)
    after = recording.residual
    return About(
        run_id=one_line(header.run_id),
        title=one_line(header.title) or f"test {one_line(header.run_id)}",
        specimen_id=one_line(header.specimen_id),
        exposure=one_line(header.exposure),
        software=one_line(header.software),
        began=began.isoformat() if began else "",
        ended=ended.isoformat(timespec="seconds") if ended else "",
        day=_last_day(began, ended, cracks),
        simulated=header.simulated,
        virtual=header.virtual or (header.simulated and began == VIRTUAL_EPOCH),
        imported=one_line(header.imported),
        outcome=one_line(recording.outcome or ""),
        why=one_line(recording.why, _LONG),
        residual=one_line(after.words, _LONG) if after else "",
        cycles=recording.cycles,
        rate=header.rate,
        rig=one_line(plan.rig.name) if plan else "",
        specimen=one_line(plan.specimen.name) if plan else "",
        channels=tuple(
            Measured(
                *(one_line(c.name), c.unit, c.resolution, c.low, c.high, c.slow),
                plan.rig.trust.calibrations.get(c.name) if plan else None,
            )
            for c in {c.name: c for c in header.channels}.values()
        ),
        pictures=tuple(entry for entry in cracks if entry.picture),
        people=tuple(sorted({one_line(entry.by) for entry in cracks if entry.by.strip()})),
        sha256=sha256,
    )


def version_of(sha256: str) -> str:
    """Return the version of a dataset by the hash of its run.h5."""
    return f"sha256-{sha256[:12]}"


def one_line(text: str, longest: int = LONGEST) -> str:
    r"""Return a text of people as one line: control characters are shown as `\x1b`, long is cut."""
    line = " ".join(text.split())
    if len(line) > longest:
        line = f"{line[: longest - 1]}…"
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in line
    )


def _plan(recording: Recording) -> Plan | None:
    try:
        return recording.plan()
    except InputError:  # an import has no protocol; another version may read it otherwise
        return None


def _moment(text: str) -> datetime | None:
    """Return a stamp as UTC, None for one that is none or has no zone."""
    try:
        found = datetime.fromisoformat(text)
        return found.astimezone(UTC) if found.tzinfo else None
    except (ValueError, OverflowError):
        return None


def _after(began: datetime, seconds: float) -> datetime | None:
    """Return a later moment, None where no calendar has it."""
    try:
        return began + timedelta(seconds=seconds)
    except OverflowError:
        return None


def _last_day(began: datetime | None, ended: datetime | None, cracks: Sequence[CrackEntry]) -> str:
    """Return the day of the last entry of the record, as UTC."""
    notes = (_moment(entry.at_utc) for entry in cracks if entry.at_utc)
    moments = [moment for moment in (began, ended, *notes) if moment is not None]
    if not moments:
        raise InputError("the record tells no date that can be read; a deposit needs one")
    return max(moments).date().isoformat()
