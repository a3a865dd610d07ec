"""The station: one actuator with its stream, and the moves that all stages share."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Final

from rig.acquire.deflection import net_of
from rig.channels import shown
from rig.control.attendance import Windows, closing, opened
from rig.control.book import Book
from rig.control.chores import Chores
from rig.control.levels import RETRACT, RETRACT_SPEED, Levels
from rig.control.notices import noticed
from rig.control.same_limit import same_limit
from rig.control.slow_watch import COMMANDED, SlowWatch
from rig.control.states import PAUSABLE
from rig.control.stop_now import StopNow
from rig.control.stream import ASKED, FAR, Stream
from rig.control.taken_up import Verdict
from rig.control.water import Water
from rig.errors import DeviceError
from rig.judging.arming import feedback_setup
from rig.judging.load_watch import LED
from rig.judging.looking import Averaged, Decision, Judge, Nothing
from rig.judging.watchers import NO_PEAK
from rig.ports import Pressure, Rig
from rig.protocol.plan import Plan

POLL: Final = 0.2  # [s] between questions whether a ramp has arrived
OFF_WITHIN: Final = 30.0  # [s] in which the pressure must be off; common practice, no source
NOT_OFF: Final = "NOT confirmed off: do not go near; isolate by hand"
SETTLED: Final = 0.5  # [s] after the amplitude has reached zero

Motion = tuple[Callable[[float, float], Awaitable[None]], float, float]


class StageAgain(Exception):
    """The specimen was unloaded in a pause: approach again, then the stage goes on."""


class Station(Levels):
    """What a stage works with: the plan, the rig's devices, the stream, the water and the book.

    `on_asked` is called when somebody asks for something in a slow motion, `on_unattended` when
    a window of attendance closed without anybody; both return how many frames passed until the
    motion goes on. `pressure` is the level that was commanded last, `no_water` what the water
    called for where the stage could not act on it: it does once it cycles.
    """

    def __init__(
        self, plan: Plan, rig: Rig, stream: Stream, book: Book, *, attended: bool, live: bool
    ) -> None:
        super().__init__(plan)
        stream.feedback = feedback_setup(plan, stream.rate)
        stream.slow = SlowWatch(lambda: book.state in COMMANDED, lambda: book.state in LED)
        stream.on_doubt = lambda text: book.event("sensor", text)
        self.live = live
        self.rig = rig
        self.stream = stream
        self.book = book
        self.attended = attended
        self.water = Water(
            plan.spray,
            rig.pump,
            book,
            stream.rate,
            submerged=plan.exposure == "submerged",
            frequency=plan.loading.frequency if plan.loading else math.inf,
        )
        self.chores = Chores(stream, book, rig, self.water, plan)
        self.on_asked: Callable[[], Awaitable[int]] = _at_once
        self.on_unattended: Callable[[], Awaitable[int]] = _at_once
        self.pressure: Pressure = "off"
        self.windows = Windows()
        self.cycling = False
        self.repeat = 1  # of the slow cycles of a stage, the one under way
        self.cracked = False  # the first crack has been seen in this run
        self.zeros: Mapping[str, float] = {}  # the first
        self.zeros_before: Mapping[str, float] = {}  # the last, once cycles have been counted
        self.shifts: dict[str, float] = {}  # [SI] that are added to sensors that were moved
        self.retracted: Averaged | None = None  # collected as the rod went back, until it moves
        self.peak: tuple[float, ...] = NO_PEAK  # of a static test so far
        self.peak_before: tuple[float, ...] = NO_PEAK  # of it before its present loading
        self.ran_out: Verdict | None = None  # stands while its residual capacity is tested
        self.on_call = ""
        self.no_water = ""
        self.holds_until: int | None = None  # frame at which a hold ends, if nothing comes between
        self.moves_at = 0  # frame at which the horn or lamp has warned long enough
        self.notices: tuple[str, ...] = ()  # found since somebody has last looked
        self._falls_until: int | None = None
        self._motion: Motion | None = None

    @property
    def cycle(self) -> int:
        """The last counted cycle, that at the verdict once one has fallen."""
        return self.book.counted if self.ran_out is None else self.ran_out.cycles

    async def arm_fixed(self) -> None:
        """Arm the fixed bounds here and in the controller, and read those back."""
        bounds = self.fixed_bounds()
        own = {k: v for k, v in bounds.items() if k in ("load", "stroke")}
        if self.plan.rig.actuator.limits == "controller":
            await self.rig.actuator.write_limits(own)
            answer = await self.rig.actuator.read_limits()
            for name, pair in own.items():
                if not same_limit(self.plan.rig, name, pair, answer.get(name)):
                    raise StopNow(
                        "limits",
                        "fault",
                        f"the controller did not take the limit on {name}: it was given "
                        f"{shown(name, *pair)} and reads back "
                        f"{shown(name, *answer[name]) if name in answer else 'nothing'}",
                    )
        self.stream.arm(bounds, self.plan.limits.persist)

    async def wait(self, seconds: float, judge: Judge | None = None) -> Judge:
        """Go on for a duration [s], whatever the judge decides; return the judge.

        Time in which somebody lets the test stand still does not count.
        """
        until = self.stream.now + self.stream.frames(seconds)
        judge = judge or Nothing()
        while self.stream.now < until:
            decisions, judge = await self._advance(until, judge)
            until += await self._stood_still(decisions)
        return judge

    async def watch(self, seconds: float, judge: Judge) -> tuple[tuple[Decision, ...], Judge]:
        """Go on for at most a duration [s] or until the judge decides something."""
        until = self.stream.now + self.stream.frames(seconds)
        while self.stream.now < until:
            decisions, judge = await self._advance(until, judge)
            if decisions and decisions[0].kind != ASKED:
                return decisions, judge
            until += await self._stood_still(decisions)
        return (), judge

    async def _advance(self, until: int, judge: Judge) -> tuple[tuple[Decision, ...], Judge]:
        """Go on until a frame or a decision, with what is due by time on the way."""
        closes = self.window_frame
        until = min(until, self.chores.next_frame(), FAR if closes is None else closes)
        found = await self.stream.advance(until, judge)
        self.no_water = await self.chores.act() or self.no_water
        return found

    async def _stood_still(self, decisions: tuple[Decision, ...]) -> int:
        """Stand still where somebody asks for it, or nobody has looked; return the frames."""
        if any(d.kind == ASKED for d in decisions):
            return await self.on_asked()
        if self.unattended():
            return await self.on_unattended()
        return 0

    def nobody_left(self) -> bool:
        """Tell whether nobody will ever ask again: a rehearsal at the end of its script."""
        return not self.live and self.stream.script_over

    @property
    def _watched_over(self) -> bool:
        """Tell whether windows of attendance close now: not where the rig stands or stops."""
        return self.attended and not self.stream.deaf and self.book.state in PAUSABLE

    @property
    def window_frame(self) -> int | None:
        """Frame at which a window of attendance closes next, None where none is watched."""
        return self.windows.next_frame if self._watched_over else None

    @property
    def window_cycle(self) -> int | None:
        """Counted cycle at which a window of attendance closes next, None as `window_frame`."""
        return self.windows.next_cycle if self._watched_over else None

    def unattended(self) -> bool:
        """Close the windows of attendance that are over; tell whether nobody had looked."""
        if not self._watched_over:
            return False
        now, counted = self.stream.now, self.book.counted
        self.windows, missed = closing(self.windows, now, counted)
        return missed

    async def move_load(self, to: float, rate: float) -> None:
        """Ramp to a load [N] at a rate [N/s]."""
        await self._move((self.rig.actuator.move_load, to, rate))

    async def move_stroke(self, to: float, speed: float) -> None:
        """Ramp to a stroke [m] at a speed [m/s]."""
        await self._move((self.rig.actuator.move_stroke, to, speed))

    async def move_deflection(self, to: float, speed: float) -> None:
        """Ramp net deflection [m] at a speed [m/s]; the controller knows of no moved sensor."""
        added = net_of(self.shifts, self.book.sampled)
        await self._move((self.rig.actuator.move_deflection, to - added, speed))

    async def hold(self) -> None:
        """Stay at the present stroke; a pause that ends leaves it there."""
        self._motion = None
        await self.rig.actuator.hold()

    async def _move(self, motion: Motion) -> None:
        self._motion, self.retracted = motion, None
        command, to, speed = motion
        await command(to, speed)
        self.stream.stopped_before = ""

    async def move_on(self) -> None:
        """Give the last motion again, after a pause held the stroke."""
        if self._motion is not None:
            await self._move(self._motion)

    async def arrived(self, expected: float, judge: Judge | None = None) -> Judge:
        """Wait until a ramp has ended; `expected` [s]. Raises StopNow if it never does."""
        judge = judge or Nothing()
        allowed = 1.5 * expected + 10.0
        spent = 0.0
        step = max(POLL, expected / 20)
        while (await self.rig.actuator.status()).moving:
            if spent > allowed:
                raise StopNow(
                    "silent",
                    "fault",
                    f"a move of {expected:.0f} s has not ended after {spent:.0f} s; "
                    "look at controller and rig",
                )
            judge = await self.wait(step, judge)
            spent += step
        return judge

    async def load_to(self, to: float, rate: float, judge: Judge | None = None) -> Judge:
        """Ramp to a load [N] at a rate [N/s] and wait for arrival."""
        expected = abs(to - self.book.latest_load) / rate
        await self.move_load(to, rate)
        return await self.arrived(expected, judge)

    async def stroke_to(self, to: float, speed: float, judge: Judge | None = None) -> Judge:
        """Ramp to a stroke [m] at a speed [m/s] and wait for arrival."""
        begin = (await self.rig.actuator.status()).stroke
        await self.move_stroke(to, speed)
        return await self.arrived(abs(to - begin) / speed, judge)

    def averaged(self) -> Averaged:
        """Return a judge that collects means of 0.1 s from the present frame on."""
        return Averaged(self.stream.now, max(round(self.stream.rate / 10), 1))

    def wetness(self) -> str:
        """Return in words whether the specimen is wet, "" before any water."""
        if self.plan.exposure == "submerged":
            return ", in water"
        if not self.water.begun:
            return ""
        dry = self.water.dry_for(self.stream.now)
        return f", dry for {dry / 60:.0f} min" if dry else ", wet"

    def opened(self) -> None:
        """Open the windows of attendance: the test has been started, or goes on."""
        stream = self.stream
        self.windows = opened(self.plan.attendance, stream.now, self.book.counted, stream.rate)

    def looked(self) -> None:
        """Note that somebody has looked after the test, and seen what was found."""
        self.windows = replace(self.windows, looked=True)
        self.notices = ()

    def notice(self, text: str) -> None:
        """Keep what people should look at until somebody has looked."""
        self.notices = noticed(self.notices, text)

    async def horn(self, on: bool) -> None:
        """Switch the horn or lamp, where there is one."""
        if self.rig.horn is not None:
            await self.rig.horn.set(on)

    async def warned(self) -> None:
        """Wait as long as the rig file lets the horn, already on, warn people; then it is off."""
        signal = self.plan.rig.warning
        if signal is not None and self.rig.horn is not None:
            self.moves_at = self.stream.now + self.stream.frames(signal.before)
        try:
            if signal is not None and self.rig.horn is not None:
                await self.wait(signal.before)
        finally:
            await self.horn(False)

    async def set_pressure(self, level: Pressure) -> None:
        """Set the hydraulic pressure; wait until it is on. Raises StopNow if it does not come.

        Nothing opens a valve again that the sentry has closed.
        """
        if level != "off" and (stop := self.stream.seen()) is not None:
            raise stop
        self.stream.pressed = False
        await self.rig.actuator.pressure(level)
        self.pressure = level
        if level != "off":
            await self.stream.pressure_comes()

    async def pressure_off(self) -> None:
        """Switch the pressure off and write whether the controller confirms it in time."""
        await self.set_pressure("off")
        until = self.stream.now + self.stream.frames(OFF_WITHIN)
        while not await self._is_off():
            if self.stream.now >= until:
                self.book.event("pressure", NOT_OFF)
                return
            await self.stream.advance(self.stream.now + self.stream.frames(POLL), Nothing())
        self.book.event("pressure", "off, as the controller says; wait for gauge and load at zero")

    async def _is_off(self) -> bool:
        try:
            return (await self.rig.actuator.status()).pressure == "off"
        except DeviceError:
            return False

    async def begin_fall(self) -> None:
        """Let the amplitude begin to fall, unless it falls already: the first act of a stop."""
        if not self.cycling or self._falls_until is not None:
            return
        over = self.fall_time()
        await self.rig.actuator.end_cycling(over)
        self._falls_until = self.stream.now + self.stream.frames(over + SETTLED)

    async def fall(self, judge: Judge | None = None) -> Judge:
        """Let the amplitude fall to zero under the fixed bounds; return the judge."""
        await self.begin_fall()
        await self.rig.actuator.stop_at(None)
        self.stream.arm(self.fixed_bounds(), self.plan.limits.persist)
        judge = judge or Nothing()
        with self.going_to_rest():
            while self._falls_until is not None and self.stream.now < self._falls_until:
                _, judge = await self.stream.advance(self._falls_until, judge)
        self._falls_until = None
        self.cycling = False
        return judge

    async def normal_stop(self) -> None:
        """Unload, retract, valve closed, pressure off; the amplitude is zero already."""
        self.stream.arm(self.fixed_bounds(), self.plan.limits.persist)
        with self.going_to_rest():
            low = self.plan.loading.lower if self.plan.loading else self.seat
            # Without contact load control would run away in search of load.
            if self.book.latest_load > self.seat:
                await self.load_to(min(low, self.book.latest_load), self.unload_rate)
            stroke = (await self.rig.actuator.status()).stroke
            back = max(stroke - RETRACT, self.rig.actuator.range.stroke_low)
            judge = await self.stroke_to(back, RETRACT_SPEED, self.averaged())
            self.retracted = judge if isinstance(judge, Averaged) else None
            await self.rig.actuator.close_valve()
            await self.pressure_off()

    @contextmanager
    def going_to_rest(self) -> Iterator[None]:
        """Let nothing but a stop interrupt a way to rest; what is asked is done after it."""
        deaf, self.stream.deaf = self.stream.deaf, True
        try:
            yield
        finally:
            self.stream.deaf = deaf

    def fall_time(self) -> float:
        """Return how long the amplitude takes to fall [s]: 2 s and at least 4 cycles."""
        loading = self.plan.loading
        return max(2.0, 4 / loading.frequency) if loading else 2.0


async def _at_once() -> int:
    """Stand still for no time: nobody can ask."""
    return 0
