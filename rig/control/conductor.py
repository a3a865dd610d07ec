"""The conductor: the one owner of the actuator, from the first motion to the end of the record.

It carries the plan's stages out in order. Everything that ends a test arrives here as StopNow;
here the rig is stopped by the category that the cause calls for, the samples after the stop are
kept, and the outcome is named. Stop categories are those of IEC 60204-1.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from rig.acquire.deflection import net_deflection
from rig.control.book import Book
from rig.control.cyclic_stage import CyclicStage
from rig.control.cycling import Cycling
from rig.control.looking import Judge
from rig.control.slow_stages import approach, hold, ramp, static
from rig.control.station import Station
from rig.control.stream import StopNow, Stream
from rig.criteria.outcome import OutcomeSetup, after_limit
from rig.errors import DeviceError
from rig.ports import Rig
from rig.protocol.plan import Approach, Cyclic, Hold, Plan, Ramp, Stage, Static
from rig.record.recorder import Recorder
from rig.samples import SampleBlock

_VALVE_FIRST: Final = frozenset({"failure", "ultimate", "limit"})
"""Outcomes after which nothing is moved by command: the specimen may be broken."""

_DOUBTFUL: Final = frozenset({"feedback", "polarity", "limits", "silent", "device", "watchdog"})
"""Causes that put feedback or controller in doubt: no motion by load after them."""

_GENERAL: Final = {"run-out": "end", "operator": "operator", "fault": "fault"}
"""The rig file's word for a stop whose own cause it does not name."""

USUAL_LOSS: Final = 0.40
"""Stiffness loss that is a failure where the protocol arms none; common practice, no source."""

_STATE_OF: Final[dict[type, str]] = {
    Approach: "approach",
    Static: "static",
    Ramp: "ramp",
    Hold: "hold",
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a run ended: outcome, why, and the count at the verdict."""

    outcome: str
    why: str
    cycles: int


class Conductor:
    """Runs one plan on one rig. Use `run` once.

    `snapshot` gives a simulated rig's own state for the restart point.
    """

    def __init__(
        self,
        plan: Plan,
        rig: Rig,
        recorder: Recorder,
        *,
        one_tick: bool = False,
        snapshot: Callable[[], Mapping[str, object]] | None = None,
    ) -> None:
        self._plan = plan
        self._snapshot = snapshot
        self._rig = rig
        self.stream = Stream(rig, one_tick=one_tick)
        self.book = Book(plan, recorder, self.stream.rate, self._restart_point)
        self.stream.on_kept = self.book.kept
        self.stream.on_settled = self.book.settled
        self._station = Station(plan, rig, self.stream, self.book)
        self._cyclic: CyclicStage | None = None
        self._stage = ""

    async def run(self) -> Verdict:
        """Carry the plan out, stop the rig in every case, and name the outcome."""
        try:
            await self._stages()
            stop = StopNow("done", "run-out", "all stages done", self.book.counted)
        except StopNow as ended:
            stop = ended
        except DeviceError as error:
            stop = StopNow("device", "fault", str(error), self.book.counted)
        except asyncio.CancelledError:
            _forget_cancellation()
            stop = StopNow("operator", "operator", "stopped from the keyboard", self.book.counted)
        except BaseException:
            await self._stand_still()
            raise
        try:
            return await self._stop(stop)
        except BaseException:
            await self._stand_still()
            raise

    async def _stand_still(self) -> None:
        """Stop without a record: whatever happened here, the rig must not go on."""
        await self._rig.actuator.close_valve()
        await self._rig.actuator.pressure("off")
        if self._rig.pump is not None:
            await self._rig.pump.set(False)

    async def _stages(self) -> None:
        self.book.enter("starting", self._plan.title)
        await self._station.arm_fixed()
        await self._rig.actuator.pressure("high")
        for stage in self._plan.stages:
            self._stage = stage.name
            await self._one(stage)

    async def _one(self, stage: Stage) -> None:
        if isinstance(stage, Cyclic):
            if self._plan.loading is None:
                raise ValueError("a cyclic stage needs [loading]; the protocol check refuses it")
            self._cyclic = CyclicStage(self._station, stage, self._plan.loading)
            await self._cyclic.run()
            return
        self.book.enter(_STATE_OF[type(stage)], stage.name)
        await self._station.arm_fixed()
        if isinstance(stage, Approach):
            await approach(self._station, stage)
        elif isinstance(stage, Static):
            await static(self._station, stage)
        elif isinstance(stage, Ramp):
            await ramp(self._station, stage)
        else:
            await hold(self._station, stage)

    async def _stop(self, stop: StopNow) -> Verdict:
        """Stop by category, keep what follows, name the outcome. Acts first, records next."""
        stopped = self.stream.now
        valve_first = (
            stop.outcome in _VALVE_FIRST or stop.cause in _DOUBTFUL or self._category(stop) == 0
        )
        if valve_first:
            await self._rig.actuator.close_valve()
        self.stream.known_cause = stop.cause
        self.book.recent.hold()
        self.book.enter("stopping", stop.why)
        if stop.trip is not None:
            self.book.event("limit", stop.trip.text)
        self.book.interrupted()
        if not valve_first:
            await self._controlled(stop)
        await self._after(stop, stopped)
        verdict = self._name(stop, stopped)
        self.book.enter("stopped", f"{verdict.outcome}: {verdict.why}")
        return verdict

    async def _controlled(self, stop: StopNow) -> None:
        """Make the normal stop; whatever gets in its way closes the valve."""
        try:
            if self._station.cycling and self._cyclic is not None:
                await self._cyclic.run_down(after_end=stop.outcome == "run-out")
            await self._station.normal_stop()
        except (StopNow, DeviceError) as again:
            await self._rig.actuator.close_valve()
            self.book.event("stop", f"while stopping: {again}; valve closed")

    def _category(self, stop: StopNow) -> int:
        """Return the stop category that the rig file names for a cause; 1 where it names none."""
        stops = self._plan.rig.stops
        return stops.get(stop.cause, stops.get(_GENERAL[stop.outcome], 1))

    async def _after(self, stop: StopNow, stopped: int) -> None:
        """Keep the samples after the stop; nothing moves by command any more."""
        self.stream.disarm()
        self.stream.inputs_matter = False
        if self._water_must_end(stop):
            await self._station.water_off()
        await self._station.wait(self._plan.full_rate.after_stop)
        await self._rig.actuator.pressure("off")
        if self.book.water_on:
            self.book.water(self.stream.now, on=False)
        self.book.around_stop(stopped)

    def _water_must_end(self, stop: StopNow) -> bool:
        """Water stays on after a stop only where the protocol says so and nothing forbids it."""
        spray = self._plan.spray
        return spray is None or spray.on_stop == "off" or stop.cause in ("leak", "emergency_stop")

    def _name(self, stop: StopNow, stopped: int) -> Verdict:
        """Name the outcome; a limit is named after the evidence of the samples kept."""
        cycles = stop.cycles or self.book.counted
        if stop.outcome != "limit":
            return Verdict(stop.outcome, stop.why, cycles)
        loading, loss = self._plan.loading, self._plan.failure.stiffness_loss
        if self._cyclic is None or loading is None:
            return Verdict("limit", stop.why, cycles)
        base = self._cyclic.state.criteria.baseline
        # One whole cycle and more before the trip, and all that is kept after it.
        from_frame = stopped - round(2 * self.stream.rate / loading.frequency)
        first, values = self.book.recent.cut(from_frame, self.stream.now)
        block = SampleBlock(first, self.stream.rate, self.book.sampled, values)
        setup = OutcomeSetup(
            upper=loading.upper,
            rate=self.stream.rate,
            deflection_per_load=base.deflection_max / loading.upper if base else math.nan,
            loss_stop=loss.stop if loss else USUAL_LOSS,
        )
        at = (stop.trip.frame if stop.trip else stopped) - first
        outcome, why = after_limit(setup, stop.why, block.of("load"), net_deflection(block), at)
        return Verdict(outcome, why, cycles)

    def _restart_point(self, judge: Judge) -> Mapping[str, object]:
        """Return what a resumption needs, as plain values."""
        newest = judge if isinstance(judge, Cycling) else None
        if newest is None and self._cyclic is not None:
            # In an inspection: where cycling stood when it paused.
            newest = self._cyclic.state
        return {
            "stage": self._stage,
            "state": self.book.state,
            "frame": self.stream.now,
            "next_cycle": self.book.counted + 1,
            "cycling": newest.to_plain() if newest else None,
            "rig": self._snapshot() if self._snapshot else None,
            "spray": self._cyclic.spray_to_plain() if self._cyclic else None,
            "baseline_stiffness": self.book.baseline_stiffness,
        }


def _forget_cancellation() -> None:
    """Let the stop that follows a cancellation run to its end."""
    task = asyncio.current_task()
    if task is not None:
        task.uncancel()
