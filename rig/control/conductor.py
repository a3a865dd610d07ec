"""The conductor: the one owner of the actuator, from the first motion to the end of the record.

It carries the plan's stages out in order. Everything that ends a test arrives here as StopNow;
here the rig is stopped by the category that the cause calls for, the samples after the stop are
kept, and the outcome is named. Stop categories are those of IEC 60204-1.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from typing import Final

from rig.clock import Clock
from rig.control.ahead import STATE_OF
from rig.control.air_run import AirRun
from rig.control.air_station import AirStation, station_of
from rig.control.anew import BegunAnew
from rig.control.book import Book
from rig.control.clockwatch import ClockWatch
from rig.control.cyclic_stage import CyclicStage
from rig.control.desk import Desk
from rig.control.found import find
from rig.control.line_watch import LineWatch
from rig.control.outlook import Outlook
from rig.control.prompt import prompt
from rig.control.reception import Reception
from rig.control.residual import ResidualTest, approach_anew, keep_away
from rig.control.restart import restart_point
from rig.control.sentry import posted
from rig.control.slow_stages import approach, hold, ramp, static
from rig.control.standing import Standing
from rig.control.states import STANDING
from rig.control.station import StageAgain
from rig.control.stop_now import StopNow, category_of, forget_cancellation, table_cause
from rig.control.stopping import Stopping
from rig.control.stream import Stream
from rig.control.taken_up import TakenUp, Verdict, broken
from rig.control.taking_up import contact_and_check, make_safe, restore
from rig.control.zeros import read_zeros
from rig.errors import DeviceError
from rig.judging.cycling import Cycling
from rig.judging.looking import Judge
from rig.judging.naming import after_trip, evidence_time
from rig.judging.watchers import peak_of
from rig.ports import InputState, Rig
from rig.protocol.plan import Approach, Cyclic, Plan, Ramp, Stage, Static
from rig.protocol.residual import breaks
from rig.record.interface import RunRecord
from rig.samples import SampleBlock

_VALVE_FIRST: Final = frozenset({"failure", "ultimate", "limit"})
"""Outcomes after which nothing is moved by command: the specimen may be broken."""

_DOUBTFUL: Final = frozenset({"feedback", "polarity", "limits", "silent", "device", "watchdog"})
"""Causes that put feedback or controller in doubt: no motion by load after them."""

_STILL: Final = frozenset({"idle", "checklist", "unloaded", "locked"})
"""States out of which nothing is moved to stop: pressure is off, or people are at the rig."""

OIL_WARN: Final = 323.15  # [K], 50 C; common practice, no source


class Conductor:
    """Runs one plan on one rig. Use `run` once.

    `snapshot` gives a simulated rig's own state for the restart point. `desk` brings people's
    requests; without one nobody can answer, and what would wait for people goes on or stops.
    `live` is for a rig in real time: samples that stay away are a fault.
    `clock` tells the calendar, for quiet and working hours and for steps of the computer's clock.
    `on_call` is who is called without a checklist. `taken` is where a test cut off goes on.
    """

    def __init__(
        self,
        plan: Plan,
        rig: Rig,
        recorder: RunRecord,
        *,
        one_tick: bool = False,
        snapshot: Callable[[], Mapping[str, object]] | None = None,
        desk: Desk | None = None,
        live: bool = False,
        clock: Clock | None = None,
        on_call: str = "",
        taken: TakenUp | None = None,
    ) -> None:
        self._plan = plan
        self._taken = taken
        self._restored = taken is None
        self._verdict: Verdict | None = None
        self._snapshot = snapshot
        self._rig = rig = prompt(rig) if live else rig
        self._begun_anew = BegunAnew(rig.actuator)
        self._recorder = recorder
        self._desk = desk or Desk()
        begin = taken.begin if taken else 0
        self.stream = Stream(rig, one_tick=one_tick, live=live, desk=self._desk, begin=begin)
        self.book = Book(
            plan,
            recorder,
            self.stream.rate,
            self._restart_point,
            lambda: self.outlook.told(),
            taken,
        )
        self.stream.on_kept = self.book.kept
        self.stream.on_settled = self.book.settled
        self.stream.on_block = self._each_block
        attended = live or self._desk.attended
        self._station = station_of(plan, rig, self.stream, self.book, attended=attended, live=live)
        self.stream.on_inputs = self._inputs
        self._oil_warned = False
        self._utc = clock.utc if clock is not None else None
        self._standing = Standing(self._station, self._utc)
        station = self._station
        self._air = AirRun(station, self._standing) if isinstance(station, AirStation) else None
        self.stream.on_request = Reception(self._station, self._standing).take
        self.outlook = Outlook(self._station, self._standing, self._utc)
        self._station.on_call = on_call
        self._stopping = Stopping(self._station)
        self._residual = ResidualTest(self._station, self._standing)
        self._station.ran_out = taken.ran_out if taken else None
        self._station.on_asked = self._standing.slow
        self._station.on_unattended = self._standing.slow_unattended
        self._clock_watch = ClockWatch(clock) if clock is not None and live else None
        self._lines = LineWatch(rig.lines, self.book)
        self._post = rig.post if live else None
        self._cyclic: CyclicStage | None = None

    async def run(self) -> Verdict:
        """Carry the plan out, stop the rig in every case, and name the outcome."""
        with ExitStack() as posts:
            return await self._run(posts)

    async def _run(self, posts: ExitStack) -> Verdict:
        # Before the valve closes for a stop: a load that falls then is what nobody asks after.
        seen: StopNow | None = None
        try:
            posts.enter_context(posted(self._post, self.stream.sentry.glance))
            await self._stages()
            stop = StopNow("done", "run-out", "all stages done", self.book.counted)
        except StopNow as ended:
            stop = ended
            seen = self.stream.seen() if ended.cause == "silent" else None
        except DeviceError as error:
            seen = self.stream.seen()
            stop = StopNow("device", "fault", str(error), self.book.counted)
        except asyncio.CancelledError:
            forget_cancellation()
            stop = StopNow("operator", "operator", "stopped from the keyboard", self.book.counted)
        except BaseException:
            await self._stopping.stand_still()
            raise
        try:
            return await self._stop(stop, seen)
        except BaseException:
            await self._stopping.stand_still()
            raise
        finally:
            self._desk.close("the test has ended")

    def _inputs(self, inputs: InputState) -> None:
        """Tell once when the oil is warm; it stops the rig by itself when it is hot."""
        warm = inputs.oil_temperature is not None and inputs.oil_temperature > OIL_WARN
        if warm and not self._oil_warned:
            self.book.event("oil", f"oil at {(inputs.oil_temperature or 0.0) - 273.15:.0f} C")
        self._oil_warned = warm

    def _each_block(self) -> None:
        """Look at what no sample shows: the record, and the computer's clock."""
        trouble = self._recorder.trouble
        # A stop that is under way goes on: it is what the trouble would call for.
        if trouble and not self.stream.known_cause:
            raise StopNow("record", "fault", trouble)
        if self._clock_watch is not None and (stepped := self._clock_watch.look()):
            self.book.event("clock", stepped)
        self._lines.look()

    async def _stages(self) -> None:
        stages, taken = self._plan.stages, self._taken
        doubts = await make_safe(self._station, taken) if taken is not None else ()
        if taken is not None and taken.begun:
            stages = await self._take_up(taken, doubts)
        else:
            self._restored = True
            if taken is None and self._station.live:
                await find(self._station)
            await self._begin()
        for stage in stages:
            self.outlook.stage = stage
            await (self._through if self._air is None else self._air.through)(stage)
            self._station.repeat = 1

    async def _take_up(self, taken: TakenUp, doubts: tuple[str, ...]) -> tuple[Stage, ...]:
        """Go on with a test that was cut off; return the stages that are left of it."""
        station, stages = self._station, self._plan.stages
        stage = self.outlook.stage = stages[taken.point["stage_number"] - 1]
        await restore(station, taken)
        cyclic = stage if station.ran_out is None else self._plan.cyclic
        if isinstance(cyclic, Cyclic):
            doubts += await self._residual.restored(self._cyclic_stage(cyclic), taken)
        self._restored = True
        # One that was being broken may be bent for good beyond the limits of its cycles.
        station.breaking = station.ran_out is not None and breaks(stage)
        await self._permitted(f"taken up again: {taken.why}")
        await station.arm_fixed()
        await self._standing.resumed("taken up again", doubts)
        await contact_and_check(station, self._standing, taken, stage)
        done = isinstance(stage, Approach)
        return stages[stages.index(stage) + done :]

    async def _permitted(self, why: str) -> None:
        """Enter "starting": on a real rig once the checklist has been confirmed."""
        if self._rig.emulated:
            self.book.enter("starting", "start", why)
            if self._station.on_call:
                self.book.event("on call", self._station.on_call)
        else:
            self.book.enter("checklist", "real rig", why)
            await self._standing.confirmed()
        for accepted in self._plan.accepted:
            self.book.event("accepted", accepted)

    async def _begin(self) -> None:
        """Start a test from its first stage on."""
        await self._permitted(self._plan.title)
        if self._air is not None:
            await self._air.begin()
        await self._station.arm_fixed()
        if self._plan.spray is not None:
            await self._station.water.pump.flow()  # how full the tank is, before anybody needs it
        await self._station.horn(True)
        await self._station.warned()
        await self._station.set_pressure("high")
        self.book.interruption_ends("nothing had been done yet: from the beginning")
        self._station.opened()
        if isinstance(self._plan.stages[0], Approach):
            await read_zeros(self._station, "start")

    async def _through(self, stage: Stage) -> None:
        """Carry a stage out; one that was broken off by unloading goes on in contact again."""
        again = self._residual.was_freed()
        while True:
            try:
                if again and not isinstance(stage, Approach):
                    self.book.enter("approach", "stage", "contact again")
                    await approach(self._station, self._station.contact_again)
                await self._one(stage)
                return
            except StageAgain:
                again = True

    async def _one(self, stage: Stage) -> None:
        if isinstance(stage, Cyclic):
            await self._residual.cycled(self._cyclic_stage(stage))
            return
        station = self._station
        station.breaking = station.ran_out is not None and breaks(stage)
        self.book.enter(STATE_OF[type(stage)], "stage", stage.name)
        if breaks(stage):
            keep_away(station)
        await station.arm_fixed()
        if isinstance(stage, Approach):
            await (approach if station.ran_out is None else approach_anew)(station, stage)
        elif isinstance(stage, Static):
            await static(self._station, stage)
        elif isinstance(stage, Ramp):
            await ramp(self._station, stage)
        else:
            await hold(self._station, stage)

    def _cyclic_stage(self, stage: Cyclic) -> CyclicStage:
        """Return the cyclic stage, made when it is first asked for."""
        if self._plan.loading is None:
            raise ValueError("a cyclic stage needs [loading]; the protocol check refuses it")
        if self._cyclic is None:
            self._cyclic = CyclicStage(
                self._station, self._standing, stage, self._plan.loading, self._utc
            )
            self.outlook.cyclic = self._cyclic
            self._stopping.run_down = self._cyclic.run_down
        return self._cyclic

    async def _stop(self, stop: StopNow, seen: StopNow | None) -> Verdict:
        """Stop by category, keep what follows, name the outcome. Acts first, records next.

        `seen` is the stop that the sentry had called for where a device refused or was silent.
        """
        stopped, state, judge = self.stream.now, self.book.state, self.stream.judge
        if self._cyclic is not None and isinstance(judge, Cycling):
            # What was seen before the stop, whatever cut the stage off.
            self._cyclic.state = judge
        station = self._station
        station.peak = peak_of(judge, station.peak)
        # With the pressure off, or with people at the rig, nothing is moved to stop.
        still = state in _STILL or station.pressure == "off"
        valve_first = (
            stop.outcome in _VALVE_FIRST
            or stop.cause in _DOUBTFUL
            or still
            or category_of(stop, self._plan.rig.stops) == 0
        )
        standing = state in STANDING or state == "starting"
        self.stream.known_cause, self.stream.deaf = stop.cause, True
        self.outlook.cycles = stop.cycles or station.cycle
        moves = await self._stopping.first_act(valve_first, standing=standing)
        came = self._came_of(stop, seen)
        stop = await self._begun_anew.explained(came, self.stream.tally.counter)
        self._answer(stop, moves=moves)
        await self._station.water.stop(self.stream.now, stop.cause)
        self.book.recent.hold()
        # From here on the verdict stands, whatever becomes of the rest.
        self._verdict = self._name(stop, stopped)
        self.book.enter("stopping", table_cause(stop), stop.why)
        if stop.trip is not None:
            self.book.event("limit", stop.trip.text)
        self.book.interrupted()
        self.book.interruption_ends(f"ended by the stop: {stop.why}")
        retracted = moves and await self._stopping.controlled(
            ending=self._verdict.outcome == "run-out", standing=standing
        )
        await self._stopping.after(stopped, retracted=retracted)
        self._lines.end()
        self._verdict = verdict = self._name(await self._begun_anew.explained(stop), stopped)
        if self._recorder.trouble:
            verdict = replace(verdict, cause="record")
        self._residual.skipped(verdict)
        self.book.enter("stopped", "stopped", verdict.words)
        return verdict

    def _came_of(self, stop: StopNow, seen: StopNow | None) -> StopNow:
        """Return the stop of the sentry, where that is what a refusal came of.

        A controller that obeys refused because its valve was closed already; one that does not
        is at fault itself.
        """
        if seen is None or self._stopping.lacking:
            return stop
        self.stream.known_cause = seen.cause
        why = f"{seen.why}; then: {stop.why}"
        return StopNow(seen.cause, seen.outcome, why, stop.cycles, seen.trip)

    def _answer(self, stop: StopNow, *, moves: bool) -> None:
        """Answer who asked for the stop, and whoever else waits."""
        if stop.asked is not None:
            text = "unloads, then stops" if moves else "valve closed, pressure off; nothing moves"
            stop.asked.answer(done=True, text=text, state=self.book.state)
        for waiting in self.stream.unanswered:
            text = f"the test is being stopped: {stop.why}"
            waiting.answer(done=False, text=text, state=self.book.state)
        self.stream.asked = None

    def _name(self, stop: StopNow, stopped: int) -> Verdict:
        """Name the outcome; a run-out stays one, whatever the static test after it ended with."""
        if self._air is not None:
            return self._air.verdict(stop)
        named, ran_out = self._named(stop, stopped), self._station.ran_out
        if named.doubts_load:  # nobody may take what was read for a load that was held
            self._station.peak = self._station.peak_before
        return named if ran_out is None else broken(ran_out, named, self._station.peak)

    def _named(self, stop: StopNow, stopped: int) -> Verdict:
        """Name what a stop ended; a limit is named after the evidence of the samples kept."""
        cycles = stop.cycles or self._station.cycle
        if stop.outcome != "limit":
            return Verdict(stop.outcome, stop.why, cycles, stop.cause)
        cyclic = self._cyclic if self._station.ran_out is None else None
        loading = self._plan.loading if cyclic is not None else None
        base = cyclic.state.criteria.baseline if cyclic is not None else None
        # Some time before the trip, and all that is kept after it.
        from_frame = stopped - round(evidence_time(loading) * self.stream.rate)
        first, values = self.book.recent.cut(from_frame, self.stream.now)
        block = SampleBlock(first, self.stream.rate, self.book.sampled, values)
        at = (stop.trip.frame if stop.trip else stopped) - first
        outcome, why = after_trip(self._plan, loading, base, stop.why, block, at)
        return self._begun_anew.of_limit(Verdict(outcome, why, cycles, stop.cause), stop.why)

    def _restart_point(self, judge: Judge) -> Mapping[str, object]:
        """Return what a resumption needs, as plain values."""
        if self._taken is not None and not self._restored:
            # Until all of it is in its place the one it was taken up from still holds.
            under_way = [list(each) for each in self.book.interruptions]
            kept = under_way or self._taken.point["interruptions"]
            return {**self._taken.point, "interruptions": kept, "verdict": None}
        self._station.peak = peak_of(judge, self._station.peak)
        newest = judge if isinstance(judge, Cycling) else None
        if newest is None and self._cyclic is not None:
            # In an inspection: where cycling stood when it paused.
            newest = self._cyclic.state
        return restart_point(
            self._station,
            self._cyclic,
            newest.to_plain() if newest else None,
            self.outlook.stage,
            self._verdict,
            self._snapshot() if self._snapshot else None,
        )
