"""The station: one actuator with its stream, and the moves that all stages share."""

from __future__ import annotations

from typing import Final

from rig.control.book import Book
from rig.control.looking import Decision, Judge, Nothing
from rig.control.stream import StopNow, Stream
from rig.ports import Rig
from rig.protocol.plan import Bounds, Plan

SEAT_LOAD: Final = 1e3  # [N] kept between slow loadings; common practice, no source
UNLOAD_SHARE: Final = 0.10  # of the upper load a second; common practice, no source
RETRACT: Final = 5e-3  # [m] at 1 mm/s after a normal stop; common practice, no source
RETRACT_SPEED: Final = 1e-3
POLL: Final = 0.2  # [s] between questions whether a ramp has arrived


class Station:
    """What a stage works with: the plan, the rig's devices, the stream and the book."""

    def __init__(self, plan: Plan, rig: Rig, stream: Stream, book: Book) -> None:
        self.plan = plan
        self.rig = rig
        self.stream = stream
        self.book = book
        self.cycling = False

    @property
    def load_scale(self) -> float:
        """Upper load [N], or for a test without one the upper limit on load."""
        if self.plan.loading is not None:
            return self.plan.loading.upper
        return self.fixed_bounds()["load"][1]

    @property
    def seat(self) -> float:
        """Load [N] at which the specimen rests between slow loadings."""
        return min(SEAT_LOAD, 0.02 * self.load_scale)

    @property
    def unload_rate(self) -> float:
        """Rate [N/s] of loading and unloading between stages."""
        return UNLOAD_SHARE * self.load_scale

    def fixed_bounds(self) -> dict[str, Bounds]:
        """Return the always armed bounds: the tighter of protocol and rig file."""
        bounds = dict(self.plan.rig.limits)
        for name, (low, high) in self.plan.limits.fixed.items():
            outer = bounds.get(name, (low, high))
            bounds[name] = (max(low, outer[0]), min(high, outer[1]))
        return bounds

    async def arm_fixed(self) -> None:
        """Arm the fixed bounds here and in the controller, and read those back."""
        bounds = self.fixed_bounds()
        own = {k: v for k, v in bounds.items() if k in ("load", "stroke")}
        if self.plan.rig.actuator.limits == "controller":
            await self.rig.actuator.write_limits(own)
            answer = await self.rig.actuator.read_limits()
            for name, pair in own.items():
                if answer.get(name) != pair:
                    raise StopNow(
                        "limits",
                        "fault",
                        f"the controller's limit on {name} reads back {answer.get(name)}, "
                        f"written was {pair}",
                    )
        self.stream.arm(bounds, self.plan.limits.persist)

    async def wait(self, seconds: float, judge: Judge | None = None) -> Judge:
        """Go on for a duration [s], whatever the judge decides; return the judge."""
        until = self.stream.now + self.stream.frames(seconds)
        judge = judge or Nothing()
        while self.stream.now < until:
            _, judge = await self.stream.advance(until, judge)
        return judge

    async def watch(self, seconds: float, judge: Judge) -> tuple[tuple[Decision, ...], Judge]:
        """Go on for at most a duration [s] or until the judge decides something."""
        return await self.stream.advance(self.stream.now + self.stream.frames(seconds), judge)

    async def arrived(self, expected: float, judge: Judge | None = None) -> Judge:
        """Wait until a ramp has ended; `expected` [s]. Raises StopNow if it never does."""
        judge = judge or Nothing()
        allowed = 1.5 * expected + 10.0
        spent = 0.0
        step = max(POLL, expected / 20)
        while (await self.rig.actuator.status()).moving:
            if spent > allowed:
                raise StopNow("silent", "fault", f"a ramp of {expected:.0f} s has not arrived")
            judge = await self.wait(step, judge)
            spent += step
        return judge

    async def load_to(self, to: float, rate: float, judge: Judge | None = None) -> Judge:
        """Ramp to a load [N] at a rate [N/s] and wait for arrival."""
        expected = abs(to - self.book.latest_load) / rate
        await self.rig.actuator.move_load(to, rate)
        return await self.arrived(expected, judge)

    async def water_off(self) -> None:
        """Switch the pump off and close the wet stretch."""
        if self.rig.pump is not None and self.book.water_on:
            await self.rig.pump.set(False)
            self.book.water(self.stream.now, on=False)

    async def fall(self, judge: Judge | None = None) -> Judge:
        """Let the amplitude fall to zero under the fixed bounds; return the judge."""
        over = self.fall_time()
        await self.rig.actuator.stop_at(None)
        self.stream.arm(self.fixed_bounds(), self.plan.limits.persist)
        await self.rig.actuator.end_cycling(over)
        judge = await self.wait(over + 0.5, judge)
        self.cycling = False
        return judge

    async def normal_stop(self) -> None:
        """Unload, retract, valve closed, pressure off; the amplitude is zero already."""
        self.stream.arm(self.fixed_bounds(), self.plan.limits.persist)
        low = self.plan.loading.lower if self.plan.loading else self.seat
        # Without contact load control would run away in search of load.
        if self.book.latest_load > self.seat:
            await self.load_to(min(low, self.book.latest_load), self.unload_rate)
        stroke = (await self.rig.actuator.status()).stroke
        back = max(stroke - RETRACT, self.rig.actuator.range.stroke_low)
        await self.rig.actuator.move_stroke(back, RETRACT_SPEED)
        await self.arrived((stroke - back) / RETRACT_SPEED)
        await self.rig.actuator.close_valve()
        await self.rig.actuator.pressure("off")

    def fall_time(self) -> float:
        """Return how long the amplitude takes to fall [s]: 2 s and at least 4 cycles."""
        loading = self.plan.loading
        return max(2.0, 4 / loading.frequency) if loading else 2.0
