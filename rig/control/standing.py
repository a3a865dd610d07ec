"""Standing still: pauses, waits at inspections, people at the rig, and going on again.

What may follow what comes from the state table; here is what the rig does on the way. Whatever
moves a real rig needs the input at the rig besides the request.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Final

from rig.control.checklist import missing
from rig.control.desk import Asked
from rig.control.hours import local, quiet_until
from rig.control.looking import Held, Judge, Nothing
from rig.control.states import following
from rig.control.station import StageAgain, Station
from rig.control.stream import FAR, StopNow
from rig.ports import InputState

LOCAL_WAIT: Final = 60.0  # [s] in which the input at the rig must be given after a request
CHECKLIST_WAIT: Final = 900.0  # [s] in which the checklist must be confirmed
LOOK_AGAIN: Final = 60.0  # [s]: longest block while nothing is due
GUARD_OPEN: Final = "the guard is open; close it"
RESUMED: Final = ("paused", "unloaded")
"""States out of which going on is a resumption: not in quiet hours, and wetted first."""

Cause = tuple[str, str]
"""Why a standing state ends: the table's cause, and in words."""


class Standing:
    """Holds the rig still and takes it on again. `utc` tells the calendar time.

    `on_fall` lets the amplitude of the cyclic stage fall and goes to lower load.
    """

    def __init__(self, station: Station, utc: Callable[[], datetime] | None) -> None:
        self._station = station
        self._stream, self._book, self._rig = station.stream, station.book, station.rig
        self._utc = utc
        self._asked: Asked | None = None
        self._judge: Judge = Nothing()
        self.on_fall: Callable[[], Awaitable[None]] | None = None

    async def confirmed(self) -> None:
        """Wait until the checklist is confirmed by name; pressure is off."""
        stream, book = self._stream, self._book
        until = stream.now + stream.frames(CHECKLIST_WAIT)
        stream.inputs_matter = False
        while stream.now < until:
            asked = stream.take_asked()
            if asked is not None and await self._confirms(asked):
                stream.inputs_matter = True
                request = asked.request
                book.event("checklist", f"confirmed by {request.who}: {'; '.join(request.items)}")
                book.event("on call", request.on_call)
                book.enter("starting", "confirm", f"confirmed by {request.who}")
                asked.answer(done=True, text="checklist confirmed", state=book.state)
                return
            await stream.advance(stream.now + stream.frames(1.0), Nothing())
        minutes = CHECKLIST_WAIT / 60
        raise StopNow(
            "operator", "operator", f"nobody confirmed the checklist in {minutes:.0f} min"
        )

    async def _confirms(self, asked: Asked) -> bool:
        problem = missing(self._station.plan, asked.request)
        if not problem and self._stream.inputs.emergency_stop:
            problem = "the emergency stop is pressed"
        if not problem and self._stream.inputs.guard_open:
            problem = GUARD_OPEN
        return await self._permitted(asked, problem)

    async def slow(self, judge: Judge) -> tuple[int, Judge]:
        """Act on a request in a slow motion; return the frames that passed, and the judge.

        Raises StageAgain when the specimen was unloaded meanwhile.
        """
        if self._book.state == "pausing":
            return 0, judge  # on its way to rest: the request is answered there
        asked = self._stream.take_asked()
        if asked is None:
            return 0, judge
        began, state = self._stream.now, self._book.state
        self._judge = Held(judge)
        await self._rig.actuator.hold()
        kept = await self.interrupted(asked)
        held, self._judge = self._judge, Nothing()
        if not kept:
            raise StageAgain
        self._book.enter(state, "go on" if state == "inspection" else "stage", "goes on")
        await self._station.move_on()
        return self._stream.now - began, held.judge if isinstance(held, Held) else judge

    async def interrupted(self, asked: Asked) -> bool:
        """Pause or unload on request, the rig being on its way to rest already.

        True if the specimen stayed loaded. Ends in "starting". On a real rig unloading out of a
        motion is a pause first: only with the local input does anything move again.
        """
        if asked.request.verb == "unload" and self._rig.emulated:
            self._asked = asked
            return await self._follow("unload", _by(asked))
        self.pausing("pause", _by(asked))
        if asked.request.verb == "unload":
            self._stream.asked = asked
        else:
            self._answer(asked, "goes to rest, power kept")
        await self._to_rest()
        return await self.paused()

    async def pause(self, cause: str, why: str) -> bool:
        """Pause for a cause that nobody asked for; the same as `interrupted` else."""
        self.pausing(cause, why)
        await self._to_rest()
        return await self.paused()

    def pausing(self, cause: str, why: str) -> None:
        """Write that the test begins to pause."""
        self._book.enter("pausing", cause, why)
        self._book.interruption_begins(f"{cause}: {why}")

    async def _to_rest(self) -> None:
        """Let the amplitude fall, then go to lower load; a slow stage stands already."""
        station = self._station
        if station.cycling and self.on_fall is not None:
            await self.on_fall()
        await station.water.pause(self._stream.now, self._book.counted)

    async def paused(self) -> bool:
        """Stand until somebody goes on; True if the specimen stayed loaded. Ends in "starting"."""
        plan, stream = self._station.plan, self._stream
        self._book.enter("paused", "at rest")
        keeps_power = plan.rig.stops.get("pause", 2) == 2
        limit = stream.now + (stream.frames(plan.pauses.unload_after) if keeps_power else 0)
        return await self._follow(*await self._stand(limit))

    async def waiting(self, go_on_after: float | None) -> bool:
        """Stand at an inspection; True if the specimen stayed loaded. Ends in "starting"."""
        limit = None
        if go_on_after is not None:
            limit = self._stream.now + self._stream.frames(go_on_after)
        return await self._follow(*await self._stand(limit))

    async def _follow(self, cause: str, why: str) -> bool:
        """Take the steps that the table has, until the test goes on."""
        while True:
            to = following(self._book.state, cause)
            if to == "starting":
                await self._start(cause, why)
                return True
            if to == "locked":
                await self._lock(cause, why)
                cause, why = await self._stand(None)
                continue
            await self._unload(cause, why)
            cause, why = await self._stand(None)
            await self._start(cause, why)
            return False

    async def _stand(self, limit: int | None) -> Cause:
        """Stand in the present state until a cause to leave it, or until a frame."""
        stream, watches = self._stream, self._book.state in ("waiting", "paused")
        stream.people_near = self._book.people_near
        stream.wakes = _people if watches else _nobody
        try:
            while True:
                asked = stream.take_asked()
                if asked is not None and await self._permitted(asked, self._problem(asked)):
                    self._asked = asked
                    return asked.request.verb, _by(asked)
                if watches and _people(stream.inputs):
                    return "people", "guard open" if stream.inputs.guard_open else "local input"
                if limit is not None and stream.now >= limit:
                    return "wait over", "nobody came"
                await self._on(limit if limit is not None else FAR)
        finally:
            stream.people_near, stream.wakes = False, _nobody

    async def _on(self, until: int) -> None:
        """Go on to a frame, or as far as something is due, with what goes on by time."""
        stream, chores = self._stream, self._station.chores
        # Two missed spray periods cannot pause a test that stands: the event is enough.
        await chores.act()
        until = min(until, chores.next_frame(), stream.now + stream.frames(LOOK_AGAIN))
        _, self._judge = await stream.advance(until, self._judge)

    def _problem(self, asked: Asked) -> str:
        """Return why a request is refused now, or nothing."""
        state, verb = self._book.state, asked.request.verb
        if verb == "pause":
            return ""
        if self._stream.inputs.guard_open:
            return GUARD_OPEN
        if verb == "continue" and state in RESUMED and self._utc is not None:
            hours = self._station.plan.hours
            until = quiet_until(hours, self._utc())
            if until is not None:
                return f"quiet hours: nothing is resumed until {local(hours, until):%a %H:%M}"
        return ""

    async def _permitted(self, asked: Asked, problem: str) -> bool:
        """Refuse a request with a problem; wait for the local input where motion follows."""
        kind = self._station.plan.rig.local_input
        if not problem and not self._rig.emulated and asked.request.verb != "pause":
            problem = await self._local_input(asked, kind)
        if problem:
            self._refuse(asked, problem)
        return not problem

    async def _local_input(self, asked: Asked, kind: str) -> str:
        """Wait for the input at the rig; return what was missing, or nothing."""
        stream = self._stream
        verb = asked.request.verb
        self._book.event("local input", f"{verb} waits for the {kind} at the rig")
        until, released = stream.now + stream.frames(LOCAL_WAIT), not stream.inputs.local_button
        try:
            while stream.now < until:
                await self._on(stream.now + stream.tick)
                if stream.inputs.local_button and released:
                    return ""
                released = released or not stream.inputs.local_button
        except StopNow as stop:
            self._refuse(asked, f"the test is being stopped: {stop.why}")
            raise
        return f"nobody used the {kind} at the rig within {LOCAL_WAIT:.0f} s"

    def _refuse(self, asked: Asked, problem: str) -> None:
        asked.answer(done=False, text=problem, state=self._book.state)
        self._book.event("request", f"{asked.request.verb} refused: {problem}")

    def _answer(self, asked: Asked | None, text: str) -> None:
        if asked is not None:
            asked.answer(done=True, text=text, state=self._book.state)

    def _acted(self, text: str) -> None:
        """Answer the request that is being carried out, once the rig has begun to act."""
        asked, self._asked = self._asked, None
        self._answer(asked, text)

    async def _start(self, cause: str, why: str) -> None:
        """Wet where it was dry for long, warn, and put the pressure on: what moves comes next."""
        station, stream, water = self._station, self._stream, self._station.water
        book, state = self._book, self._book.state
        wet_for = water.rewet_time(stream.now) if state in RESUMED else 0.0
        if wet_for:
            self._acted(f"wets for {wet_for / 3600:.1f} h, then goes on")
            book.enter("re-wetting", "long dry", f"{wet_for / 3600:.1f} h, then goes on: {why}")
            await water.rewet_begin(stream.now)
            until = stream.now + stream.frames(wet_for)
            while stream.now < until:
                await self._on(until)
            await water.rewet_end(stream.now, book.counted)
            cause = "wetted"
        await station.horn(True)
        self._acted("horn, then goes on" if self._rig.horn else "goes on")
        held = f"{book.latest_load / 1e3:.1f} kN held" if state != "unloaded" else "unloaded"
        held += station.wetness()
        book.enter("starting", cause, why)
        await station.warned()
        await self._rig.actuator.pressure("high")
        book.interruption_ends(f"{held}; ended: {why}")
        station.opened()

    async def _lock(self, cause: str, why: str) -> None:
        await self._rig.actuator.hold()
        await self._rig.actuator.pressure("low")
        self._acted("stroke held, low pressure; goes on by continue and the input at the rig")
        self._book.enter("locked", cause, why)

    async def _unload(self, cause: str, why: str) -> None:
        station, book = self._station, self._book
        standing = book.state in ("waiting", "locked", "paused")
        if standing:
            await station.horn(True)
        else:
            await station.begin_fall()
        self._acted("unloads, retracts, then pressure off")
        book.interruption_begins(f"unload: {why}")
        book.enter("unloading", cause, why)
        if standing:
            await station.warned()
            await self._rig.actuator.pressure("high")
        if station.cycling and self.on_fall is not None:
            await self.on_fall()
        await station.normal_stop()
        book.enter("unloaded", "unloaded")


def _people(inputs: InputState) -> bool:
    return inputs.guard_open or inputs.local_button


def _nobody(_inputs: InputState) -> bool:
    return False


def _by(asked: Asked) -> str:
    request = asked.request
    who = request.who or "somebody"
    return f"by {who}, {request.text}" if request.text else f"by {who}"
