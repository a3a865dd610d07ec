"""Alerts kept while a run is looked at: from looks to messages, through the book."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rig.clock import Clock
from rig.errors import StorageError
from rig.monitor.alerts.asked import from_afar
from rig.monitor.alerts.book import Read, read_on, write
from rig.monitor.alerts.calling import heard_from, sure_causes, sure_happenings
from rig.monitor.alerts.cause import Cause
from rig.monitor.alerts.desk import Desk, Line, line, with_line
from rig.monitor.alerts.due import Due, due
from rig.monitor.alerts.messages import AlertText, Send, WayDead
from rig.monitor.alerts.opening import Seen, Watch, observed
from rig.monitor.alerts.quiet import zone_of
from rig.monitor.alerts.ways import Tries, broker_away, dead_ways
from rig.monitor.alerts.wording import as_it_is, message, where_of
from rig.monitor.view import View
from rig.protocol.lab import Lab, Messages, Way

if TYPE_CHECKING:
    from rig.monitor.looks import Look

EVERY: Final = 1.0
"""Seconds between two looks at what is due."""
PATIENCE: Final = 5.0
"""Seconds that the book is waited for: a disk that hangs is what people have to hear of."""
LONG_AGO: Final = timedelta(minutes=10)
"""What happened so long before the first look of a run without a book calls nobody any more."""
_MOST_LOOKS: Final = 50
"""Looks that may wait: who reads the journal goes on only as far."""


def _nothing() -> tuple[str, ...]:
    return ()


async def keep_alerting(
    looks: AsyncIterator[Look],
    lab: Lab,
    messages: Messages,
    folder: Path,
    ways: Mapping[Way, Send],
    clock: Clock,
    told_from_afar: Callable[[], tuple[str, ...]] = _nothing,
    *,
    another: Callable[[], str] = str,
    away: Callable[[], str] = str,
) -> None:
    """Alert people by the rules of a lab until the run is over and all of it is said.

    `looks` begins at the run's first event (`Looks.follow(0)`): what the book has is not told
    twice. `told_from_afar` is asked about once a second for lines on requests from afar since it
    was asked last. `another` names another run that has the rig by now, "" for none: from then on
    nobody is told any more what this one left behind. `away` tells why there is no connection to
    the broker, "" where there is one or none is wanted. A way that hangs holds up no other, and
    where the book cannot be written people are told all the same.
    """
    keeper = _Keeper(lab, messages, folder, ways, clock, told_from_afar, another, away)
    try:
        await keeper.begin()
        async with asyncio.TaskGroup() as group:
            reading = group.create_task(keeper.read(looks))
            working = [group.create_task(keeper.work(way)) for way in lab_ways(lab)]
            await keeper.keep()
            for task in (reading, *working):
                task.cancel()
    finally:
        keeper.close()


async def _not_set_up(_: AlertText) -> None:
    raise WayDead("it is not set up on this computer")


def _booked(folder: Path, lines: Sequence[Line], book: Read) -> tuple[int, Read]:
    """Write lines and read on; return how many were written, and the book."""
    written = 0
    with contextlib.suppress(StorageError):
        if lines:
            write(folder, lines)
            written = len(lines)
        book = read_on(folder, book)
    return written, book


def _with_unwritten(desk: Desk, lines: Sequence[Line]) -> Desk:
    """Return the desk after some more lines; without those that fit it no more."""
    for each in lines:
        with contextlib.suppress(ValueError):
            desk = with_line(desk, each)
    return desk


def lab_ways(lab: Lab) -> tuple[Way, ...]:
    """Return the ways that the rules of a lab name, each once."""
    return tuple(dict.fromkeys(way for rule in lab.rules for way in rule.ways))


class _Keeper:
    """What the tasks share: looks that came, the book, what each way is to send."""

    def __init__(
        self,
        lab: Lab,
        messages: Messages,
        folder: Path,
        ways: Mapping[Way, Send],
        clock: Clock,
        told_from_afar: Callable[[], tuple[str, ...]],
        another: Callable[[], str],
        away: Callable[[], str],
    ) -> None:
        self._lab, self._messages, self._folder = lab, messages, folder
        self._ways, self._clock, self._afar = ways, clock, told_from_afar
        self._another, self._away = another, away
        self._zone = zone_of(lab.zone)
        self._book = Read()
        self._desk = Desk()
        self._unwritten: list[Line] = []
        self._writing = asyncio.Lock()
        # Of its own: no thread of others that hangs with the disk may be in the way.
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="alerts")
        self._booking: asyncio.Future[tuple[int, Read]] | None = None
        self._watch = Watch()
        self._current: dict[str, Cause] = {}
        self._where: dict[str, Any] = {}
        self._heard: dict[str, str] = {}
        self._tries = Tries()
        self._looks: deque[Look] = deque()
        self._room = asyncio.Event()
        self._stirred = asyncio.Event()
        self._orders: dict[Way, asyncio.Queue[Due]] = {w: asyncio.Queue() for w in lab_ways(lab)}
        self._busy: set[Way] = set()
        self._view: View | None = None
        self._upto = 0
        self._fresh = True
        self._oldest: float | None = None

    async def begin(self) -> None:
        """Read the book that a teller before this one has left."""
        loop = asyncio.get_running_loop()
        self._book = await loop.run_in_executor(self._thread, read_on, self._folder, self._book)
        self._desk, self._upto = self._book.desk, self._book.desk.seen
        # What people wrote, such as a silence, tells of no teller before this one.
        self._fresh = not self._desk.alerts and not self._upto

    def close(self) -> None:
        """Give up the thread; what it does just now is not waited for."""
        self._thread.shutdown(wait=False)

    async def read(self, looks: AsyncIterator[Look]) -> None:
        """Take looks as they come."""
        async for look in looks:
            while len(self._looks) >= _MOST_LOOKS:
                self._room.clear()
                await self._room.wait()
            self._looks.append(look)
            self._stirred.set()

    async def keep(self) -> None:
        """Work looks and commands into the book, and hand out what is due, until all is said."""
        while True:
            self._stirred.clear()
            await self._catch_up()
            await self._observe()
            dues = await self._due()
            if self._done(dues):
                return
            for each in dues:
                if each.way not in self._busy:
                    self._busy.add(each.way)
                    self._orders[each.way].put_nowait(each)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(EVERY):
                    await self._stirred.wait()

    async def work(self, way: Way) -> None:
        """Send by one way, one message after the other."""
        while True:
            order = await self._orders[way].get()
            now, send = self._clock.utc(), self._ways.get(way, _not_set_up)
            failed = ""
            try:
                await send(self._message(order, now))
            except WayDead as dead:
                failed = dead.reason
            except Exception as error:  # noqa: BLE001 - whatever a way raises, the others go on
                # Its own text may show what nobody is to see.
                failed = f"a defect of nightrig: {type(error).__name__}"
            await self._sent(order, failed)
            self._busy.discard(way)
            self._stirred.set()

    def _message(self, order: Due, now: datetime) -> AlertText:
        as_now = partial(as_it_is, current=self._current, where=self._where)
        return message(self._desk, order, self._lab, self._folder, now, self._zone, as_now)

    async def _sent(self, order: Due, failed: str) -> None:
        now = self._clock.utc()
        whom = {"of": list(order.alerts), "way": order.way, "people": list(order.people)}
        if failed:
            self._tries = self._tries.failed(order, now)
            await self._write([line("failed", now, **whom, reason=failed, why=order.purpose)])
        else:
            self._tries = self._tries.succeeded(order)
            await self._write([line("sent", now, **whom, why=order.purpose)])

    async def _catch_up(self) -> None:
        """Take what the command `alerts` has written meanwhile, and write what could not be."""
        await self._write([], reads=True)

    async def _write(self, lines: list[Line], *, reads: bool = False) -> None:
        """Write lines; those that cannot be kept count all the same, and are tried again.

        A disk that is full, or hangs, is what people have to hear of.
        """
        self._unwritten += lines
        if not self._unwritten and not reads:
            return
        async with self._writing:
            await self._to_book()
            self._desk = _with_unwritten(self._book.desk, self._unwritten)

    async def _to_book(self) -> None:
        """Bring what is not written into the book, and read on; without waiting for long."""
        waits = self._booking is None
        if self._booking is None:
            loop, lines = asyncio.get_running_loop(), tuple(self._unwritten)
            self._booking = loop.run_in_executor(
                self._thread, _booked, self._folder, lines, self._book
            )
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE if waits else 0.0):
                await asyncio.shield(self._booking)
        if self._booking.done():
            booking, self._booking = self._booking, None
            written, self._book = booking.result()
            del self._unwritten[:written]

    async def _observe(self) -> None:
        """Work the looks that came into the book; without one the newest holds on."""
        holds: tuple[Cause, ...] = ()
        happened: list[Cause] = []
        now = self._clock.utc()
        while self._looks:
            look = self._looks.popleft()
            self._room.set()
            self._view = replace(look.view, zone=self._zone)
            self._heard = heard_from(self._heard, look.events)
            happened += self._new(look)
        if self._view is None:
            return
        # Where no look comes any more, as on a disk that hangs, its data grows old all the same.
        self._view = replace(self._view, now=max(self._view.now, now))
        happened += from_afar(self._view, self._afar())
        dead = {cause.key: cause for cause in self._of_ways()}
        holds = (*sure_causes(self._view, self._heard), *dead.values())
        view, where = self._view, where_of(self._view, self._messages, self._zone)
        ended = view.ending is not None
        self._current, self._where = {cause.key: cause for cause in holds}, where
        seen = Seen(
            holds, tuple(happened), self._upto, ended, view.over, where, another=self._another()
        )
        lines, self._watch = observed(self._desk, self._watch, seen, self._lab, now)
        await self._write(lines)

    def _of_ways(self) -> Iterator[Cause]:
        """Yield the causes that lie in ways; of one key the last counts."""
        if why := self._away():
            yield broker_away(why, requests=bool(self._messages.requests and self._lab.afar))
        yield from dead_ways(self._desk, self._lab)

    def _new(self, look: Look) -> tuple[Cause, ...]:
        """Return what happened in a look and is neither in the book nor long ago."""
        if self._view is None:
            return ()
        if self._oldest is None:
            long_ago = self._view.status.time - LONG_AGO.total_seconds()
            self._oldest = long_ago if self._fresh else float("-inf")
        new = [e for e in look.events if e.seq > self._upto and e.event.time >= self._oldest]
        self._upto = max([self._upto, *(e.seq for e in look.events)])
        return sure_happenings(self._view, new)

    async def _due(self) -> tuple[Due, ...]:
        now = self._clock.utc()
        dues, held = due(self._desk, self._lab, now, self._zone)
        await self._write(list(held))
        return tuple(each for each in dues if self._tries.ready(each, now))

    def _done(self, dues: tuple[Due, ...]) -> bool:
        """Tell whether nothing of a run that is over will ever be due any more."""
        view = self._view
        if view is None or self._busy or self._unwritten or self._looks or dues:
            return False
        if view.alive and view.ending is None:
            return False
        return not self._watch.first and not self._to_come(self._clock.utc())

    def _to_come(self, now: datetime) -> bool:
        """Tell whether something would be due later if nobody did anything."""
        later = (timedelta(minutes=30 * step) for step in range(1, 7 * 48))
        return any(due(self._desk, self._lab, now + each, self._zone)[0] for each in later)
