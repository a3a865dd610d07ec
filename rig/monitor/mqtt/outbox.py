"""Events to the broker, in order and without a hole; the journal is the outbox.

Kept is only the number of the last event that got through, in `told.json` in the run's folder. A
teller that is killed says those after it again: at least once, and receivers drop what they have.
"""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Callable, Iterator
from contextlib import aclosing
from pathlib import Path
from typing import Final

from rig.clock import Clock
from rig.monitor.looks import PAGE, Look, Looks, Numbered
from rig.monitor.mqtt import messages
from rig.monitor.mqtt.link import Link, Unsaid
from rig.monitor.mqtt.topics import EVENTS
from rig.monitor.view import View

TOLD: Final = "told.json"
TOGETHER: Final = 10
"""Events on their way at once."""
AGAIN: Final = 2.0
LONGEST_WAIT: Final = 60.0
"""How long [s] until events that did not get through are said again, at first and at the most."""


class Told:
    """The number of the last event that got through, on the disk; `trouble` tells once of a disk.

    A file that cannot be read, or that is about another run, counts as nothing told.
    """

    def __init__(self, folder: Path, run: str, trouble: Callable[[str], None]) -> None:
        self._path, self._run, self._trouble = folder / TOLD, run, trouble
        self._kept = True
        self.seq = self._read()

    def _read(self) -> int:
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
            seq = found["seq"] if found["run"] == self._run else 0
        except (OSError, ValueError, KeyError, TypeError):
            return 0
        return seq if type(seq) is int and seq >= 0 else 0

    def to(self, seq: int) -> None:
        """Keep that events up to a number got through; where the disk refuses, in memory only."""
        self.seq = seq
        text = json.dumps({"run": self._run, "seq": seq}, ensure_ascii=False)
        fresh = self._path.with_name(f"{TOLD}.new")
        try:
            with fresh.open("w", encoding="utf-8") as file:
                file.write(text + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(fresh, self._path)
        except OSError as error:
            if self._kept:
                self._trouble(f"{self._path}: cannot be written ({error.strerror}); it is retried")
            self._kept = False
        else:
            self._kept = True


class Outbox:
    """Says every event of a run, for ever; `done` once the run is over and all got through."""

    def __init__(self, looks: Looks, link: Link, told: Told, clock: Clock) -> None:
        self._looks, self._link, self._told, self._clock = looks, link, told, clock
        self.done = False

    async def empty(self) -> None:
        """Say events as they come, those first that were not said before."""
        wait = AGAIN
        while True:
            await self._link.is_up()
            before = self._told.seq
            try:
                # Read anew from where it stands: nothing waits in memory.
                async with aclosing(self._looks.follow(before)) as following:
                    async for look in following:
                        self.done = False
                        await self._say(look)
                        # A view is older than its events: none comes any more.
                        whole = not look.view.unreadable and len(look.events) < PAGE
                        self.done = over(look.view) and whole
            except Unsaid:
                wait = AGAIN if self._told.seq > before else min(2 * wait, LONGEST_WAIT)
                await self._clock.sleep(wait)

    async def _say(self, look: Look) -> None:
        """Say the events of a look. Raises Unsaid, with what got through kept."""
        for some in _pieces(look.events):
            payloads = [messages.as_payload(messages.event(look.view, each)) for each in some]
            # Begun in this order, they go out in this order.
            said = await asyncio.gather(
                *(self._link.say(EVENTS, payload) for payload in payloads), return_exceptions=True
            )
            through = 0
            while through < len(said) and said[through] is None:
                through += 1
            if through:
                await asyncio.to_thread(self._told.to, some[through - 1].seq)
            for wrong in said[through:]:
                if isinstance(wrong, BaseException):
                    raise wrong


def over(view: View) -> bool:
    """Tell whether a run has its end, and nobody writes to its record any more."""
    return view.ending is not None and not view.alive


def _pieces(events: tuple[Numbered, ...]) -> Iterator[tuple[Numbered, ...]]:
    for first in range(0, len(events), TOGETHER):
        yield events[first : first + TOGETHER]
