"""The desk: where people's requests wait until the conductor takes them.

A request is answered twice: `acted` here, as soon as the conductor has acted or refused; that it
is recorded, by whoever serves the person, once the recorder says so.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from rig.control.crack_log import CrackGiven

MOST_WAITING: Final = 64
"""Requests that may wait; more are refused at once, so that a storm costs no memory.

A stop is none of them: one may always wait, with so many more that are answered like it.
"""

VERBS: Final = ("pause", "continue", "unload", "stop", "note", "confirm")


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody asks for.

    `verb` is one of `VERBS`, `who` a person's name, `text` what they want written down. A
    catch-can reading [m3/s] at one of the sprayed faces comes with "note", or the channel whose
    sensor was `moved`, or what is given of a `crack`; "confirm" carries the checklist's items as
    confirmed and who is `on_call`. `afar` tells that it came from elsewhere, by the messages of
    the rig.
    """

    verb: str
    who: str = ""
    text: str = ""
    catch_can: float | None = None
    face: str = ""
    moved: str = ""
    crack: CrackGiven | None = None
    items: tuple[str, ...] = ()
    on_call: str = ""
    afar: bool = False

    @property
    def asker(self) -> str:
        """Who asks, and that it is from afar where it is."""
        who = self.who or "somebody"
        return f"{who} from afar" if self.afar else who

    @property
    def by(self) -> str:
        """Who asks, and why."""
        return f"by {self.asker}, {self.text}" if self.text else f"by {self.asker}"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a request: whether it was done, in words, and the state it found."""

    done: bool
    text: str
    state: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A request on the desk, with the future of its first answer.

    `alike` are the futures of those who asked for the same while it waited.
    """

    request: Request
    acted: asyncio.Future[Answer] = field(repr=False)
    alike: list[asyncio.Future[Answer]] = field(default_factory=list, repr=False)

    def answer(self, *, done: bool, text: str, state: str) -> None:
        """Answer; whoever asked may be gone."""
        for future in (self.acted, *self.alike):
            if not future.done():
                future.set_result(Answer(done, text, state))


class Desk:
    """Requests in the order in which they came, a stop before all. Lives in one event loop.

    `script` holds requests of a rehearsal with the frames at which they come. `attended` tells
    whether anybody can answer at all.
    """

    def __init__(self, script: Sequence[tuple[int, Request]] = ()) -> None:
        self._stop: Asked | None = None
        self._waiting: deque[Asked] = deque()
        self._script = deque(sorted(script, key=lambda entry: entry[0]))
        self._arrived = asyncio.Event()
        self._closed = ""
        self.attended = bool(script)

    def ask(self, request: Request) -> asyncio.Future[Answer]:
        """Put a request on the desk; the future is its first answer."""
        asked = Asked(request, asyncio.get_running_loop().create_future())
        if self._closed:
            asked.answer(done=False, text=self._closed, state="stopped")
        elif request.verb == "stop":
            self._ask_stop(asked)
        elif len(self._waiting) >= MOST_WAITING:
            asked.answer(done=False, text="too many requests are waiting; ask again", state="")
        else:
            self._waiting.append(asked)
            self._arrived.set()
        return asked.acted

    def _ask_stop(self, asked: Asked) -> None:
        if self._stop is not None and self._stop.request.afar and not asked.request.afar:
            # One that may yet be refused must not answer for one that may not.
            self._waiting.appendleft(self._stop)
            self._stop = None
        if self._stop is None:
            self._stop = asked
            self._arrived.set()
        elif len(self._stop.alike) < MOST_WAITING:
            self._stop.alike.append(asked.acted)
        else:
            asked.answer(done=False, text="a stop is waiting already", state="")

    def next_scripted(self, far: int) -> int:
        """Return the frame at which the next scripted request comes, `far` if none does."""
        return self._script[0][0] if self._script else far

    def take(self, frame: int) -> Asked | None:
        """Return a stop that has come by `frame`, else the oldest request, or None."""
        while self._script and self._script[0][0] <= frame:
            self.ask(self._script.popleft()[1])
        if self._stop is not None:
            stop, self._stop = self._stop, None
            return stop
        if not self._waiting:
            self._arrived.clear()
            return None
        return self._waiting.popleft()

    async def wait(self) -> None:
        """Return once a request waits; for where no samples give the beat."""
        await self._arrived.wait()

    def close(self, text: str) -> None:
        """Refuse what waits and all that comes, with this text."""
        self._closed = text
        if self._stop is not None:
            self._waiting.appendleft(self._stop)
            self._stop = None
        while self._waiting:
            self._waiting.popleft().answer(done=False, text=text, state="stopped")
