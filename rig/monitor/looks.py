"""One reader of a run's journal for any number of others, each told every event once, in order."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from rig.clock import Clock
from rig.errors import StorageError
from rig.monitor.view import Follower, View
from rig.record.entries import Event
from rig.record.history import read_journal

PAGE: Final = 200
"""Events of one look at most: whoever is far behind reads on page by page."""
NO_RECORD: Final = 2.0
"""How long [s] until a journal that could never be read is tried again."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """An event with its 1-based place among the run's events."""

    seq: int
    event: Event


@dataclass(frozen=True, slots=True)
class Look:
    """A run as it stands, and the events that are new since the look before."""

    view: View
    events: tuple[Numbered, ...]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a follower stands: events counted so far, and the journal's entry of the last one."""

    seq: int = 0
    entry: int = 0


class Looks:
    """Reads the journal at most every `every` seconds, in a thread, while somebody follows.

    The journal is open during a look only. Nothing is kept for a follower that is slow: it reads
    on where it stands. `holds` tells whether the run's program lives. `trouble` says why the
    journal could not be read at all so far, "" where it was.
    """

    def __init__(
        self, folder: Path, clock: Clock, holds: Callable[[], bool], every: float = 0.5
    ) -> None:
        self._folder, self._clock, self._every = folder, clock, every
        self._follower = Follower(folder, holds)
        # A look that nobody waits for any more still runs in its thread.
        self._reading = threading.Lock()
        self._turn = asyncio.Lock()
        self._due = -1.0
        self._count = 0
        self._view: View | None = None
        self.trouble = ""

    async def follow(self, after: int = 0) -> AsyncGenerator[Look, None]:
        """Yield looks for ever, the first one at once, with the events behind number `after`."""
        count, place = 0, _Place()
        while True:
            count, view = await self._newer(count)
            more = True
            while more:
                look, place, more = await asyncio.to_thread(self._look, view, place, after)
                yield look

    async def _newer(self, count: int) -> tuple[int, View]:
        """Return a view that is newer than the one so numbered; whoever comes first looks."""
        async with self._turn:
            while self._count <= count or self._view is None:
                await self._clock.sleep(max(self._due - self._clock.now(), 0.0))
                try:
                    self._view = await asyncio.to_thread(self._read)
                except StorageError as error:
                    self.trouble = str(error)
                    self._due = self._clock.now() + max(NO_RECORD, self._every)
                else:
                    self.trouble = ""
                    self._count += 1
                    self._due = self._clock.now() + self._every
            return self._count, self._view

    def _read(self) -> View:
        with self._reading:
            return self._follower.look()

    def _look(self, view: View, place: _Place, after: int) -> tuple[Look, _Place, bool]:
        """Return the next page of events, the place behind it, and whether more are there."""
        try:
            with read_journal(self._folder) as journal:
                found = journal.events_after(place.entry, PAGE)
        except StorageError as error:
            view = replace(view, unreadable=view.unreadable or str(error))
            return Look(view, ()), place, False
        numbered = [Numbered(place.seq + n, event) for n, (_, event) in enumerate(found, start=1)]
        if found:
            place = _Place(place.seq + len(found), found[-1][0])
        new = tuple(each for each in numbered if each.seq > after)
        return Look(view, new), place, len(found) == PAGE
