"""Standing still: pauses, waits at inspections, people at the rig, and going on again.

What may follow what comes from the state table; here is what the rig does on the way. Whatever
moves a real rig needs the input at the rig besides the request.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Final

from rig.control.confirming import CHECKLIST_WAIT, confirmed
from rig.control.desk import Asked
from rig.control.offsets import AtRest, watch_all, watch_loop_only
from rig.control.permit import Permit
from rig.control.states import PAUSABLE, PEOPLE_NEAR, following, possible
from rig.control.station import StageAgain, Station
from rig.control.stop_now import StopNow
from rig.control.stream import FAR
from rig.ports import InputState

UNATTENDED: Final = "nobody has looked after the test in time"
LOOK_AGAIN: Final = 60.0  # [s]: longest block while nothing is due

Cause = tuple[str, str]
"""Why a standing state ends: the table's cause, and in words."""


class Standing:
    """Holds the rig still and takes it on again. `utc` tells the calendar time.

    `on_fall` lets the cyclic stage's amplitude fall and goes to lower load. `until` is the frame at
    which the standing ends by itself, and how.
    """

    def __init__(self, station: Station, utc: Callable[[], datetime] | None) -> None:
        self._station = station
        self._stream, self._book, self._rig = station.stream, station.book, station.rig
        self._permit = Permit(station, utc, self._on)
        self._at_rest = AtRest(station, self._on)
        self._asked: Asked | None = None
        self._inner = False  # the pause lies in an inspection, which goes on
        self.acknowledged = ""  # by whom an inspection was, while it waits
        self.on_fall: Callable[[], Awaitable[None]] | None = None
        self.until: tuple[int, str] | None = None

    @property
    def local_wait(self) -> str:
        """What waits for the input at the rig just now, or nothing."""
        return self._permit.local_wait

    async def confirmed(self) -> None:
        """Wait until the checklist is confirmed by name; pressure is off."""
        until = self._stream.now + self._stream.frames(CHECKLIST_WAIT)
        self.until = (until, "given up unless confirmed")
        try:
            await confirmed(self._station, self._permit, until)
        finally:
            self.until = None

    async def slow(self) -> int:
        """Act on a request in a slow motion; return the frames that passed until it goes on.

        Raises StageAgain when the specimen was unloaded meanwhile.
        """
        asked = self.taken()
        return 0 if asked is None else await self._held(lambda: self.interrupted(asked))

    def taken(self) -> Asked | None:
        """Take the request that waits; one that came for another state is refused."""
        asked = self._stream.take_asked()
        if asked is not None and asked.request.verb not in possible(self._book.state):
            self._permit.refuse(asked, f"not while {self._book.state}")
            return None
        return asked

    async def slow_unattended(self) -> int:
        """Pause a slow motion because nobody has looked; as `slow` else."""
        if self._book.state not in PAUSABLE:
            return 0
        return await self._held(lambda: self.pause("unattended", UNATTENDED))

    async def slow_finding(self, why: str) -> None:
        """Pause a slow motion because of what was found in it; as `slow` else."""
        await self._held(lambda: self.pause("finding", why))

    async def _held(self, standing: Callable[[], Awaitable[bool]]) -> int:
        """Hold a slow motion while somebody lets the test stand; then go on with it."""
        began, state = self._stream.now, self._book.state
        self._inner = state == "inspection"
        try:
            await self._rig.actuator.hold()
            if not await standing():
                raise StageAgain
        finally:
            self._inner = False
        self._book.enter(state, "go on" if state == "inspection" else "stage", "goes on")
        await self._station.move_on()
        return self._stream.now - began

    async def interrupted(self, asked: Asked) -> bool:
        """Pause or unload on request, the rig being on its way to rest already.

        True if the specimen stayed loaded. Ends in "starting". On a real rig unloading out of a
        motion is a pause first: only with the local input does anything move again.
        """
        if asked.request.verb == "unload" and self._rig.emulated:
            self._asked = asked
            return await self._follow("unload", asked.request.by)
        self.pausing("pause", asked.request.by)
        if asked.request.verb == "unload":
            self._stream.asked = asked
        else:
            self._answer(asked, self._resting())
        await self._to_rest()
        return await self.paused()

    def _resting(self) -> str:
        """Say how a pause that begins will stand, and for how long."""
        plan, load = self._station.plan, self._book.latest_load
        unloads = f"unloads in {plan.pauses.unload_after / 60:.0f} min unless asked before"
        if self._station.cycling:
            return f"goes to lower load, power kept; {unloads}"
        return f"stands under {load / 1e3:.1f} kN, power kept: stay out; {unloads}"

    async def pause(self, cause: str, why: str) -> bool:
        """Pause for a cause that nobody asked for; the same as `interrupted` else."""
        self.pausing(cause, why)
        await self._to_rest()
        return await self.paused()

    def pausing(self, cause: str, why: str) -> None:
        """Write that the test begins to pause."""
        self._station.no_water = ""
        self._book.enter("pausing", cause, why)
        self._book.interruption_begins(f"{cause}: {why}")

    async def _to_rest(self) -> None:
        """Let the amplitude fall, then go to lower load; a slow stage stands already."""
        station = self._station
        with station.going_to_rest():
            if station.cycling and self.on_fall is not None:
                await self.on_fall()
        await station.water.pause(self._stream.now, self._book.counted)

    async def paused(self) -> bool:
        """Stand until somebody goes on; True if the specimen stayed loaded. Ends in "starting"."""
        limit = self._limit("paused")
        self._ends("paused", limit)
        self._at_rest.begin()
        self._book.enter("paused", "at rest")
        self._permit.resuming = True
        return await self._follow(*await self._stand(limit))

    async def resumed(self, why: str, doubts: tuple[str, ...]) -> None:
        """Go on with a test that was cut off: no pressure, in "starting", as it ends.

        With `doubts` somebody is asked before anything moves. Where it was dry for long it is
        wetted first, and on a real rig asked for once more.
        """
        self._permit.resuming = True
        self._at_rest.begin()
        if doubts and self._station.attended:
            self._book.enter("unloaded", "finding", "; ".join(doubts))
            await self._follow(*await self._stand(None), kept=False)
        elif not self._station.water.rewet_time(self._stream.now):
            await self._station.horn(True)
            await self._go(why, kept=False)
        elif asks := await self._rewet(why):
            self._book.enter("unloaded", _ASKS[False], asks)
            await self._follow(*await self._stand(None), kept=False)
        else:
            await self._station.horn(True)
            self._book.enter("starting", "wetted", why)
            await self._go(why, kept=False)

    def _limit(self, state: str) -> int | None:
        """Return the frame at which a pause that begins unloads by itself, None in other states."""
        if state != "paused":
            return None
        plan, stream = self._station.plan, self._stream
        keeps_power = plan.rig.stops.get("pause", 2) == 2
        return stream.now + (stream.frames(plan.pauses.unload_after) if keeps_power else 0)

    def _ends(self, state: str, limit: int | None) -> None:
        """Note at which frame a state ends by itself, before people are shown the state."""
        self.until = None if limit is None else (limit, _BY_ITSELF[state])

    async def waiting(self, go_on_after: float | None, why: str) -> bool:
        """Stand at an inspection; True if the specimen stayed loaded. Ends in "starting"."""
        self._permit.resuming = False
        self.acknowledged = ""
        limit = None
        if go_on_after is not None:
            limit = self._stream.now + self._stream.frames(go_on_after)
        self._ends("waiting", limit)
        self._at_rest.begin()
        self._book.enter("waiting", "checked", why)
        return await self._follow(*await self._stand(limit))

    async def _follow(self, cause: str, why: str, *, kept: bool = True) -> bool:
        """Take the steps that the table has, until the test goes on.

        `kept` tells whether the specimen is loaded, and is returned as it is then.
        """
        while True:
            to = following(self._book.state, cause)
            if to == "starting":
                again = await self._start(cause, why, kept=kept)
                if not again:
                    return kept
            elif to == "locked":
                await self._lock(cause, why)
            else:
                await self._unload(cause, why)
                kept = False
            cause, why = await self._stand(self._limit(self._book.state))

    async def _stand(self, limit: int | None) -> Cause:
        """Stand in the present state until a cause to leave it, or until a frame."""
        stream, watches = self._stream, self._book.state in ("waiting", "paused")
        stream.people_near = self._near
        stream.wakes = self._people_come if watches else _nobody
        self._ends(self._book.state, limit)
        try:
            while True:
                asked = stream.take_asked()
                if asked is not None and asked.request.moved:
                    await self._moved(asked)
                elif asked is not None and await self._permit.given(asked):
                    self._asked = asked
                    return asked.request.verb, asked.request.by
                if self.acknowledged and self._book.state == "waiting":
                    return "people", self.acknowledged
                if watches and _people(stream.inputs):
                    return "people", "guard open" if stream.inputs.guard_open else "local input"
                if limit is not None and stream.now >= limit:
                    return "wait over", "nobody came"
                if limit is None and self._station.nobody_left():
                    raise StopNow(
                        "operator", "operator", "nobody is left in this rehearsal to let it go on"
                    )
                await self._on(limit if limit is not None else FAR)
        finally:
            stream.people_near, stream.wakes, self.until = _none_near, _nobody, None

    async def _moved(self, asked: Asked) -> None:
        """Keep the curve of a sensor that was moved; whoever says so at an inspection is there."""
        await self._at_rest.record(asked)
        if self._book.state == "waiting":
            self.acknowledged = f"note by {asked.request.who or 'somebody'}"

    def _people_come(self, inputs: InputState) -> bool:
        """Tell whether somebody is at the rig, or has acknowledged an inspection."""
        return _people(inputs) or (bool(self.acknowledged) and self._book.state == "waiting")

    def _near(self) -> bool:
        """Tell whether an open guard means people: nothing moves, at lower load at the most."""
        resting = abs(self._book.latest_load) <= self._station.rest_load
        return self._book.state in PEOPLE_NEAR and resting

    async def _on(self, until: int) -> str:
        """Go on to a frame, or as far as something is due, with what goes on by time.

        Returns what the water calls for; a test that pauses already has called somebody.
        """
        stream, station = self._stream, self._station
        missed = await station.chores.act()
        if missed and self._book.state in ("waiting", "locked"):
            station.no_water = missed
        until = min(until, station.chores.next_frame(), stream.now + stream.frames(LOOK_AGAIN))
        _, self._at_rest.judge = await stream.advance(until, self._at_rest.judge)
        return missed

    def _answer(self, asked: Asked | None, text: str) -> None:
        if asked is not None:
            asked.answer(done=True, text=text, state=self._book.state)

    def _acted(self, text: str) -> None:
        """Answer the request that is being carried out, once the rig has begun to act."""
        asked, self._asked = self._asked, None
        self._answer(asked, text)

    async def _start(self, cause: str, why: str, *, kept: bool) -> bool:
        """Wet where it was dry for long, warn, and put the pressure on: what moves comes next.

        True where it went back to standing instead and must be asked once more.
        """
        station, book = self._station, self._book
        if station.water.rewet_time(self._stream.now):
            if asks := await self._rewet(why):
                book.enter("paused" if kept else "unloaded", _ASKS[kept], asks)
                self._permit.resuming = True
                if kept:
                    await station.set_pressure("high")
                return True
            cause = "wetted"
        await station.horn(True)
        goes = "goes on" if kept else "approaches the specimen again"
        self._acted(f"horn, then {goes}" if self._rig.horn else goes)
        book.enter("starting", cause, why)
        await self._go(why, kept=kept)
        return False

    async def _go(self, why: str, *, kept: bool) -> None:
        """Warn, put the pressure on, and write that the interruption is over."""
        station, book = self._station, self._book
        held = (f"{book.latest_load / 1e3:.1f} kN held" if kept else "unloaded") + station.wetness()
        await station.warned()
        watch_all(station)
        await station.set_pressure("high")
        book.interruption_ends(f"{held}; ended: {why}", inner=self._inner and kept)
        station.opened()

    async def _rewet(self, why: str) -> str:
        """Wet as long as it was dry, at most a day; return why somebody must be asked again."""
        station, stream, water = self._station, self._stream, self._station.water
        hours = water.rewet_time(stream.now) / 3600
        self._acted(f"wets for {hours:.1f} h, then goes on")
        self._book.enter("re-wetting", "long dry", f"{hours:.1f} h of water: {why}")
        await water.rewet_begin(stream.now)
        while water.rewet_left(stream.now) > 0:
            missed = await self._on(FAR)
            if missed:
                await water.rewet_break(stream.now, self._book.counted)
                return f"no water came: {missed}"
        await water.rewet_end(stream.now, self._book.counted)
        if not self._rig.emulated:
            return f"wetted; waits for continue and the {station.plan.rig.local_input}"
        return self._permit.quiet() if self._permit.resuming else ""

    async def _lock(self, cause: str, why: str) -> None:
        await self._rig.actuator.hold()
        await self._station.set_pressure("low")
        self._at_rest.people()
        watch_loop_only(self._station)
        kind = "" if self._rig.emulated else f" and the {self._station.plan.rig.local_input}"
        self._acted(f"stroke held, low pressure; goes on only by continue{kind}")
        self._book.enter("locked", cause, why)

    async def _unload(self, cause: str, why: str) -> None:
        station, book = self._station, self._book
        standing = book.state in ("waiting", "locked", "paused")
        if standing:
            await station.horn(True)
        else:
            await station.begin_fall()
        self._acted("unloads, retracts, then pressure off")
        if not (standing and self._permit.resuming):
            # Unloading out of a pause is part of that interruption.
            book.interruption_begins(f"unload: {why}")
        self._permit.resuming = True
        book.enter("unloading", cause, why)
        if standing:
            await station.warned()
            watch_all(station)
            await station.set_pressure("high")
        with station.going_to_rest():
            if station.cycling and self.on_fall is not None:
                await self.on_fall()
        await station.normal_stop()
        watch_loop_only(station)
        self._at_rest.begin()
        book.enter("unloaded", "unloaded")


_BY_ITSELF: Final = {"waiting": "goes on by itself", "paused": "unloads by itself"}
_ASKS: Final = {True: "asks loaded", False: "asks unloaded"}
"""The table's causes for going back to standing, by whether the specimen is loaded."""


def _people(inputs: InputState) -> bool:
    return inputs.guard_open or inputs.local_button


def _nobody(_inputs: InputState) -> bool:
    return False


def _none_near() -> bool:
    return False
