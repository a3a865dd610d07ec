"""What the conductor is given to record with, whoever does the writing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from rig.record.cracks import CrackEntry
from rig.record.entries import FullRateRecord, StaticRecord
from rig.record.status import Status
from rig.samples import Cycles


class RunRecord(Protocol):
    """The record of one run, being written.

    `Recorder` writes in the caller's own process, for rehearsals; `RemoteRecorder` has a process
    of its own write, so that no disk holds up a live rig. Times are test times [s], values SI.
    """

    def cycles(self, rows: Cycles) -> None:
        """Record counted cycles; their numbers go on from the last one without a hole."""

    def build_up(self, rows: Cycles) -> None:
        """Record cycles that do not count, with the numbers they carry."""

    def slow(self, time: float, values: Mapping[str, float]) -> None:
        """Record the slow channels [SI] at a test time [s]; a missing one becomes NaN."""

    def event(self, time: float, cycle: int, kind: str, text: str) -> None:
        """Record an event; kinds in `AT_ONCE` are committed without waiting to be told."""

    def static(self, record: StaticRecord) -> None:
        """Record a static check with its samples."""

    def full_rate(self, record: FullRateRecord) -> None:
        """Record a stretch of samples."""

    def spray(self, time_on: float, time_off: float, litres: float, confirmed: bool) -> None:
        """Record one spray period: test times [s], water given [L], whether flow was seen."""

    def inspection(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record an inspection: test time and duration [s], last counted cycle."""

    def crack(self, entry: CrackEntry) -> None:
        """Record an entry of the crack log."""

    def interruption(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record a pause or a stop with resumption: test time and duration [s]."""

    def zero(self, time: float, channel: str, value: float, text: str) -> None:
        """Record that a channel's reading [SI] was made its zero."""

    def restart_point(self, values: Mapping[str, object]) -> None:
        """Keep the newest restart point; it is committed with all rows recorded so far."""

    def status(self, status: Status) -> None:
        """Keep the newest status; it is committed with all rows recorded so far."""

    @property
    def due(self) -> bool:
        """Whether a commit is due: the moment to give a restart point and a status."""

    def commit(self) -> None:
        """Make all that was recorded durable, or ask for it; `synced` tells when it is."""

    @property
    def trouble(self) -> str:
        """Return why the record cannot be kept any more and the test must stop, or ""."""

    async def synced(self) -> None:
        """Return once all that was recorded before the call is durable.

        Raises StorageError if that will not happen.
        """
