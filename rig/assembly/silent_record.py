"""A record that keeps only its events: for motions that are no test and whose end is measured."""

from __future__ import annotations

from collections.abc import Mapping

from rig.record.cracks import CrackEntry
from rig.record.entries import FullRateRecord, StaticRecord
from rig.record.status import Status
from rig.samples import Cycles


class SilentRecord:
    """Drops what a conductor records; `events` holds kind and text of what happened."""

    def __init__(self) -> None:
        self.events: list[tuple[str, str]] = []
        self.due = False
        self.trouble = ""

    def event(self, time: float, cycle: int, kind: str, text: str) -> None:
        """Keep what happened."""
        self.events.append((kind, text))

    def cycles(self, rows: Cycles) -> None:
        """Drop it."""

    def build_up(self, rows: Cycles) -> None:
        """Drop it."""

    def slow(self, time: float, values: Mapping[str, float]) -> None:
        """Drop it."""

    def static(self, record: StaticRecord) -> None:
        """Drop it."""

    def full_rate(self, record: FullRateRecord) -> None:
        """Drop it."""

    def spray(self, time_on: float, time_off: float, litres: float, confirmed: bool) -> None:
        """Drop it."""

    def inspection(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Drop it."""

    def crack(self, entry: CrackEntry) -> None:
        """Drop it."""

    def interruption(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Drop it."""

    def zero(self, time: float, channel: str, value: float, text: str) -> None:
        """Drop it."""

    def restart_point(self, values: Mapping[str, object]) -> None:
        """Drop it."""

    def status(self, status: Status) -> None:
        """Drop it."""

    def commit(self) -> None:
        """Do nothing."""

    async def synced(self) -> None:
        """Return at once."""
