"""The recorder as the runner sees it when a process of its own writes: nothing waits for a disk.

Messages wait in bounded memory until the recorder process says that they are durable.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from rig.clock import real_seconds
from rig.errors import StorageError
from rig.record import plain
from rig.record.backlog import OVERHEAD
from rig.record.cracks import CrackEntry
from rig.record.entries import FullRateRecord, Residual, RunHeader, StaticRecord, tables
from rig.record.journal import JOURNAL, sample_values
from rig.record.keeper import Keeper
from rig.record.recorder import COMMIT_EVERY, check_numbers
from rig.record.status import Status
from rig.record.wire import commits, pack, packed_rows
from rig.samples import Cycles

MEMORY: Final = 64_000_000
"""What may wait for the disk before the test stops [B]; a rig of 8 channels at 5 Hz and 1 kHz
fills it in hours."""
STOP: Final = 70.0
"""So much of all samples [s] has room beside it: the last minute before a stop and what follows."""
ROWS_OF_STOP: Final = 1_000_000
"""Room for the rows and events of that time [B]."""
SILENCE: Final = 10.0
"""How long a recorder that owes an answer may be silent [s]."""
REPLACED: Final = frozenset({"restart_point", "status"})
"""Of what waits only the newest is kept: it makes the one before it worthless."""
BULKY: Final = frozenset({"cycles", "build_up", "slow", "static", "full_rate"}) | REPLACED
"""What is dropped once the room for the stop is full too; events and lists have an eighth more."""


class RemoteRecorder:
    """Records one run through a recorder process; made by `create` or `reopen`.

    It lives in one event loop and keeps the interface `RunRecord`. No method waits for the disk or
    raises because of it, save `synced` and `finish`, which are awaited.
    """

    def __init__(self, keeper: Keeper, folder: Path, header: RunHeader, memory: int) -> None:
        self._keeper = keeper
        self._backlog = keeper.backlog
        self.folder = folder
        self._header = header
        self._memory = memory
        self._room = memory + ROWS_OF_STOP + round(STOP * header.rate * 4 * len(header.sampled))
        self._fields = tables(header)["cycles"]
        self._waiting: list[tuple[int, asyncio.Future[None]]] = []
        self._next, self._time, self._cycle = keeper.counted + 1, 0.0, keeper.counted
        self._fresh = False
        self._committed = real_seconds()
        self._trouble = ""
        self._dropping = self._closed = False
        self._next_kept = self._next
        self._dropped, self._named = 0, ""
        keeper.note, keeper.durable, keeper.lost = self._note, self._durable, self._lost

    @staticmethod
    async def create(
        folder: Path,
        header: RunHeader,
        *,
        command: Sequence[str] | None = None,
        memory: int = MEMORY,
        silence: float = SILENCE,
    ) -> RemoteRecorder:
        """Start a recorder process that makes a run's folder with its journal.

        Once `memory` [B] waits for the disk there is trouble, and room for a stop is left; a
        recorder that owes an answer for `silence` [s], more than a second, is replaced. Raises
        InputError if the folder exists, StorageError if it cannot be made.
        """
        keeper = Keeper(folder, header, command, silence)
        await keeper.begin("create")
        return RemoteRecorder(keeper, folder, header, memory)

    @staticmethod
    async def reopen(
        folder: Path,
        header: RunHeader,
        *,
        command: Sequence[str] | None = None,
        memory: int = MEMORY,
        silence: float = SILENCE,
    ) -> RemoteRecorder:
        """Start a recorder process that goes on with a record from its last commit.

        Counted cycles go on from the last one in the journal. The rest as `create`. Raises
        InputError if the run has ended or is not the one of the header, StorageError if the
        journal cannot be read or written.
        """
        keeper = Keeper(folder, header, command, silence)
        await keeper.begin("resume")
        return RemoteRecorder(keeper, folder, header, memory)

    @property
    def pid(self) -> int | None:
        """Process id of the recorder; None while there is none."""
        return self._keeper.pid

    def cycles(self, rows: Cycles) -> None:
        """Record counted cycles. Raises StorageError if their numbers do not go on."""
        if not len(rows):
            return
        check_numbers(self.folder, rows, self._next)
        self._next += len(rows)
        if self._add("cycles", *packed_rows(self._fields, rows)):
            self._next_kept = self._next
        self._cycle, self._time = self._next - 1, float(rows["time"][-1])

    def build_up(self, rows: Cycles) -> None:
        """Record cycles that do not count, with the numbers they carry."""
        self._add("build_up", *packed_rows(self._fields, rows))

    def slow(self, time: float, values: Mapping[str, float]) -> None:
        """Record the slow channels [SI] at a test time [s]; a missing one becomes NaN."""
        found = {n: float(values[n]) for n in self._header.slow if n in values}
        self._add("slow", float(time), found)

    def event(self, time: float, cycle: int, kind: str, text: str) -> None:
        """Record an event; kinds in `AT_ONCE` are committed without waiting to be told."""
        self._time, self._cycle = float(time), int(cycle)
        self._add("event", self._time, self._cycle, str(kind), str(text))

    def static(self, record: StaticRecord) -> None:
        """Record a static check. Raises StorageError if its samples do not fit its channels."""
        self._add("static", replace(record, values=sample_values(self.folder, record)))

    def full_rate(self, record: FullRateRecord) -> None:
        """Record samples. Raises StorageError if they do not fit their channels."""
        self._add("full_rate", replace(record, values=sample_values(self.folder, record)))

    def spray(self, time_on: float, time_off: float, litres: float, confirmed: bool) -> None:
        """Record one spray period: test times [s], water given [L], whether flow was seen."""
        self._add("spray", float(time_on), float(time_off), float(litres), bool(confirmed))

    def inspection(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record an inspection: test time and duration [s], last counted cycle."""
        self._add("inspection", float(time), int(cycle), float(duration), text)

    def crack(self, entry: CrackEntry) -> None:
        """Record an entry of the crack log."""
        self._add("crack", entry)

    def interruption(self, time: float, cycle: int, duration: float, text: str) -> None:
        """Record a pause or a stop with resumption: test time and duration [s]."""
        self._add("interruption", float(time), int(cycle), float(duration), text)

    def zero(self, time: float, channel: str, value: float, text: str) -> None:
        """Record that a channel's reading [SI] was made its zero."""
        self._add("zero", float(time), channel, float(value), text)

    def restart_point(self, values: Mapping[str, object]) -> None:
        """Keep the newest restart point. Raises TypeError for what is no plain value."""
        self._add("restart_point", plain.to_text(values))

    def status(self, status: Status) -> None:
        """Keep the newest status. Raises TypeError for what is no plain value."""
        self._add("status", status.to_json())

    @property
    def due(self) -> bool:
        """Whether `COMMIT_EVERY` of real time has passed since a commit was asked for."""
        return real_seconds() - self._committed >= COMMIT_EVERY

    def commit(self) -> None:
        """Ask for a commit; `synced` tells when it is done."""
        self._committed = real_seconds()
        if self._fresh:
            self._add("commit")

    @property
    def trouble(self) -> str:
        """Why the record cannot be kept any more and the test must stop, or ""."""
        return self._trouble

    @property
    def counted(self) -> int:
        """Number of the last counted cycle that is known to be on the disk."""
        return self._keeper.counted

    @property
    def missing(self) -> str:
        """What was dropped and is not in the record, in words, or ""."""
        found = []
        if self._next_kept < self._next:
            found.append(f"cycles {self._next_kept} to {self._next - 1}, which were run")
        if self._dropped:
            found.append(f"{self._dropped} entries of other kinds")
        return f"not in the record: {'; '.join(found)}" if found else ""

    @property
    def said(self) -> str:
        """What the disk or the recorder's end was said to be last, or "" since all is well."""
        return self._keeper.said

    async def synced(self) -> None:
        """Return once all that was recorded before the call is durable.

        Raises StorageError if that will not happen, or can no longer be told: once there is
        trouble nobody is kept waiting.
        """
        self.commit()
        if self._trouble:
            raise StorageError(self._trouble)
        await self._until_durable()

    async def committed(self) -> None:
        """Return once all that waits in memory is on the disk, trouble or not, however long.

        What was dropped is named in the record before. Raises StorageError if that will not
        happen.
        """
        self._name_missing()
        self.commit()
        await self._until_durable()

    async def _until_durable(self) -> None:
        if self._backlog.durable < self._backlog.last:
            durable: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiting.append((self._backlog.last, durable))
            await durable

    async def finish(
        self,
        outcome: str,
        why: str,
        cycles: int,
        ended_time: float,
        residual: Residual | None = None,
    ) -> Path:
        """End the record as `Recorder.finish` does, in the process; return the path of run.h5.

        Waits as long as the process works. Raises StorageError if run.h5 cannot be made; that
        can be tried again, or given up with `abandon`.
        """
        self._name_missing()
        path = await self._keeper.finish(outcome, why, int(cycles), float(ended_time), residual)
        self._closed = True
        await self._keeper.close()
        return path

    async def abandon(self) -> None:
        """Close without finishing: the process commits what it was given and ends."""
        self._closed = True
        await self._keeper.close()
        self._give_up(self._trouble or f"{self.folder / JOURNAL}: the record was closed")

    def _add(self, method: str, *arguments: object) -> bool:
        """Hand a message over; False where there is no room for it any more."""
        if self._closed:
            return False
        message = pack((self._backlog.last + 1, method, arguments))
        size = self._backlog.size + len(message) + OVERHEAD
        if size > self._memory and not self._trouble:
            self._give_up(self._overflow())
            self._note(self._trouble)
            return self._add(method, *arguments)
        if not self._has_room(method, size):
            return False
        self._send(message, method, arguments)
        return True

    def _has_room(self, method: str, size: int) -> bool:
        bulky = method in BULKY
        room = self._room if bulky else self._room + self._memory // 8
        if size <= room and not (bulky and self._dropping):
            return True
        # From here on none of it: a restart point must not be newer than the rows.
        self._dropping = True
        self._dropped += method not in REPLACED and method not in {"cycles", "commit"}
        return False

    def _send(self, message: bytes, method: str, arguments: tuple[object, ...]) -> None:
        committing = commits(method, arguments)
        if committing:
            self._committed = real_seconds()
        self._fresh = not committing
        self._keeper.send(message, owes=committing, replaces=method if method in REPLACED else "")

    def _overflow(self) -> str:
        return (
            f"{self.folder / JOURNAL}: {self._memory / 1e6:.3g} MB wait for the disk at cycle "
            f"{self._next_kept - 1}: {self._keeper.said or 'the recorder gives no answer'}; "
            "see whether the disk is full or gone"
        )

    def _name_missing(self) -> None:
        """Record what is not in the record, whether or not there is room for a line."""
        if self.missing != self._named and not self._closed:
            self._named = self.missing
            arguments = (self._time, self._cycle, "record", self.missing)
            self._send(pack((self._backlog.last + 1, "event", arguments)), "event", arguments)

    def _lost(self, why: str) -> None:
        """Take no more rows: those before them were not taken, or nobody is there to take them."""
        self._dropping = True
        self._give_up(why)

    def _give_up(self, why: str) -> None:
        self._trouble = self._trouble or why
        for _, synced in self._waiting:
            if not synced.done():
                synced.set_exception(StorageError(why))
        self._waiting.clear()

    def _durable(self, number: int) -> None:
        for target, synced in self._waiting:
            if target <= number and not synced.done():
                synced.set_result(None)
        self._waiting = [entry for entry in self._waiting if entry[0] > number]

    def _note(self, text: str) -> None:
        """Record an event of the recording itself where the test is now."""
        self.event(self._time, self._cycle, "record", text)
