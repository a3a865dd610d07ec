"""Whether what somebody asks for may be done now; what may not is refused with the reason."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Final

from rig.control.checklist import GUARD_OPEN
from rig.control.desk import Asked, Request
from rig.control.hours import local, quiet_until
from rig.control.offsets import unplugged
from rig.control.states import possible
from rig.control.station import Station
from rig.protocol.lab import FROM_AFAR
from rig.protocol.plan import RigPlan

LOCAL_WAIT: Final = 60.0  # [s] in which the input at the rig must be given after a request


def not_from_afar(request: Request, rig: RigPlan) -> str:
    """Return why a request is refused for where it comes from, or nothing.

    Whoever passes it on has checked the same; here it is held against the run's own rig file.
    """
    if not request.afar:
        return ""
    allowed = rig.messages.requests if rig.messages is not None else ()
    if request.verb in FROM_AFAR and request.verb in allowed:
        return ""
    return f"the rig file does not allow {request.verb} from afar"


class Permit:
    """Permits or refuses requests while the rig stands; `utc` tells the calendar time.

    `on` lets time go on to a frame. `resuming` tells that going on is a resumption, which quiet
    hours forbid; `local_wait` what waits for the input at the rig just now, or nothing.
    """

    def __init__(
        self,
        station: Station,
        utc: Callable[[], datetime] | None,
        on: Callable[[int], Awaitable[object]],
    ) -> None:
        self._station, self._utc, self._on = station, utc, on
        self._stream, self._book, self._rig = station.stream, station.book, station.rig
        self.resuming = False
        self.local_wait = ""

    async def given(self, asked: Asked, problem_of: Callable[[Asked], str] | None = None) -> bool:
        """Refuse a request with a problem; wait for the local input where motion follows."""
        problem_of = problem_of or self._problem
        if asked.request.verb == "pause" and self._book.state in ("paused", "locked"):
            asked.answer(done=True, text="stands already", state=self._book.state)
            return False
        problem = problem_of(asked)
        if not problem and not self._rig.emulated and asked.request.verb != "pause":
            # Things change while somebody walks to the button.
            problem = await self._local_input(asked, problem_of) or problem_of(asked)
        if problem:
            self.refuse(asked, problem)
        return not problem

    def quiet(self) -> str:
        """Return until when nothing is resumed, or nothing outside quiet hours."""
        if self._utc is None:
            return ""
        hours = self._station.plan.hours
        until = quiet_until(hours, self._utc())
        if until is None:
            return ""
        return f"quiet hours: nothing is resumed until {local(hours, until):%a %H:%M}"

    def refuse(self, asked: Asked, problem: str) -> None:
        """Answer a request with what speaks against it, and write it down."""
        asked.answer(done=False, text=problem, state=self._book.state)
        self._book.event("request", f"{asked.request.verb} refused: {problem}")

    def _problem(self, asked: Asked) -> str:
        """Return why a request is refused now, or nothing."""
        state, verb = self._book.state, asked.request.verb
        if refusal := not_from_afar(asked.request, self._station.plan.rig):
            return refusal
        if verb not in possible(state):
            return f"not while {state}"
        if verb == "pause":
            return ""
        if self._stream.inputs.guard_open:
            return GUARD_OPEN
        if gone := unplugged(self._station):
            return gone
        return self.quiet() if verb == "continue" and self.resuming else ""

    async def _local_input(self, asked: Asked, problem_of: Callable[[Asked], str]) -> str:
        """Wait for the input at the rig; return what was missing, or nothing."""
        stream, kind = self._stream, self._station.plan.rig.local_input
        self._book.event("local input", f"{asked.request.verb} waits for the {kind} at the rig")
        until, released = stream.now + stream.frames(LOCAL_WAIT), not stream.inputs.local_button
        self.local_wait = asked.request.verb
        try:
            while stream.now < until:
                await self._on(stream.now + stream.tick)
                if problem := problem_of(asked):
                    return problem
                if stream.inputs.local_button and released:
                    return ""
                released = released or not stream.inputs.local_button
        finally:
            self.local_wait = ""
        return f"nobody used the {kind} at the rig within {LOCAL_WAIT:.0f} s"
