"""The stages of an air run: the same order and states as in a test, without a specimen.

A load that is wanted is the same share of a short way of the rod as of the upper load. Cycles are
ramps back and forth: the program turns the rod, at whole ticks, where a test leaves that to the
controller. They are counted for water and inspections; no row of a cycle is recorded.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial

from rig.control.ahead import STATE_OF
from rig.control.air_station import AirStation
from rig.control.slow_stages import SEATING_CYCLES, SEATING_SHARE
from rig.control.standing import Standing
from rig.control.station import StageAgain
from rig.control.stop_now import StopNow
from rig.control.stream import ASKED
from rig.control.taken_up import Verdict
from rig.control.zeros import read_zeros
from rig.judging.looking import Nothing
from rig.protocol.air import AIR
from rig.protocol.in_the_air import in_words
from rig.protocol.plan import Approach, Cyclic, Hold, Inspections, Loading, Ramp, Stage, Static
from rig.record.entries import OF_AIR


class AirRun:
    """Carries the stages of an air run out on a station."""

    def __init__(self, station: AirStation, standing: Standing) -> None:
        self._station, self._standing = station, standing
        self._stream, self._book = station.stream, station.book

    async def begin(self) -> None:
        """Write what kind of run it is, and see that there is room for it."""
        self._book.event(AIR, in_words(self._station.air))
        await self._station.begin()

    def verdict(self, stop: StopNow) -> Verdict:
        """Name how an air run ended: nothing was tested, so that no cycle counts."""
        if stop.outcome == "run-out":
            motions = f" and {self._book.counted:,} motions" if self._book.counted else ""
            why = f"{OF_AIR}all stages{motions} without a specimen"
        else:
            why = f"{OF_AIR}{stop.why}"
        if stop.outcome == "limit":
            why = f"{why}; nothing may be touched in an air run: look what is in the rod's way"
        return Verdict(stop.outcome, why, 0, stop.cause)

    async def through(self, stage: Stage) -> None:
        """Carry a stage out; one that was broken off by drawing the rod back is made again.

        Raises StopNow where the run ends with the stage, as a test does with its cyclic one.
        """
        if isinstance(stage, Cyclic):
            await self._cyclic(stage)
            raise StopNow("done", "run-out", "the motions are done", self._book.counted)
        again = False
        while True:
            try:
                if again and not isinstance(stage, Approach):
                    await self._forward_again()
                self._book.enter(STATE_OF[type(stage)], "stage", stage.name)
                await self._slow(stage)
                return
            except StageAgain:
                again = True

    async def _forward_again(self) -> None:
        """Come forward again after the rod was drawn back in a pause."""
        self._book.enter("approach", "stage", "forward again")
        await self._station.to_share(0.0)

    async def _slow(self, stage: Stage) -> None:
        station = self._station
        await station.arm_fixed()
        if isinstance(stage, Approach):
            await self._seat(stage)
        elif isinstance(stage, Static):
            for repeat in range(station.repeat, stage.repeats + 1):
                station.repeat = repeat
                await self._there_and_back(station.share_of(stage.to), stage.hold)
        elif isinstance(stage, Ramp):
            await station.to_share(1.0 if stage.to is None else station.share_of(stage.to))
        elif isinstance(stage, Hold):
            await station.to_share(station.share_of(stage.at))
            station.holds_until = self._stream.now + self._stream.frames(stage.duration)
            await station.wait(stage.duration)
            station.holds_until = None

    async def _seat(self, stage: Approach) -> None:
        """Draw the rod back, then come forward a little as at contact and seating."""
        station = self._station
        await station.to_share(0.0)
        await station.wait(stage.settle)
        for _ in range(SEATING_CYCLES):
            await self._there_and_back(SEATING_SHARE, 0.0)

    async def _there_and_back(self, share: float, hold: float) -> None:
        """Go to a share of the way, stay for a time [s], and go back."""
        await self._station.to_share(share)
        if hold > 0:
            await self._station.wait(hold)
        await self._station.to_share(0.0)

    async def _cyclic(self, stage: Cyclic) -> None:
        """Build up and cycle to the last count, with water and inspections on the way."""
        station, loading = self._station, self._station.plan.loading
        if loading is None:
            raise ValueError("a cyclic stage needs [loading]; the protocol check refuses it")
        station.chores.wet_stage = True
        last, built_up = self._book.counted + stage.run_out, 0
        await self._again(kept=True)
        while self._book.counted < last:
            building = self._book.state == "build-up"
            built_up = built_up + 1 if building else 0
            grown = built_up / stage.build_up if building else 1.0
            if not await self._motion(loading, grown):
                built_up = 0
            elif not building:
                await self._count(last)
            elif built_up >= stage.build_up:
                first = self._book.counted + 1
                self._book.enter("cycling", "range reached", f"counts from motion {first:,}")

    async def _again(self, *, kept: bool) -> None:
        """Go to the mean and begin to build up; a rod that was drawn back comes forward first."""
        station, loading = self._station, self._station.plan.loading
        mean = loading.mean if loading is not None else 0.0
        while True:
            try:
                if not kept:
                    await self._forward_again()
                    kept = True
                self._book.enter("build-up", "stage")
                await station.arm_fixed()
                await station.to_share(station.share_of(mean))
                return
            except StageAgain:
                kept = False

    async def _motion(self, loading: Loading, grown: float) -> bool:
        """Make one motion back and forth, grown to a share; False where something came between."""
        station, air = self._station, self._station.air
        mean, upper = station.share_of(loading.mean), station.share_of(loading.upper)
        way = min(2 * (upper - mean) * air.travel, air.speed * air.half)
        share = grown * way / air.travel / 2
        for to in (mean + share, mean - share):
            await station.move_stroke(station.at(to), max(grown * way / air.half, 1e-6))
            if not await self._half():
                return False
        return True

    async def _half(self) -> bool:
        """Let half a motion go by; False where it was interrupted and must be built up again."""
        stream, station = self._stream, self._station
        until = stream.now + stream.frames(station.air.half)
        while stream.now < until:
            ahead = min(until, station.chores.next_frame())
            decisions, _ = await stream.advance(ahead, Nothing())
            missed = await station.chores.act() or station.no_water
            if missed:
                await self._no_water(missed)
                return False
            asked = self._standing.taken() if any(d.kind == ASKED for d in decisions) else None
            if asked is not None:
                await self._stand(partial(self._standing.interrupted, asked))
                return False
        return True

    async def _stand(self, standing: Callable[[], Awaitable[bool]]) -> None:
        """Hold the rod while somebody lets the test stand, then build up again."""
        await self._station.rig.actuator.hold()
        await self._again(kept=await standing())

    async def _no_water(self, missed: str) -> None:
        """Pause or stop, as the protocol says, where two spray periods were missed in a row."""
        self._station.no_water = ""
        schedule = self._station.plan.spray
        why = f"{missed}; two periods missed in a row"
        if not self._station.attended or schedule is None or schedule.then != "pause":
            raise StopNow("spray", "fault", why, self._book.counted)
        await self._stand(partial(self._standing.pause, "no flow", why))

    async def _count(self, last: int) -> None:
        """Count a motion, and do what is due at the count."""
        self._book.counted += 1
        counted, water = self._book.counted, self._station.water
        if water.due_cycle is not None and counted >= water.due_cycle:
            missed = await water.act(self._stream.now, counted)
            if missed:
                await self._no_water(missed)
                return
        inspections = self._station.plan.inspections
        if inspections is not None and counted in inspections.at and counted < last:
            await self._inspect(inspections)

    async def _inspect(self, inspections: Inspections) -> None:
        """Make an inspection in the air: slow motions, zeros, the wait; then build up again."""
        book, counted, began = self._book, self._book.counted, self._book.time
        await self._station.rig.actuator.hold()
        book.enter("inspection", "count", f"motion {counted:,}")
        book.interruption_begins("inspection")
        await self._station.water.pause(self._stream.now, counted)
        await self._checked(inspections)
        # Where nobody can answer it goes on at once.
        alone = inspections.go_on_after if self._station.attended else 0.0
        try:
            kept = await self._standing.waiting(alone, _words(alone))
        except StopNow as stop:
            book.inspection(began, counted, f"in the air; ended by the stop: {stop.why}")
            raise
        book.inspection(began, counted, f"in the air; {book.path[-1][1]}")
        await self._again(kept=kept)

    async def _checked(self, inspections: Inspections) -> None:
        """Make what an inspection asks for; once more where the rod was drawn back meanwhile."""
        again = False
        while True:
            try:
                if again:
                    await self._forward_again()
                    self._book.enter("inspection", "go on", f"motion {self._book.counted:,}")
                await self._check(inspections)
                return
            except StageAgain:
                again = True

    async def _check(self, inspections: Inspections) -> None:
        """Make the slow motions of a static check, and read the zeros."""
        station, check = self._station, inspections.static_check
        if check is not None:
            for _ in range(check.repeats):
                await self._there_and_back(station.share_of(check.to), check.hold)
        if inspections.zero:
            await station.to_share(0.0)
            await read_zeros(station, f"inspection at motion {self._book.counted:,}")


def _words(alone: float | None) -> str:
    """Say what is waited for."""
    if alone is None:
        return "goes on only when asked"
    return f"goes on by itself in {alone:.0f} s unless a note, a pause, the button or the guard"
