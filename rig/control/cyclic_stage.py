"""The cyclic stage: build up, hold the load, count, inspect, pause, until a verdict."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np

from rig.acquire.extract import begin
from rig.control.hours import next_inspection
from rig.control.inspecting import inspect
from rig.control.offsets import shifted_ranges
from rig.control.slow_stages import approach
from rig.control.standing import UNATTENDED, Standing
from rig.control.station import StageAgain, Station
from rig.control.stop_now import StopNow
from rig.control.stream import ASKED
from rig.control.taken_up import TakenUp, compared
from rig.criteria.findings import CriteriaState, Finding
from rig.guards.health import HealthFinding, HealthState
from rig.guards.learned import combine
from rig.judging.arming import cycling_setup, learned_of
from rig.judging.correction import (
    Adjustment,
    allowed_for,
    built_up_again,
    settled,
    start_correction,
)
from rig.judging.cycling import Cycling
from rig.judging.foretelling import foretelling
from rig.judging.looking import Decision
from rig.judging.shadow import ALERT, CONFLICT
from rig.protocol.plan import Cyclic, Inspections, Loading

FIRST_CYCLES: Final = 20  # after an interruption, whose stiffness is held against before
COUNT_MARGIN: Final = 2  # cycles the controller may run past ours before it stops by itself
FIRST_SPAN: Final = 0.05  # of the target range: the first cycles of a build-up are small
BUILD_UP_EXTRA: Final = 100  # cycles after the growth in which 95 % of range must be reached
QUIET_SHARE: Final = 0.2  # of the growth: the first cycles are too small to be told from noise

_ENDS: Final = {"failure": "failure", "fault": "fault", "run-out": "end"}


class CyclicStage:
    """Carries out one cyclic stage on a station; `state` is the judge between blocks.

    `inspect_at` is the count of the next inspection, None before counting and where none comes,
    `inspected` the protocol's count of the inspection made last.
    `utc` tells the calendar time, for inspections that are pulled forward into working hours.
    """

    def __init__(
        self,
        station: Station,
        standing: Standing,
        stage: Cyclic,
        loading: Loading,
        utc: Callable[[], datetime] | None,
    ) -> None:
        self._station = station
        self._standing = standing
        self._utc = utc
        self._stage = stage
        self._loading = loading
        plan = station.plan
        self.state = Cycling(
            setup=foretelling(cycling_setup(plan, stage, loading, station.stream.rate), plan),
            extraction=begin(
                loading.mean,
                FIRST_SPAN * loading.range,
                station.stream.now,
            ),
            criteria=CriteriaState(),
            correction=start_correction(loading.mean, loading.range / 2),
            always_wet=plan.exposure == "submerged",
        )
        self.inspect_at: int | None = None
        self.inspected = 0
        self._compare: tuple[int, float] | None = None  # at which count, with which stiffness
        self.run_out = stage.run_out
        self._grown = 0  # frame at which the amplitude of a build-up is whole
        standing.on_fall = self.to_rest

    async def restore(self, taken: TakenUp) -> tuple[str, ...]:
        """Stand where a test was cut off; return why its last cycles would have paused it.

        Raises StopNow where they end it.
        """
        point = taken.point
        if point["cycling"] is not None:
            self.state = self.state.restored(point["cycling"])
        self.inspected = point["inspected"]
        if math.isnan(taken.stiffness):
            self._compare = (taken.counted + FIRST_CYCLES, taken.cycles_stiffness)
        self.state, findings = self.state.caught_up(taken.later)
        self.state = replace(self.state, built_up=taken.built_up)
        for finding in findings:
            await self._found(finding)
        return tuple(finding.text for finding in findings if finding.action == "pause")

    async def run(self) -> None:
        """Cycle until a verdict, which comes as StopNow; build-up first."""
        self._station.chores.wet_stage = True
        inspections = self._station.plan.inspections
        planned = inspections.next_after(self.inspected) if inspections else None
        if inspections is not None and planned is not None and planned <= self.state.counted:
            self._station.book.enter("inspection", "go on", "it was cut off: made again")
            self._station.book.interruption_begins("inspection")
            await self._inspected(inspections)
        else:
            await self._again(kept=True)
        while True:
            missed = await self._station.chores.act() or self._station.no_water
            if missed:
                self._station.no_water = ""
                await self._no_water(missed)
                continue
            self._plan_counts()
            self.state = self.state.beside(self._station.water.wet, self._station.chores.air)
            decisions, judge = await self._station.stream.advance(self._next_frame(), self.state)
            if not isinstance(judge, Cycling):
                raise TypeError(f"cycling was handed on as {type(judge).__name__}")
            self.state = judge
            if any(d.kind == ASKED for d in decisions):
                await self._asked()
                continue
            await self._act(decisions)
            await self._attended()

    async def _again(self, *, kept: bool) -> None:
        """Build up; an unloaded specimen is approached first, as often as it is unloaded."""
        while True:
            try:
                if not kept:
                    self._station.book.enter("approach", "stage", "contact again")
                    await approach(self._station, self._station.contact_again)
                    kept = True
                await self._build_up()
                return
            except StageAgain:
                kept = False

    async def _build_up(self) -> None:
        """Go to the mean load and let the amplitude grow; the count goes on after it."""
        station, loading = self._station, self._loading
        station.book.enter("build-up", "stage")
        await station.arm_fixed()
        await station.load_to(loading.mean, station.unload_rate)
        over = self._stage.build_up / loading.frequency
        correction = allowed_for(self.state.correction, station.rig.share())
        correction = built_up_again(correction, self._stage.build_up)
        setup = self.state.setup
        self.state = replace(
            self.state,
            setup=replace(setup, health=replace(setup.health, ranges=shifted_ranges(station))),
            correction=correction,
            quiet_since=station.stream.now + station.stream.frames(QUIET_SHARE * over),
            give_up_at=self.state.built_up + self._stage.build_up + BUILD_UP_EXTRA,
            extraction=begin(
                loading.mean,
                FIRST_SPAN * loading.range,
                station.stream.now,
            ),
            # Somebody may have mended a channel meanwhile: it is told anew if it fails again.
            health=HealthState(spikes=self.state.health.spikes),
            counting=False,
            falling=False,
        )
        self.inspect_at = None
        await station.rig.actuator.cycle(
            correction.mean, correction.amplitude, loading.frequency, over
        )
        self._grown = station.stream.now + station.stream.frames(over)
        station.cycling = True

    def grown_in(self) -> float | None:
        """Return in how long [s] the amplitude of a build-up is whole, None before it grows."""
        left = self._grown - self._station.stream.now
        return left / self._station.stream.rate if left > 0 else None

    async def _act(self, decisions: tuple[Decision, ...]) -> None:
        """Act on decisions; what ends the test goes first."""
        doubts = [await self._in_doubt(decision) for decision in decisions]
        findings = [d.detail for d in decisions if isinstance(d.detail, Finding)]
        for finding in findings:
            await self._found(finding)
        for decision in decisions:
            if decision.kind == "counting" and isinstance(decision.detail, int):
                await self._counting(decision.detail)
            elif isinstance(decision.detail, Adjustment):
                await self._adjust(decision.detail)
        doubted = [*filter(None, doubts)]
        if doubted and not self._station.attended:
            # Nobody can look: what such a channel shows from here on is worthless.
            raise StopNow("fault", "fault", doubted[0])
        pauses = [*doubted, *(f.text for f in findings if f.action == "pause")]
        if pauses and self._station.attended:
            await self._pause("finding", pauses[0])
        elif any(d.kind == "count" for d in decisions):
            await self._count_reached()

    async def _in_doubt(self, decision: Decision) -> str:
        """Stop where feedback or cycling is in doubt; return why a sensor calls for a pause."""
        if decision.kind == "silent":
            raise StopNow("feedback", "fault", str(decision.detail))
        if decision.kind == "not reached":
            raise StopNow("fault", "fault", str(decision.detail))
        if isinstance(decision.detail, HealthFinding):
            finding = decision.detail
            if finding.action == "fault":
                raise StopNow("feedback", "fault", finding.text)
            self._station.book.event("sensor", finding.text)
            self._station.notice(finding.text)
            return finding.text if finding.action == "pause" else ""
        return ""

    async def _counting(self, first: int) -> None:
        station = self._station
        station.book.enter("cycling", "range reached", f"counts from cycle {first:,}")
        self._plan_inspection()
        self._arm_learned()
        left = self._stage.run_out - self.state.counted
        counter = (await station.rig.actuator.status()).counter
        await station.rig.actuator.stop_at(counter + left + COUNT_MARGIN)

    async def _found(self, finding: Finding) -> None:
        book = self._station.book
        kind = "verdict" if finding.action in _ENDS else finding.kind
        book.event(kind, finding.text)
        if finding.action in ("warn", "pause", ALERT):
            self._station.notice(finding.text)
        if finding.kind == "baseline":
            base = self.state.criteria.baseline
            book.baseline_stiffness = base.stiffness if base else None
            self._arm_learned()
            self.state = replace(self.state, correction=settled(self.state.correction))
        if finding.action in _ENDS:
            raise StopNow(_ENDS[finding.action], finding.action, finding.text, finding.cycle)
        if finding.action == "pause" and not self._station.attended:
            if finding.kind == CONFLICT:
                # Nobody can look which of the channels is right: neither failure nor going on.
                raise StopNow("fault", "fault", finding.text, finding.cycle)
            book.event("pause", f"{finding.kind}: nobody answers in a rehearsal, goes on")

    def _arm_learned(self) -> None:
        """Arm the learned limits once the baseline is known and the load is at its target."""
        station, base = self._station, self.state.criteria.baseline
        if base is None or not self.state.counting:
            return
        bounds = learned_of(station.plan, self._loading, base)
        station.stream.arm(combine(station.fixed_bounds(), bounds), station.plan.limits.persist)

    async def _adjust(self, change: Adjustment) -> None:
        station = self._station
        if change.told:
            station.book.event("correction", change.told)
            station.notice(change.told)
        if change.moves:
            await station.rig.actuator.adjust(change.mean, change.amplitude)
            self.state = replace(self.state, commanded=station.stream.now)

    def _plan_counts(self) -> None:
        """Tell the judge at which counts something is due."""
        due = set()
        station = self._station
        if self.inspect_at is not None:
            due.add(self.inspect_at)
        compare = self._compare[0] if self._compare is not None else None
        for cycle in (compare, station.water.due_cycle, station.window_cycle):
            if cycle is not None:
                due.add(max(cycle, self.state.counted + 1))
        if tuple(sorted(due)) != self.state.due:
            self.state = replace(self.state, due=tuple(sorted(due)))

    def _plan_inspection(self) -> None:
        """Settle the count of the next inspection, in working hours where the protocol asks."""
        now = self._utc() if self._utc is not None else None
        frequency, counted = self._loading.frequency, self.state.counted
        self.inspect_at = next_inspection(
            self._station.plan, self._stage.run_out, self.inspected, counted, now, frequency
        )

    async def _count_reached(self) -> None:
        """Do what a reached count calls for: water first, then the inspection."""
        counted, water = self.state.counted, self._station.water
        if self._compare is not None and counted >= self._compare[0]:
            expected, self._compare = self._compare[1], None
            if why := self._differs(expected):
                await self._pause("finding", why)
                return
        if water.due_cycle is not None and counted >= water.due_cycle:
            missed = await water.act(self._station.stream.now, counted)
            if missed:
                await self._no_water(missed)
                return
        if self.inspect_at is not None and counted >= self.inspect_at:
            await self._inspect()

    def _differs(self, expected: float) -> str:
        """Hold the first cycles after an interruption against the last before; say what differs.

        Where nobody can answer it is only written down.
        """
        stiffness = float(np.nanmedian(self.state.criteria.recent[1][-FIRST_CYCLES:]))
        words, same = compared(stiffness, expected)
        if words:
            self._station.book.event("resume", f"{words} of the last cycles before")
        return "" if same or not self._station.attended else words

    def _next_frame(self) -> int:
        frames = [self._station.chores.next_frame()]
        if self._station.window_frame is not None:
            frames.append(self._station.window_frame)
        return max(min(frames), self._station.stream.now + 1)

    async def _no_water(self, text: str) -> None:
        """Pause or stop, as the protocol says, where two spray periods were missed in a row."""
        schedule = self._station.plan.spray
        why = f"{text}; two periods missed in a row"
        if self._station.attended and schedule is not None and schedule.then == "pause":
            await self._pause("no flow", why)
            return
        # Nobody can answer in a rehearsal, and going on dry would be another test.
        raise StopNow("spray", "fault", why, self.state.counted)

    async def _attended(self) -> None:
        """Pause when a window of attendance closes without anybody."""
        if self._station.unattended():
            await self._pause("unattended", UNATTENDED)

    async def _asked(self) -> None:
        """Pause or unload, as somebody asks; then build up again."""
        asked = self._standing.taken()
        if asked is None:
            return
        await self._station.begin_fall()
        await self._again(kept=await self._standing.interrupted(asked))

    async def _pause(self, cause: str, why: str) -> None:
        await self._station.begin_fall()
        await self._again(kept=await self._standing.pause(cause, why))

    async def _inspect(self) -> None:
        """Stop cycling, inspect, build up again."""
        station, inspections = self._station, self._station.plan.inspections
        if inspections is None:
            return
        await station.begin_fall()
        station.book.enter("inspection", "count", f"cycle {self.state.counted:,}")
        station.book.interruption_begins("inspection")
        await self._fall()
        await self._inspected(inspections)

    async def _inspected(self, inspections: Inspections) -> None:
        """Inspect, the amplitude being zero, and build up again."""
        station = self._station
        await station.water.pause(station.stream.now, self.state.counted)
        kept = await inspect(station, self._standing, inspections)
        # Only now: one that is cut off is made again.
        self.inspected = inspections.next_after(self.inspected) or self.inspected
        await self._again(kept=kept)

    async def to_rest(self) -> None:
        """Let the amplitude fall and go to lower load, for a pause."""
        await self._fall()
        await self._station.load_to(self._loading.lower, self._station.unload_rate)

    async def _fall(self) -> None:
        """Let the amplitude fall; these cycles are kept with the build-up ones."""
        self._station.book.interrupted()
        judge = await self._station.fall(replace(self.state, falling=True))
        if isinstance(judge, Cycling):
            self.state = judge

    async def run_down(self, after_end: bool) -> None:
        """Let the amplitude fall for a stop; after a verdict its cycles are flagged after-end."""
        judge = self._station.stream.judge
        if isinstance(judge, Cycling):
            self.state = judge
        self.state = replace(self.state, ended=after_end, falling=not after_end, due=())
        judge = await self._station.fall(self.state)
        if isinstance(judge, Cycling):
            self.state = judge
