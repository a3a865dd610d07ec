"""What the broker keeps of a run: its presence, its state, forecast and end, always the newest.

Nothing of it waits while the broker is away: the next look is said once it is back. The rig's
topics belong to the run that took the rig last; an older one that has ended and still has something
to say leaves them. One that goes on does not: then two rigs speak under one name, and who looks on
is to see that.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from contextlib import aclosing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Final

from rig.clock import Clock
from rig.errors import StorageError
from rig.monitor.looks import Look, Looks, Numbered
from rig.monitor.mqtt import messages
from rig.monitor.mqtt.link import Link, Unsaid
from rig.monitor.mqtt.outbox import over
from rig.monitor.mqtt.second import last_second
from rig.monitor.mqtt.topics import CYCLES, END, FORECAST, PRESENCE, STATUS, Topic
from rig.monitor.view import View
from rig.record.entries import RunHeader

STATUS_EVERY: Final = 5.0
CYCLES_EVERY: Final = 1.0
FORECAST_EVERY: Final = 30.0
"""How often [s] it is said anew though nothing has changed but numbers."""
_AHEAD: Final = timedelta(hours=1)
"""A run that took the rig so far in the future says so by a clock that is wrong."""
_CHANGES: Final = ("state", "cause", "stage", "troubles", "asks", "gone", "outcome")
"""What of a status is said at once where it changes."""


@dataclass(frozen=True, slots=True)
class Whose:
    """Whose topics these are: the rig of a lab, for a run that took the rig at an instant (UTC)."""

    lab: str
    rig: str
    header: RunHeader
    taken: datetime

    @property
    def run(self) -> str:
        """The name of the run."""
        return messages.run_of(self.header)


class Saying:
    """Says how one run stands.

    `link` is set before `say` runs; `left` once it was asked to leave.
    """

    link: Link

    def __init__(self, whose: Whose, looks: Looks, clock: Clock, tell: Callable[[str], None]):
        self._whose, self._looks, self._clock, self._tell = whose, looks, clock, tell
        self._said: dict[Topic, tuple[int, float, Any]] = {}
        self._trouble: Numbered | None = None
        self._counted = -1
        self._back = False
        self._alive = True
        self._later: _Claim | None = None
        self._rivalry = ""
        self.left = False
        self.done = False
        """Whether the run is over and its end has got through."""

    @property
    def newer(self) -> str:
        """The run that took the rig after this one had ended, "" while there is none."""
        return "" if self._alive or self._later is None else self._later.run

    def will(self) -> bytes | None:
        """Return what the broker says if this teller is lost; nothing where the rig has another."""
        return None if self._later or self.left else self._presence(online=False, cause="lost")

    def _presence(self, *, online: bool, cause: str | None) -> bytes:
        whose = self._whose
        told = messages.presence(
            whose.header, whose.taken, online=online, since=self._clock.utc(), cause=cause
        )
        return messages.as_payload(told)

    def heard(self, payload: bytes) -> None:
        """Take what somebody said of the presence of a run on this rig, this one too."""
        other = _claim(payload)
        if other is None or self.left:
            return
        mine = _Claim(self._whose.taken, self._whose.run, online=True)
        if other.run == mine.run:
            # Only a connection before this one can have said so.
            self._back = self._back or not other.online
        elif not mine < other or other.taken > self._clock.utc() + _AHEAD:
            # An older run was lost only now: its last will stands where ours belongs.
            self._back = True
        elif other.online or not self._alive:
            self._gives_way(other)
        else:
            # It is no more, and ours goes on: it took the rig by a clock that went ahead.
            self._back = True
            if self._later == other:
                self._gives_way(None)

    def _gives_way(self, later: _Claim | None) -> None:
        """Leave the presence to a later run, or take it again; the last will changes with it."""
        if self._later != later:
            self._later = later
            self.link.drop()

    def _tell_of_rivals(self) -> None:
        later = self._later
        told = ""
        if later is not None and self._alive:
            told = (
                f"run {later.run!r} speaks under this rig's name as well: give each rig a name of "
                "its own in its rig file"
            )
        elif later is not None:
            told = f"run {later.run!r} has taken the rig: its topics are that run's now"
        if told and told != self._rivalry:
            self._tell(told)
        self._rivalry = told

    async def say(self) -> None:
        """Say what is due, look by look, for ever."""
        async with aclosing(self._looks.follow()) as following:
            async for look in following:
                self._trouble = next(
                    (e for e in reversed(look.events) if messages.is_trouble(e.event)),
                    self._trouble,
                )
                self._alive = look.view.alive
                self._tell_of_rivals()
                if self.link.up and not self.left:
                    await self._due(look)

    async def leave(self) -> None:
        """Say that no more messages come: all was said, or somebody asked to end."""
        self.left = True
        if self._later is None:
            cause = "ended" if self.done else "left"
            with suppress(Unsaid):
                await self.link.say_last(PRESENCE, self._presence(online=False, cause=cause))

    async def _due(self, look: Look) -> None:
        """Say what is due of a look; what does not get through keeps nothing else back."""
        view = look.view
        if self.newer:
            self.done = over(view)
            return
        said = [
            await self._got_through(saying)
            for saying in (
                self._present,
                partial(self._status, view),
                partial(self._cycles, view),
                partial(self._kept, FORECAST, messages.forecast(view), FORECAST_EVERY),
                partial(self._kept, END, messages.end(view), None),
            )
        ]
        self.done = over(view) and all(said)

    @staticmethod
    async def _got_through(saying: Callable[[], Awaitable[None]]) -> bool:
        try:
            await saying()
        except Unsaid:
            return False
        return True

    async def _present(self) -> None:
        if self._later is None and (self._back or self._is_due(PRESENCE, None, every=None)):
            self._back = False
            await self._say(PRESENCE, self._presence(online=True, cause=None), None)

    async def _status(self, view: View) -> None:
        told = messages.status(view, self._whose.lab, self._whose.rig, self._trouble)
        changes = {name: told[name] for name in _CHANGES} | {"level": told["call"]["level"]}
        if self._is_due(STATUS, changes, every=None if over(view) else STATUS_EVERY):
            await self._say(STATUS, messages.as_payload(told), changes)

    async def _cycles(self, view: View) -> None:
        counted = view.status.cycles
        if self._counted < 0 or counted < self._counted:
            self._counted = counted
        elif counted > self._counted and self._is_due(
            CYCLES, counted, every=CYCLES_EVERY, at_once=False
        ):
            with suppress(StorageError):
                second = await asyncio.to_thread(last_second, view.folder, self._counted, counted)
                if second is not None:
                    self._counted = second.cycle
                    payload = messages.as_payload(messages.cycles(view, second))
                    await self._say(CYCLES, payload, counted)

    async def _kept(self, kind: Topic, told: messages.Payload | None, every: float | None) -> None:
        """Say what the broker keeps, or take away what it keeps of something that is no more."""
        what = told and (told.get("why"), told.get("outcome"))
        if self._is_due(kind, what, every=every if told else None):
            await self._say(kind, messages.as_payload(told), what)

    def _is_due(self, kind: Topic, what: Any, *, every: float | None, at_once: bool = True) -> bool:
        """Tell whether something is to be said: new here, changed, or said long ago."""
        connection, when, before = self._said.get(kind, (0, 0.0, None))
        if connection != self.link.connections or (at_once and what != before):
            return True
        return every is not None and self._clock.now() - when >= every

    async def _say(self, kind: Topic, payload: bytes, what: Any) -> None:
        connection, now = self.link.connections, self._clock.now()
        await self.link.say(kind, payload)
        self._said[kind] = (connection, now, what)


@dataclass(frozen=True, slots=True, order=True)
class _Claim:
    """When a run took the rig; of two the later one has it."""

    taken: datetime
    run: str
    online: bool = field(compare=False)


def _claim(payload: bytes) -> _Claim | None:
    """Return what a presence says, None where it is none."""
    try:
        told = json.loads(payload)
        taken = datetime.fromisoformat(told["taken_utc"]).astimezone(UTC)
        run, online = told["run"], told["online"]
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    right = isinstance(run, str) and isinstance(online, bool)
    return _Claim(taken, run, online) if right else None
