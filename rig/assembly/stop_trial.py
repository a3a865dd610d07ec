"""One trial of a proof of stopping: the conductor of a test moves the rod until something stops it.

What stops the rig, by which category and in which order, is what stops a test: nothing of that is
here. A trial makes contact, moves slowly, brings about one cause, and measures what followed.
"""

from __future__ import annotations

import math
from contextlib import suppress
from typing import Any, Final, cast

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.acquire.standstill import Stopped, came_to_rest, crossed, goes_to
from rig.assembly.operating import Operator
from rig.assembly.silent_record import SilentRecord
from rig.assembly.stop_rows import GIVE_UP, SPEED, Moving, Row
from rig.clock import Clock
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.found import find
from rig.control.slow_stages import contact
from rig.control.stop_now import StopNow
from rig.control.stream import Kept
from rig.control.taken_up import Verdict
from rig.errors import DeviceError
from rig.ports import Actuator, InputState, Rig
from rig.protocol.plan import Approach, Bounds, Plan
from rig.samples import FloatArray, SampleBlock

SEEK: Final = 1e-4
"""[m/s] at which the beam is looked for: a stiff one takes up 20 kN in a millimetre's tenth."""
NEAR: Final = 2e-4  # [m] before it, up to where it was found the last time
BEDDED: Final = 0.3
"""Of the highest load: a beam feels softer than it is until it is bedded in."""
LOADING: Final = 0.5
"""Of the highest load, in a second."""
FEEL: Final = 0.1
"""Share of the speed at which the rod first moves on, to learn how stiff the beam is."""
STEADY: Final = 0.3
"""Time [s] after which the rod moves evenly, and its speed is known."""
AHEAD: Final = 0.25
"""Time [s] after which an evenly moving rod meets the limit that is put in its way."""
WITHIN: Final = 0.8
"""Time [s] after which whatever is tried has stopped the rod; it goes on no longer."""
NOT_YET: Final = 2.0
"""Time [s] after which it counts as not stopped."""
SHARE: Final = 0.85
"""Of the highest load: what the beam carries at the end of the way, if nothing stops the rod."""
SLOWEST: Final = 2e-5
"""[m/s] under which nothing can be measured."""
SOMEBODY_WITHIN: Final = 90.0
"""Time [s] in which a person operates an input."""
TINY: Final = 1e-9  # of a speed: the noise of a signal without any
LEG: Final = 2.0
"""Time [s] for which the rod goes forward before it goes back, while a person is waited for."""


class HeldBack:
    """An actuator whose heartbeats can be withheld; `last` is when one went [s of the clock].

    A driver may pass on no more than one in 80 ms: its watchdog then bites so much sooner after
    the program has fallen silent, which is what is measured.
    """

    def __init__(self, actuator: Actuator, clock: Clock) -> None:
        self._actuator, self._clock = actuator, clock
        self.withheld = False
        self.last = math.nan

    async def heartbeat(self) -> None:
        """Pass a heartbeat on, unless they are withheld."""
        if not self.withheld:
            sent = self._clock.now()  # it arrives later, and the watchdog begins to count then
            await self._actuator.heartbeat()
            self.last = sent

    def __getattr__(self, name: str) -> Any:
        return getattr(self._actuator, name)


def held_back(actuator: Actuator, clock: Clock) -> tuple[Actuator, HeldBack]:
    """Return an actuator that does as it is told, and the hand on its heartbeats."""
    hand = HeldBack(actuator, clock)
    return cast("Actuator", hand), hand


class Trial(Conductor):
    """Tries one row on a rig; use `run` once, then `surprise` and `measured`.

    `bounds` are those armed in every row. `found_at` is the stroke [m] at which the beam was found,
    NaN while nobody knows. `desk` brings the stop that is asked for, and on a real
    rig the confirmation of the checklist.
    """

    def __init__(
        self,
        plan: Plan,
        rig: Rig,
        row: Row,
        how: Moving,
        bounds: dict[str, Bounds],
        operator: Operator,
        desk: Desk,
        clock: Clock,
        heart: HeldBack,
        found_at: float = math.nan,
    ) -> None:
        self.record = SilentRecord()
        super().__init__(plan, rig, self.record, one_tick=True, desk=desk, live=True, clock=clock)
        self._row, self._how, self._bounds = row, how, bounds
        self._operator, self._wall, self._heart = operator, clock, heart
        self._requests = desk
        self._lag = math.inf  # [s of the clock] of frame 0, as the quickest block tells
        self._well = 0  # frame up to which the inputs were seen to be well
        self._from = 0  # frame at which the rod began to move evenly
        self._event = math.nan  # frame of what is tried, where it is not found in samples
        self._bound = math.nan
        self._stiffness = math.inf  # [N/m] of beam and frame together
        self._speed = how.speed
        self._stop_came: StopNow | None = None
        self._own_limit = ""
        self.operated = False
        self.found_at = found_at
        self.stream.on_kept = self._kept

    def surprise(self, verdict: Verdict) -> str:
        """Return in words what stopped the rod in place of what was tried, or nothing."""
        stop, row = self._stop_came, self._row
        expected = stop is not None and stop.cause == row.stop == verdict.cause
        if expected and stop is not None:
            if row.how == "limit":
                expected = stop.trip is not None and stop.trip.channel == row.what
            elif row.how == "own limit":
                expected = stop.trip is None and stop.why.endswith(row.what)
            else:
                expected = math.isfinite(self._event)
        # The load falls as the controller closes the valve: the program may see that first.
        own = math.isfinite(self._bound) and self._own_limit == row.what
        return "" if expected or own else verdict.why

    def measured(self) -> Stopped | None:
        """Return how the rod came to rest, None where the samples do not tell it."""
        first, values = self.book.recent.cut(self._from, self.stream.now)
        if not values.size:
            return None
        block = SampleBlock(first, self.stream.rate, self.book.sampled, values)
        event = self._event - first
        if self._row.how in ("limit", "own limit") and not math.isfinite(event):
            event = self._crossed(self._signal(block, self._row.what), first)
        if not math.isfinite(event):
            return None
        return self._clearest(block, event)

    def _clearest(self, block: SampleBlock, event: float) -> Stopped | None:
        """Return how the rod stopped, by the signal in which it moved most clearly above noise.

        In contact load and deflection grow with the stroke: which share of its speed they are is
        known from before the event.
        """
        names = [name for name in ("stroke", "midspan", "load") if name in block.channels]
        found = {
            name: stopped
            for name in names
            if (stopped := came_to_rest(self._signal(block, name), event, self.stream.rate))
            is not None
            and stopped.speed > 0
        }
        if not found:
            return None
        rod = found["stroke"].speed if "stroke" in found else self._speed
        best = max(found.values(), key=lambda one: one.speed / max(one.noise, TINY * one.speed))
        return best.as_way(rod)

    def _crossed(self, signal: FloatArray, first: int) -> float:
        """Return the frame at which the limited signal met its bound."""
        tried = math.ceil(STEADY * self.stream.rate)
        beyond = np.flatnonzero(signal[tried:] >= self._bound)
        near = tried + int(beyond[0] if len(beyond) else np.nanargmax(signal[tried:]))
        trip = self._stop_came.trip if self._stop_came is not None else None
        if trip is not None and self._row.how == "limit":
            near = trip.frame - first  # noise may go beyond much sooner
        return crossed(signal, self._bound, float(near), self.stream.rate)

    def _signal(self, block: SampleBlock, name: str) -> FloatArray:
        values = net_deflection(block) if name == "deflection" else block.of(name)
        return values.astype(np.float64)

    async def _stages(self) -> None:
        """Make contact and move, in place of the stages of a test."""
        station = self._station
        await find(station)
        await self._begin()
        self.book.enter("approach", "stage", "contact with the dummy beam")
        await self._seek()
        self.book.enter("ramp", "stage", self._row.cause)
        await self._until_stopped()

    async def _seek(self) -> None:
        """Find the beam slowly, and load it until nothing beds in any more."""
        station, how = self._station, self._how
        begin = (await self._rig.actuator.status()).stroke
        if begin < self.found_at - NEAR:
            await station.stroke_to(self.found_at - NEAR, SPEED)
        speed = SEEK if math.isfinite(self.found_at) else 2 * SEEK
        await contact(station, Approach("contact", how.contact, speed, GIVE_UP))
        self.found_at = (await self._rig.actuator.status()).stroke
        there, most = self.book.latest_load, BEDDED * how.up_to
        if there >= most:
            why = f"contact was seen late, at {there / 1e3:.1f} kN; what else does the computer do?"
            raise StopNow("device", "fault", why)
        await station.load_to(most, LOADING * how.up_to)
        await station.hold()
        further = (await self._rig.actuator.status()).stroke - self.found_at
        if not further > 0:
            why = "the load is there and the rod has not gone further; look at the load cell"
            raise StopNow("feedback", "fault", why)
        self._stiffness = (most - there) / further

    async def _until_stopped(self) -> None:
        """Move on slowly, and bring about what must stop it. Raises StopNow."""
        station, actuator = self._station, self._rig.actuator
        by_hand = self._row.how == "input" and self._operator.by_hand
        lasts = STEADY + (LEG if by_hand else WITHIN)
        self._speed = await self._learnt(lasts)
        begin, way = (await actuator.status()).stroke, self._speed * lasts
        if begin + way > actuator.range.stroke_high:
            raise StopNow("device", "fault", "too little stroke is left below the dummy beam")
        await station.move_stroke(begin + way, self._speed)
        self._from = await self._evenly()
        await self._bring_about()
        if by_hand:
            await self._back_and_forth(begin, way)
            why = f"nobody operated it ({self._row.cause}), or no input showed it"
            raise StopNow("fault", "fault", why)
        await station.wait(NOT_YET)
        raise StopNow(
            "device",
            "fault",
            f"NOT STOPPED: {NOT_YET:g} s after it ({self._row.cause}) nothing had stopped the rod; "
            "the valve was closed by command",
        )

    async def _learnt(self, lasts: float) -> float:
        """Return the speed [m/s] at which the rod may move so long [s], from how stiff it feels."""
        station, how, rate = self._station, self._how, self.stream.rate
        slow = FEEL * how.speed
        begin = (await self._rig.actuator.status()).stroke
        await station.move_stroke(begin + slow * 2 * STEADY, slow)
        await self._evenly()
        now, then = goes_to(self._lately(STEADY / 2, "load"), 1.0, rate)
        room = SHARE * how.up_to - now
        # As it loaded until here it was no stiffer; a signal that hangs must not make it soft.
        stiffness = max((then - now) / slow, self._stiffness)
        speed = min(how.speed, room / (stiffness * lasts))
        if not speed >= SLOWEST:
            raise StopNow(
                "device",
                "fault",
                f"the beam is too stiff for {how.up_to / 1e3:g} kN: {now / 1e3:.1f} kN are there "
                f"and each 0.1 mm adds {stiffness / 1e7:.1f} kN; put in a softer one, or one that "
                "carries more and tell it with --up-to",
            )
        return speed

    async def _evenly(self) -> int:
        """Wait until the samples are those of an even motion; return the frame of its command.

        A program that lags reads samples from before it.
        """
        begun = math.ceil(self._frame_of(self._wall.now()))
        steady = begun + self.stream.frames(STEADY)
        while self.stream.now < steady:
            await self._station.wait((steady - self.stream.now) / self.stream.rate)
        return begun

    def _lately(self, seconds: float, name: str) -> FloatArray:
        """Return the last samples of a signal."""
        rate = self.stream.rate
        first, values = self.book.recent.cut(
            self.stream.now - round(seconds * rate), self.stream.now
        )
        return self._signal(SampleBlock(first, rate, self.book.sampled, values), name)

    async def _bring_about(self) -> None:
        """Bring about what must stop the rod, or have a person do it, in their own time."""
        row = self._row
        if row.how in ("own limit", "limit"):
            await self._narrow()
        elif row.how == "watchdog":
            self._heart.withheld = True
            self._event = self._frame_of(self._heart.last)
        elif row.how == "request":
            self._event = self._frame_of(self._wall.now())
            self._requests.ask(Request("stop", who="the proof of stopping", text=row.cause))
        else:
            self.operated = True
            when = await self._operator.operate(row.what)
            self._event = math.nan if when is None else self._frame_of(when)

    async def _narrow(self) -> None:
        """Put a limit in the way, where an evenly moving rod meets it a moment later."""
        what = self._row.what
        if what == "stroke" and what not in self.book.sampled:
            asked = self._wall.now()
            now = (await self._rig.actuator.status()).stroke
            then = now + self._speed * AHEAD
            self._event = self._frame_of(asked + AHEAD)
        else:
            # The rod has moved on since the newest sample that was read.
            rate = self.stream.rate
            late = max(self._frame_of(self._wall.now()) - self.stream.now, 0.0) / rate
            now, then = goes_to(self._lately(STEADY / 2, what), AHEAD + late, rate)
        if not then > now:
            raise StopNow("device", "fault", f"{what} does not grow although the rod moves on")
        self._bound = then
        low = self._bounds.get(what, (-math.inf, math.inf))[0]
        if not math.isfinite(low):
            low = now - 100 * (then - now)
        bounds = {**self._bounds, what: (low, then)}
        if self._row.how == "limit":
            self.stream.arm(bounds, self._plan.limits.persist)
        else:
            own = {name: pair for name, pair in bounds.items() if name in ("load", "stroke")}
            await self._rig.actuator.write_limits(own)

    async def _back_and_forth(self, begin: float, way: float) -> None:
        """Move on and back again until an input stops it, or nobody has operated it in time."""
        station = self._station
        until = self.stream.now + self.stream.frames(SOMEBODY_WITHIN)
        await station.arrived(way / self._speed)
        while self.stream.now < until:
            await station.stroke_to(begin, 2 * self._speed)
            await station.stroke_to(begin + way, self._speed)

    def _kept(self, kept: Kept) -> None:
        """Take a block that has happened, and learn how quickly it came."""
        self.book.kept(kept)
        self._lag = min(self._lag, self._wall.now() - kept.block.end / self.stream.rate)

    def _frame_of(self, clock: float) -> float:
        """Return the frame at a second of the clock, as late samples come at their quickest."""
        return (clock - self._lag) * self.stream.rate

    def _inputs(self, inputs: InputState) -> None:
        super()._inputs(inputs)
        self._well = self.stream.now

    async def _stop(self, stop: StopNow, seen: StopNow | None) -> Verdict:
        self._stop_came = seen or stop
        if self.operated and not math.isfinite(self._event) and stop.cause == self._row.stop:
            self._event = float(self._well)  # it was well then: the event came later
        verdict = await super()._stop(stop, seen)
        if self._row.how == "own limit":
            with suppress(DeviceError):
                self._own_limit = (await self._rig.actuator.status()).tripped
        return verdict
