"""What the record of a test that was cut off tells: the plan, what happened, where it goes on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from rig.control.restart import check_point
from rig.control.taken_up import TakenUp, Verdict, broken
from rig.errors import InputError, StorageError
from rig.judging.looking import TICK_SECONDS
from rig.protocol.air import AIR
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from rig.record.cracks import CrackEntry, read_cracks
from rig.record.entries import Ending, RunHeader
from rig.record.history import Journal, read_journal
from rig.record.kept_texts import PROTOCOL, RIG, reader_of_kept
from rig.record.status import Status
from rig.samples import Cycles

LONGEST_GONE: Final = 366 * 86400.0  # [s]; longer, the clock is doubted
MEDIAN_OF: Final = 100  # cycles whose median stiffness stands for a count
RESUMABLE: Final = frozenset({"operator", "limit", "fault"})
"""Outcomes after which a specimen can be tested on."""
_STANDS: Final = frozenset({"failure", "run-out", "ultimate", "limit", "fault"})
"""Outcomes that stand although the record of the test was not finished."""


@dataclass(frozen=True, slots=True)
class LookBack:
    """A run as its journal has it; `verdict` stands where only the record was not finished.

    `later` holds the counted rows that came after the restart point. `rig_file` is the path and
    text of a rig file to go on with in place of the recorded one; `cracks` is the crack log.
    """

    folder: Path
    header: RunHeader
    point: Mapping[str, Any] | None
    status: Status | None
    ending: Ending | None
    cycles: int
    built_up: int
    ended: float
    stiffness: float
    stiffness_from: str
    cycles_stiffness: float
    later: Cycles
    cracks: tuple[CrackEntry, ...] = ()
    rig_file: tuple[str, str] | None = None

    @property
    def rehearsal(self) -> bool:
        """Whether it ran in virtual time."""
        return self.header.virtual

    def refuse_unreadable(self) -> None:
        """Raise StorageError for a restart point that this version cannot go on from.

        Raises InputError for an air run: nothing of it is worth going on with.
        """
        if self.header.texts.get(AIR):
            raise InputError(
                f"{self.folder}: was an air run, which is not taken up again; start it anew with "
                "nightrig run PROTOCOL --air, or close the record with: nightrig resume DIR --end"
            )
        if self.point is None:
            return
        try:
            check_point(self.point, self.cycles, len(self.plan.stages))
        except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
            raise StorageError(
                f"{self.folder}: this version cannot go on from its restart point "
                f"({type(error).__name__}: {error}); nothing was done; to close the record: "
                "nightrig resume DIR --end"
            ) from error

    def refuse_changed(self) -> None:
        """Raise InputError where the run has gone on since it was looked at.

        To be called by who holds the folder: two may have looked at the same moment.
        """
        now = look_back(self.folder)
        if (now.ending, now.cycles, now.ended) != (self.ending, self.cycles, self.ended):
            raise InputError(
                f"{self.folder}: the test went on meanwhile; nothing was done; look at it once more"
            )

    def gone_for(self, now: datetime) -> tuple[float, str]:
        """Return how long [s] a live test has been gone by the calendar, and what is odd about it.

        The calendar of a computer that lost its power may be anything.
        """
        if self.status is None:
            return 0.0, ""
        gone = (now - datetime.fromisoformat(self.status.stamp)).total_seconds()
        if gone < 0:
            return 0.0, "the computer's clock is behind the record: how long it stood is not known"
        if gone > LONGEST_GONE:
            days = LONGEST_GONE / 86400
            return LONGEST_GONE, f"by the computer's clock it stood for over {days:.0f} days"
        return gone, ""

    @property
    def verdict(self) -> Verdict | None:
        """The verdict of a test that had ended when it was cut off, None where it goes on."""
        told = self.point.get("verdict") if self.point and self.ending is None else None
        verdict = Verdict.from_plain(told) if told else None
        if verdict is None or verdict.last.outcome not in _STANDS:
            return None
        # What stopped for want of a disk alone goes on; what was found out beside that stands.
        return None if (verdict.last.outcome, verdict.cause) == ("fault", "record") else verdict

    @property
    def ran_out(self) -> Verdict | None:
        """The run-out that stands while its residual capacity is tested, None without one."""
        told = self.point.get("ran_out") if self.point else None
        return Verdict.from_plain(told) if told else None

    def as_it_stands(self, why: str) -> Verdict:
        """Return the verdict of a test that is not gone on with; a run-out stays one."""
        ended = Verdict("operator", why, self.cycles, "operator")
        ran_out, point = self.ran_out, self.point
        return ended if ran_out is None or point is None else broken(ran_out, ended, point["peak"])

    @property
    def kept_rows(self) -> dict[str, int] | None:
        """Rows to keep: a simulated specimen goes on where its restart point was, a real one on.

        One behind emulated devices goes on too, in programs of its own.
        """
        if not self.header.simulated or (self.point and self.point.get("rig", {}) is None):
            return None
        return dict(self.point["recorded"]) if self.point else dict.fromkeys(_TABLES, 0)

    @property
    def plan(self) -> Plan:
        """The plan, from the files as they were when the test began, but for the `rig_file`."""
        try:
            path, text = self.rig_file or (RIG, self.header.texts["rig"])
            texts = {**self.header.texts, "rig": text}
            return load_plan(PROTOCOL, path, reader_of_kept(texts, path))
        except (InputError, KeyError, ValueError) as error:
            raise InputError(
                f"{self.folder}: this version cannot read the files that the record keeps; nothing "
                f"was started; to close the record: nightrig resume DIR --end; {error}"
            ) from error

    def on_rig(self, path: str, text: str) -> LookBack:
        """Return it with another rig file. Raises InputError for one of another frame."""
        other = replace(self, rig_file=(path, text))
        was, now = self.plan.rig, other.plan.rig
        if (was.name, was.rate, was.channels) != (now.name, now.rate, now.channels):
            raise InputError(
                f"{path}: name, rate and channels must be those of the rig the test began on, "
                f"{was.name!r} with {was.rate:g} Hz and {len(was.channels)} channels; nothing was "
                "started"
            )
        return other

    def taken_up(self, alone: float, why: str) -> TakenUp | None:
        """Return where the test goes on after at least `alone` [s] of test time.

        None where there is no restart point: then nothing had begun.
        """
        if self.point is None:
            return None
        rate = self.header.rate
        tick = max(round(rate * TICK_SECONDS), 1)
        frames = max(int(self.point["frame"]), math.ceil(self.ended * rate)) + round(alone * rate)
        kept = self.kept_rows
        return TakenUp(
            point=self.point,
            begin=-(-frames // tick) * tick,
            ended=self.ended,
            counted=self.cycles if kept is None else kept["cycles"],
            built_up=self.built_up if kept is None else self._point_built_up,
            later=self.later if kept is None else self.later.part(0, 0),
            why=why,
            stiffness=self.stiffness,
            stiffness_from=self.stiffness_from,
            cycles_stiffness=self.cycles_stiffness,
            cracks=self.cracks,
        )

    @property
    def _point_built_up(self) -> int:
        cycling = self.point["cycling"] if self.point else None
        return int(cycling["built_up"]) if cycling else 0


_TABLES: Final = ("cycles", "build_up", "slow")


def look_back(folder: Path) -> LookBack:
    """Read what a run's journal holds. Raises StorageError where that cannot be read."""
    with read_journal(folder) as journal:
        header, point = journal.header, journal.restart_point
        counted = journal.rows("cycles")
        known = min(_recorded_cycles(point), counted)
        rows = _rows(journal, "cycles", known, counted)
        built = _last(journal, "build_up", "number")
        stiffness, whence = _expected(journal, counted)
        return LookBack(
            folder=folder,
            header=header,
            point=point,
            status=journal.status,
            ending=journal.ending,
            cycles=counted,
            built_up=int(built or 0),
            ended=_ended(journal, point),
            stiffness=stiffness,
            stiffness_from=whence,
            cycles_stiffness=_median_stiffness(journal, counted),
            later=_as_cycles(rows, header.rate),
            cracks=read_cracks(journal),
        )


def _ended(journal: Journal, point: Mapping[str, Any] | None) -> float:
    """Return the test time [s] of the last thing recorded."""
    rate = journal.header.rate
    frame = point.get("frame", 0) if point else 0
    times = [frame / rate if isinstance(frame, int) else 0.0]
    times += [event.time for event in journal.newest_events(100)]
    times += [_last(journal, kind, "time") or 0.0 for kind in ("cycles", "build_up")]
    return max(times)


def _recorded_cycles(point: Mapping[str, Any] | None) -> int:
    """Return how many cycles a restart point knows, none where it cannot be read.

    By its criteria, not by the rows it was recorded with: one that was kept on while a test was
    taken up lies beside rows that it does not know.
    """
    cycling = point.get("cycling") if isinstance(point, Mapping) else None
    cycles = cycling.get("counted") if isinstance(cycling, Mapping) else None
    return cycles if isinstance(cycles, int) else 0


def _rows(journal: Journal, kind: str, first: int, stop: int) -> dict[str, Any]:
    """Return rows [first, stop) of a table by column; nothing before them is read."""
    places = [p for p in journal.places(kind) if p[0] < stop and sum(p) > first]
    chunks = [journal.chunk(kind, at) for at, _ in places]
    skip = first - places[0][0] if places else 0
    return {
        field.name: np.concatenate(
            [np.empty(0, field.dtype), *(chunk.columns()[field.name] for chunk in chunks)]
        )[skip : skip + max(stop - first, 0)]
        for field in journal.tables[kind]
    }


def _last(journal: Journal, kind: str, name: str) -> float | None:
    """Return a column's last value, None where the table is empty."""
    count = journal.rows(kind)
    return float(_rows(journal, kind, count - 1, count)[name][0]) if count else None


def _as_cycles(columns: Mapping[str, Any], rate: float) -> Cycles:
    """Return recorded rows with the frames they span, as near as the record tells."""
    begin = np.rint(np.asarray(columns["time"], np.float64) * rate).astype(np.int64)
    length = np.rint(rate / np.asarray(columns["frequency"], np.float64)).astype(np.int64)
    return Cycles(columns, begin, begin + length, begin + length)


def _expected(journal: Journal, counted: int) -> tuple[float, str]:
    """Return the stiffness [N/m] that a check should find now, and whence that is known.

    It is that of the last check, less what the cycles have lost since; NaN without a check: a
    slow cycle and a quick one do not show the same stiffness.
    """
    checks = [h for h in journal.sample_heads("static") if h["cycle"] > 0]
    if checks and math.isfinite(checks[-1]["stiffness"]):
        cycle, checked = int(checks[-1]["cycle"]), float(checks[-1]["stiffness"])
        lost = _median_stiffness(journal, counted) / _median_stiffness(journal, cycle)
        if math.isfinite(lost):
            return checked * lost, f"as the check at cycle {cycle:,} and the cycles since tell"
    return math.nan, ""


def _median_stiffness(journal: Journal, cycle: int) -> float:
    """Return the median stiffness [N/m] of the cycles up to a count, NaN where there are none."""
    column = _rows(journal, "cycles", max(cycle - MEDIAN_OF, 0), cycle)["stiffness"]
    valid = np.asarray(column, np.float64)
    valid = valid[np.isfinite(valid)]
    return float(np.median(valid)) if len(valid) else math.nan
