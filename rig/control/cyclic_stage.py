"""The cyclic stage: build up, hold the load, count, spray, inspect, until a verdict."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Final

from rig.acquire.extract import ExtractionSetup, begin
from rig.control.correction import SETTLING_CYCLES, Adjustment, start_correction
from rig.control.cycling import Cycling, CyclingSetup
from rig.control.looking import Decision, Nothing
from rig.control.slow_stages import static_check
from rig.control.spray import Spray, paused, start_spray, step
from rig.control.station import Station
from rig.control.stream import StopNow
from rig.criteria.findings import CriteriaSetup, CriteriaState, Finding
from rig.guards.health import HealthFinding, HealthSetup, half_cycle
from rig.guards.learned import LearnedSetup, combine, learned_bounds
from rig.protocol.plan import Cyclic, Loading

COUNT_MARGIN: Final = 2  # cycles the controller may run past ours before it stops by itself
SLOW_EVERY: Final = 60.0  # [s] between records of the slow channels
FIRST_SPAN: Final = 0.05  # of the target range: the first cycles of a build-up are small
BUILD_UP_EXTRA: Final = 100  # cycles after the growth in which 95 % of range must be reached
QUIET_SHARE: Final = 0.2  # of the growth: the first cycles are too small to be told from noise
SETTLING_SHARE: Final = 0.05  # of the growth is left when counting begins: not corrected in it
FAR: Final = 10**12  # frames: nothing is due

_ENDS: Final = {"failure": "failure", "fault": "fault", "run-out": "end"}


class CyclicStage:
    """Carries out one cyclic stage on a station; `state` is the judge between blocks."""

    def __init__(self, station: Station, stage: Cyclic, loading: Loading) -> None:
        self._station = station
        self._stage = stage
        self._loading = loading
        plan = station.plan
        self.state = Cycling(
            setup=CyclingSetup(
                extraction=ExtractionSetup(plan.rig.sampled, station.stream.rate),
                criteria=criteria_setup(station, stage),
                health=HealthSetup(
                    {c.name: (c.low, c.high) for c in plan.rig.sampled},
                    station.stream.rate,
                    flat_after=half_cycle(station.stream.rate, loading.frequency),
                ),
                upper=loading.upper,
                target_range=loading.range,
                period=station.stream.rate / loading.frequency,
            ),
            extraction=begin(
                loading.mean,
                FIRST_SPAN * loading.range,
                station.stream.now,
            ),
            criteria=CriteriaState(),
            correction=start_correction(loading.mean, loading.range / 2),
            always_wet=plan.exposure == "submerged",
        )
        self._spray: Spray | None = (
            start_spray(plan.spray, station.stream.rate) if plan.spray else None
        )
        self._slow = any(c.slow for c in plan.rig.channels)
        self._slow_frame = station.stream.now
        self._inspect_at: int | None = None

    def spray_to_plain(self) -> dict[str, object] | None:
        """Return the state of the spray schedule as plain values for a restart point."""
        return asdict(self._spray) if self._spray else None

    async def run(self) -> None:
        """Cycle until a verdict, which comes as StopNow."""
        await self._build_up()
        while True:
            await self._due_by_time()
            self._plan_counts()
            decisions, judge = await self._station.stream.advance(self._next_frame(), self.state)
            if not isinstance(judge, Cycling):
                raise TypeError(f"cycling was handed on as {type(judge).__name__}")
            self.state = judge
            await self._act(decisions)

    async def _build_up(self) -> None:
        """Go to the mean load and let the amplitude grow; the count goes on after it."""
        station, loading = self._station, self._loading
        station.book.enter("build-up")
        await station.arm_fixed()
        await station.load_to(loading.mean, station.unload_rate)
        over = self._stage.build_up / loading.frequency
        grown = round(SETTLING_SHARE * self._stage.build_up) + SETTLING_CYCLES
        correction = replace(self.state.correction, pairs=(), ranges=(), skip=grown)
        self.state = replace(
            self.state,
            correction=correction,
            quiet_since=station.stream.now + station.stream.frames(QUIET_SHARE * over),
            give_up_at=self.state.built_up + self._stage.build_up + BUILD_UP_EXTRA,
            extraction=begin(
                loading.mean,
                FIRST_SPAN * loading.range,
                station.stream.now,
            ),
            counting=False,
            falling=False,
        )
        await station.rig.actuator.cycle(
            correction.mean, correction.amplitude, loading.frequency, over
        )
        station.cycling = True

    async def _act(self, decisions: tuple[Decision, ...]) -> None:
        """Act on decisions; what ends the test goes first."""
        for decision in decisions:
            await self._in_doubt(decision)
        findings = [d.detail for d in decisions if isinstance(d.detail, Finding)]
        for finding in findings:
            await self._found(finding)
        for decision in decisions:
            if decision.kind == "counting":
                await self._counting()
            elif isinstance(decision.detail, Adjustment):
                await self._adjust(decision.detail)
        counts = [d for d in decisions if d.kind == "count"]
        if counts:
            await self._count_reached()

    async def _in_doubt(self, decision: Decision) -> None:
        """Stop where the feedback or the cycling itself is in doubt."""
        if decision.kind == "silent":
            raise StopNow("feedback", "fault", str(decision.detail))
        if decision.kind == "not reached":
            raise StopNow("fault", "fault", str(decision.detail))
        if isinstance(decision.detail, HealthFinding):
            finding = decision.detail
            if finding.action == "fault":
                raise StopNow("feedback", "fault", finding.text)
            self._station.book.event("sensor", finding.text)

    async def _counting(self) -> None:
        station = self._station
        station.book.enter("cycling", f"counting from cycle {self.state.counted}")
        self._arm_learned()
        left = self._stage.run_out - self.state.counted
        counter = (await station.rig.actuator.status()).counter
        await station.rig.actuator.stop_at(counter + left + COUNT_MARGIN)

    async def _found(self, finding: Finding) -> None:
        book = self._station.book
        kind = "verdict" if finding.action in _ENDS else finding.kind
        book.event(kind, finding.text)
        if finding.kind == "baseline":
            base = self.state.criteria.baseline
            book.baseline_stiffness = base.stiffness if base else None
            self._arm_learned()
            now = self.state.correction
            self.state = replace(
                self.state,
                correction=replace(now, settled_mean=now.mean, settled_amplitude=now.amplitude),
            )
        if finding.action in _ENDS:
            raise StopNow(_ENDS[finding.action], finding.action, finding.text, finding.cycle)
        if finding.action == "pause":
            book.event("pause", f"{finding.kind}: nobody answers in a rehearsal, goes on")

    def _arm_learned(self) -> None:
        """Arm the learned limits once the baseline is known and the load is at its target."""
        station, base = self._station, self.state.criteria.baseline
        if base is None or not self.state.counting:
            return
        learned = station.plan.limits.learned
        setup = LearnedSetup(
            learned.load_low, learned.load_high, learned.deflection, learned.stroke_beyond
        )
        bounds = learned_bounds(
            setup,
            self._loading.lower,
            self._loading.upper,
            base.deflection_max,
            base.stroke_max,
            base.stroke_min,
        )
        station.stream.arm(combine(station.fixed_bounds(), bounds), station.plan.limits.persist)

    async def _adjust(self, change: Adjustment) -> None:
        station = self._station
        if change.saturated:
            station.book.event(
                "correction", "load correction is at the end of its authority, 10 % of range"
            )
        await station.rig.actuator.adjust(change.mean, change.amplitude)
        self.state = replace(self.state, commanded=station.stream.now)

    def _plan_counts(self) -> None:
        """Tell the judge at which counts something is due."""
        due = set()
        inspections = self._station.plan.inspections
        following = inspections.next_after(self.state.counted) if inspections else None
        self._inspect_at = (
            following if following is not None and following < self._stage.run_out else None
        )
        if self._inspect_at is not None:
            due.add(self._inspect_at)
        if self._spray is not None and self._spray.cycle is not None:
            due.add(max(self._spray.cycle, self.state.counted + 1))
        self.state = replace(self.state, due=tuple(sorted(due)))

    async def _count_reached(self) -> None:
        """Do what a reached count calls for: water first, then the inspection."""
        counted = self.state.counted
        spray_at = self._spray.cycle if self._spray is not None else None
        if spray_at is not None and counted >= spray_at:
            await self._water()
        if self._inspect_at is not None and counted >= self._inspect_at:
            await self._inspect()

    def _next_frame(self) -> int:
        frames = [FAR]
        if self._spray is not None and self._spray.frame is not None:
            frames.append(self._spray.frame)
        if self._slow:
            frames.append(self._slow_frame)
        return max(min(frames), self._station.stream.now + 1)

    async def _due_by_time(self) -> None:
        now = self._station.stream.now
        if self._slow and now >= self._slow_frame:
            self._station.book.slow(await self._station.rig.acquisition.slow())
            self._slow_frame = now + self._station.stream.frames(SLOW_EVERY)
        if self._spray is not None and self._spray.frame is not None and now >= self._spray.frame:
            await self._water()

    async def _water(self) -> None:
        """Carry out the change of the spray schedule that is due."""
        station, schedule, pump = self._station, self._station.plan.spray, self._station.rig.pump
        if schedule is None or self._spray is None or pump is None:
            return
        before = self._spray
        flow = (await pump.status()).flow
        now = station.stream.now
        done = step(schedule, before, now, self.state.counted, station.stream.rate, flow)
        self._spray = done.state
        if done.state.confirmed:
            station.book.water_confirmed()
        if before.phase == "waiting":
            station.book.event("water", "spraying begins")
        if done.event:
            station.book.event("water", done.event)
        if done.pump is not None:
            await pump.set(done.pump)
            station.book.water(now, on=done.pump)
            self.state = replace(self.state, wet=_wet(self.state.wet, now, on=done.pump))
        if done.missed_too_often:
            raise StopNow(
                "spray", "fault", f"{done.event}; two periods missed in a row", self.state.counted
            )

    async def _inspect(self) -> None:
        """Stop cycling, make the static check, wait as the protocol says, build up again."""
        station, plan = self._station, self._station.plan
        inspections = plan.inspections
        if inspections is None:
            return
        cycle, began = self.state.counted, station.book.time
        station.book.enter("inspection", f"cycle {cycle}")
        await self._fall()
        await self._water_while_paused()
        await station.load_to(self._loading.lower, station.unload_rate)
        if inspections.static_check is not None:
            await static_check(station, inspections.static_check, cycle)
        if inspections.go_on_after is not None:
            await self._wait_with_water(inspections.go_on_after)
        text = "nobody answers in a rehearsal: goes on"
        station.book.inspection(began, cycle, text)
        await self._build_up()

    async def _wait_with_water(self, seconds: float) -> None:
        """Wait, while the spray schedule goes on by time."""
        station = self._station
        until = station.stream.now + station.stream.frames(seconds)
        while station.stream.now < until:
            await self._due_by_time()
            await station.stream.advance(min(until, self._next_frame()), Nothing())

    async def _water_while_paused(self) -> None:
        """Switch the water off for a pause where the protocol says so; a new period follows it."""
        station, schedule = self._station, self._station.plan.spray
        if schedule is None or self._spray is None or schedule.on_pause == "keep":
            return
        if self._spray.on:
            await station.water_off()
            now = station.stream.now
            self.state = replace(self.state, wet=_wet(self.state.wet, now, on=False))
            self._spray = paused(self._spray, now, self.state.counted)

    async def _fall(self) -> None:
        """Let the amplitude fall; these cycles are kept with the build-up ones."""
        self._station.book.interrupted()
        judge = await self._station.fall(replace(self.state, falling=True))
        if isinstance(judge, Cycling):
            self.state = judge

    async def run_down(self, *, after_end: bool) -> None:
        """Let the amplitude fall for a stop; after a verdict its cycles are flagged after-end."""
        judge = self._station.stream.judge
        if isinstance(judge, Cycling):
            self.state = judge
        self.state = replace(self.state, ended=after_end, falling=not after_end)
        self.state = replace(self.state, due=())
        await self._station.fall(self.state)


def criteria_setup(station: Station, stage: Cyclic) -> CriteriaSetup:
    """Return the criteria that the protocol arms, for one cyclic stage."""
    plan, failure = station.plan, station.plan.failure
    loading = plan.loading
    if loading is None:
        raise ValueError("a cyclic stage needs [loading]; the protocol check refuses it")
    loss, jump, short = failure.stiffness_loss, failure.stiffness_step, failure.load_short
    return CriteriaSetup(
        upper=loading.upper,
        lower=loading.lower,
        baseline_first=plan.baseline.first,
        baseline_last=plan.baseline.last,
        loss_warn=loss.warn if loss else None,
        loss_stop=loss.stop if loss else None,
        loss_confirm=loss.confirm if loss else 100,
        step_pause=jump.pause if jump else None,
        step_within=jump.within if jump else 20,
        residual_warn=failure.residual_growth,
        short_stop=short.stop if short else None,
        short_confirm=short.confirm if short else 5,
        run_out=stage.run_out,
    )


def _wet(
    stretches: tuple[tuple[int, int | None], ...], frame: int, *, on: bool
) -> tuple[tuple[int, int | None], ...]:
    """Return the wet stretches after a switch; only the last two can touch a running cycle."""
    if on:
        return (*stretches[-1:], (frame, None))
    if stretches and stretches[-1][1] is None:
        return (*stretches[:-1], (stretches[-1][0], frame))
    return stretches
