"""The stream of blocks: read, look, cut where a decision falls, keep.

One rule makes a rehearsal independent of the length of its blocks: decisions act at ticks, the
multiples of 20 ms of device time. With blocks of one tick a decision found in a block acts at
its end; in a longer block it is found inside, the rig is put back to the next tick, and the
samples after it have never been.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.control.desk import Asked, Desk
from rig.control.sentry import Sentry
from rig.control.slow_watch import SlowWatch
from rig.control.states import INPUTS
from rig.control.stop_now import StopNow
from rig.control.tally import Tally
from rig.guards.limits import LimitSetup, LimitState, Trip, check_limits, earlier
from rig.judging.arming import FeedbackSetup
from rig.judging.looking import TICK_SECONDS, Decision, Judge, Look, Nothing
from rig.ports import ActuatorStatus, InputState, Rig
from rig.samples import SampleArray, SampleBlock

SILENT: Final = 0.25
"""Longest real time [s] beyond its own length that a block may keep us waiting."""
LONGEST_BLOCK: Final = 100_000
WATCHDOG: Final = "the controller's watchdog stopped the rig"
LOST_PRESSURE: Final = (
    "the controller says that the pressure is off, which nobody asked for: it has been started "
    "anew or lost its supply"
)
LAG: Final = 10.0
"""How many seconds of samples that wait already are read before a spent count is a fault.

The rig stands still then, and a computer that lags has yet to read the cycles that were counted.
"""
ON_WITHIN: Final = 30.0  # [s] in which the pressure must be on; common practice, no source
OIL_STOP: Final = 333.15  # [K], 60 C; common practice, no source
FAR: Final = 10**15  # frames: nothing is due
ASKED: Final = "asked"
"""Kind of the decision that somebody asks for something, or an input wakes."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A block that has happened, as handed to the recording side."""

    block: SampleBlock
    deflection: SampleArray
    look: Look


class Stream:
    """Owner of the acquisition: the only one who reads it.

    `on_kept` is called with every block that has happened, before anything is decided from it;
    `on_settled` with the judge after each block from which nothing remains to be decided.
    `judge` is the newest one. While the rig is being stopped `known_cause` names the input that
    asked for it: it does not ask again. With `live` a block that does not come stops the test.

    People's requests are taken from the `desk` after every block: `on_request` answers them or
    stops, or leaves one in `asked`, which ends `advance` so that the stage can act on it.
    While the stage is `deaf` it waits there: the rig is on its way to rest. `people_near` tells
    whether nothing moves and an open guard is no danger. `on_block` is called after every block.
    While `pressed` the pressure was put on and must not go off by itself.
    `wakes` tells whether the inputs are reason enough to end `advance`.

    Test time begins at frame `begin`, whatever number the device gives its first frame.
    `tally` holds the controller's count of cycles beside the recorded ones.
    `feedback` is what is known of the load, and `slow` looks whether the load follows the specimen;
    `on_doubt` is called with what it finds and nothing stops for.
    The `sentry` checks the same limits as the samples arrive, where it is posted.
    `stopped_before` is what had stopped it before a test was taken up: it stops nothing now.
    """

    def __init__(
        self,
        rig: Rig,
        one_tick: bool = False,
        *,
        live: bool = False,
        desk: Desk | None = None,
        begin: int = 0,
    ) -> None:
        self._rig = rig
        self.sentry = Sentry(c.name for c in rig.acquisition.channels if not c.slow)
        self._live = live
        self._desk = desk or Desk()
        self.on_request: Callable[[Asked], None] = _ignore
        self.on_block: Callable[[], None] = _no_block
        self.on_inputs: Callable[[InputState], None] = _ignore
        self.wakes: Callable[[InputState], bool] = _never
        self.asked: Asked | None = None
        self.deaf = False
        self._doing: Asked | None = None
        self.inputs = InputState()
        self.people_near: Callable[[], bool] = _nobody
        self.on_kept: Callable[[Kept], None] = _ignore
        self.on_settled: Callable[[Judge], None] = _ignore
        self.rate = rig.acquisition.rate
        self.tick = max(round(self.rate * TICK_SECONDS), 1)
        self._longest = self.tick if one_tick else LONGEST_BLOCK // self.tick * self.tick
        self._length = self.tick
        # One array for all blocks: fresh memory for each would cost more than the subtraction.
        self._room = np.empty(self._longest, np.float32)
        self.now = begin
        self._ahead: int | None = None  # frames by which test time is ahead of device time
        self.tally = Tally()
        self.stopped_before = ""
        self._behind = False  # the last block had waited for the program, not the other way round
        self._counted_out: int | None = None  # frame at which the controller had stopped by count
        self._limits: LimitSetup | None = None
        self._limit_state = LimitState()
        self.inputs_matter = True
        self._pressed = False
        self.feedback: FeedbackSetup | None = None
        self.slow = SlowWatch()
        self.on_doubt: Callable[[str], None] = _ignore
        self.known_cause = ""
        self.judge: Judge = Nothing()

    def arm(self, bounds: Mapping[str, tuple[float, float]], persist: int) -> None:
        """Check these bounds [SI] from the next sample on, instead of those before."""
        names = {c.name for c in self._rig.acquisition.channels if not c.slow} | {"deflection"}
        known = self.feedback
        self._limits = LimitSetup(
            bounds={k: v for k, v in bounds.items() if k in names},
            persist=persist,
            rate=self.rate,
            ends=known.ends if known else None,
            apart=known.apart if known and self._pressed else None,
        )
        self._limit_state = LimitState()
        self.sentry.arm(self._limits)

    @property
    def pressed(self) -> bool:
        """Whether the pressure was put on and must not go off by itself.

        Two measures of load are compared as long: without pressure somebody may change a cell.
        """
        return self._pressed

    @pressed.setter
    def pressed(self, pressed: bool) -> None:
        changed, self._pressed = pressed != self._pressed, pressed
        if changed and self._limits is not None:
            self.arm(self._limits.bounds, self._limits.persist)

    @property
    def armed(self) -> Mapping[str, tuple[float, float]]:
        """The bounds [SI] that are checked now, by channel."""
        return self._limits.bounds if self._limits is not None else {}

    def disarm(self) -> None:
        """Check no bounds: only while nothing is commanded any more."""
        self._limits = None
        self.sentry.disarm()

    def seen(self) -> StopNow | None:
        """Return the stop for what the sentry has closed the valve for, None where it has not."""
        return self.sentry.stop(self.now, self._ahead or 0)

    def frames(self, seconds: float) -> int:
        """Return a duration [s] in frames, whole ticks, at least one."""
        ticks = -(-round(seconds * self.rate) // self.tick)
        return max(ticks, 1) * self.tick

    async def advance(self, until: int, judge: Judge) -> tuple[tuple[Decision, ...], Judge]:
        """Go on until a frame or the first decision of the judge; return what was decided.

        A request for the stage, or an input that wakes, is the decision `ASKED`.

        Raises StopNow when a limit, an input or the controller ends the motion.
        """
        until = -(-until // self.tick) * self.tick
        while self.now < until:
            # Before the next block: one that waited while the stage was deaf comes first.
            if self.asked is not None and not self.deaf:
                return (Decision(ASKED, self.now),), judge
            look = await self._one_block(until, judge)
            judge = look.judge
            if look.decisions:
                return look.decisions, judge
            if self.wakes(self.inputs):
                return (Decision(ASKED, self.now),), judge
        return (), judge

    def take_asked(self) -> Asked | None:
        """Return the request that waits for the stage, which must now answer it."""
        if self.asked is not None:
            self._doing, self.asked = self.asked, None
            return self._doing
        return None

    @property
    def script_over(self) -> bool:
        """Tell whether no request waits and no scripted one comes any more."""
        return self.asked is None and self._desk.next_scripted(FAR) == FAR

    @property
    def unanswered(self) -> tuple[Asked, ...]:
        """The requests that were taken from the desk and have no answer yet."""
        taken = (self._doing, self.asked)
        return tuple(a for a in taken if a is not None and not a.acted.done())

    async def _one_block(self, until: int, judge: Judge) -> Look:
        block = await self._read(min(self._length, until - self.now, self._before_script()))
        deflection = net_deflection(block, self._room)
        state, trip = self._check(block, deflection)
        slow = self._look_slowly(block, deflection, judge)
        trip = earlier(trip, slow.trip)
        look = judge.look(block, deflection)
        frame = min(
            [d.frame for d in look.decisions] + ([trip.frame + 1] if trip else []),
            default=block.end,
        )
        end = -(-frame // self.tick) * self.tick
        if end < block.end:
            block = block.head(end - block.first)
            deflection = deflection[: block.frames]
            state, trip = self._check(block, deflection)
            slow = self._look_slowly(block, deflection, judge)
            trip = earlier(trip, slow.trip)
            look = judge.look(block, deflection)
        cancelled = await self._keep(block.frames)
        self._length = min(max(2 * block.frames, self.tick), self._longest)
        self._limit_state, self.slow = state, slow
        self.now = block.end
        self.judge = look.judge
        self.tally = self.tally.kept(look, block.end - self.tick)
        self.on_kept(Kept(block, deflection, look))
        for text in slow.told:
            self.on_doubt(text)
        await self._after(trip, decided=bool(look.decisions))
        if cancelled is not None:
            raise cancelled
        if not look.decisions:
            self.on_settled(look.judge)
        return look

    def _before_script(self) -> int:
        """Return how many frames, whole ticks, lie before the next scripted request."""
        ahead = self._desk.next_scripted(FAR) - self.now
        return max(-(-ahead // self.tick), 1) * self.tick

    async def _read(self, frames: int) -> SampleBlock:
        """Read a block and number its frames by test time."""
        block = await self._arrived(frames)
        if self._ahead is None:
            self._ahead = self.now - block.first
        return replace(block, first=block.first + self._ahead)

    async def _arrived(self, frames: int) -> SampleBlock:
        """Read a block; live, samples that do not come are a fault."""
        if not self._live:
            return await self._rig.acquisition.read(frames)
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(SILENT + frames / self.rate):
                # A program that lags reads what waits already: people, door and recorder must
                # have their turn all the same.
                await asyncio.sleep(0)
                asked = loop.time()
                block = await self._rig.acquisition.read(frames)
                self._behind = loop.time() - asked < block.frames / self.rate / 2
                return block
        except TimeoutError:
            # It may be the program that stood still: then the watchdog has stopped the rig.
            stopped_by = (await self._rig.actuator.status()).stopped_by
            if stopped_by == "watchdog" != self.stopped_before:
                raise StopNow("watchdog", "fault", WATCHDOG) from None
            raise StopNow(
                "silent", "fault", f"no sample has come for {SILENT:g} s; the feedback is unknown"
            ) from None

    async def _keep(self, frames: int) -> asyncio.CancelledError | None:
        """Keep frames; a cancellation meanwhile is handed back: the frames have happened."""
        try:
            await self._rig.acquisition.keep(frames)
        except asyncio.CancelledError as cancelled:
            return cancelled
        return None

    def _check(self, block: SampleBlock, deflection: SampleArray) -> tuple[LimitState, Trip | None]:
        if self._limits is None:
            return self._limit_state, None
        signals = dict(zip(block.channels, block.values, strict=True))
        signals["deflection"] = deflection
        return check_limits(self._limits, self._limit_state, block.first, signals)

    def _look_slowly(self, block: SampleBlock, deflection: SampleArray, judge: Judge) -> SlowWatch:
        """Look whether the load follows the specimen, where slow motions are commanded."""
        if self.feedback is None or self._limits is None:
            return self.slow.begun_anew()
        return self.slow.looked(self.feedback.following, block, deflection, judge)

    async def _after(self, trip: Trip | None, *, decided: bool) -> None:
        """Act on what no stage may overlook; the heartbeat only when all is well.

        What the samples decided goes before what people ask for in the same block.
        """
        if trip is not None:
            raise self.sentry.first(trip, self.now, self._ahead or 0)
        if self._limits is not None:
            self.sentry.heed(self.now, self._ahead or 0)
        self.on_block()
        while not decided and (asked := self._desk.take(self.now)) is not None:
            self.on_request(asked)
        if self.known_cause and not self.inputs_matter:
            return  # the rig is off: inputs that do not answer must not cost the samples after it
        self.inputs = await self._rig.inputs.read()
        if not self.inputs_matter:
            return
        cause = _input_cause(self.inputs, people_near=self.people_near())
        if cause and cause != self.known_cause:
            raise StopNow(cause, "fault", INPUTS[cause])
        self.on_inputs(self.inputs)
        await self._rig.actuator.heartbeat()
        status = await self._rig.actuator.status()
        self.tally = self.tally.read(status.counter, late=self._behind)
        if status.stopped_by != self.stopped_before:
            self.stopped_before = ""  # it has moved since
            self._stopped_itself(status)
        if self.pressed and status.pressure == "off":
            raise StopNow("device", "fault", LOST_PRESSURE)

    def _stopped_itself(self, status: ActuatorStatus) -> None:
        """Stop where the controller has stopped by itself, unless that is known."""
        if status.stopped_by == "limit":
            raise StopNow("limit", "limit", f"the controller's own limit: {status.tripped}")
        if status.stopped_by == "count" and not self.known_cause:
            if self._counted_out is None:
                self._counted_out = self.now
            if not self._behind or self.now >= self._counted_out + self.frames(LAG):
                raise StopNow("fault", "fault", "the controller's count ran out before the verdict")
        if status.stopped_by == "watchdog" and self.known_cause != "watchdog":
            raise StopNow("watchdog", "fault", WATCHDOG)

    async def pressure_comes(self) -> None:
        """Go on until the controller says that the pressure is on. Raises StopNow without it."""
        until = self.now + self.frames(ON_WITHIN)
        while (await self._rig.actuator.status()).pressure == "off":
            if self.now >= until:
                text = f"the pressure has not come on within {ON_WITHIN:.0f} s; look at the oil"
                raise StopNow("device", "fault", text)
            await self.advance(self.now + self.tick, Nothing())
        self.pressed = True


def _ignore(_happened: object) -> None:
    """Take no notice."""


def _no_block() -> None:
    """Take no notice."""


def _nobody() -> bool:
    """Say that nobody may be near."""
    return False


def _never(_inputs: InputState) -> bool:
    """Be woken by no input."""
    return False


def _input_cause(state: InputState, *, people_near: bool) -> str:
    """Return the stop cause that an input calls for, in the rig file's words, or nothing."""
    if state.emergency_stop:
        return "emergency_stop"
    if state.guard_open and not people_near:
        return "guard"
    if state.leak:
        return "leak"
    if state.mains_lost:
        return "mains"
    hot = state.oil_temperature is not None and state.oil_temperature > OIL_STOP
    return "oil" if state.oil_pressure_low or hot else ""
