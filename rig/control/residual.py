"""Residual capacity: after a run-out the same specimen is inspected, then broken slowly.

The run-out stands from the moment it is found: whatever becomes of the static test, the fatigue
test has that outcome and that count. A live rig stands at lower load until somebody lets the
specimen be broken: nobody should find that out by its noise.
"""

from __future__ import annotations

from dataclasses import replace

from rig.control.cyclic_stage import CyclicStage
from rig.control.inspecting import inspect, static_check_of
from rig.control.slow_stages import approach
from rig.control.standing import Standing
from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.control.taken_up import TakenUp, Verdict
from rig.control.zeros import lift_off_and_read
from rig.protocol.plan import Approach, Inspections
from rig.protocol.residual import residual_stages
from rig.record.entries import RAN_OUT

ASKS: Inspections = Inspections((), None, None, False, None)
"""What is looked at after a run-out where the protocol asks for no inspections."""


class ResidualTest:
    """What comes between a run-out and the static test after it, on one station."""

    def __init__(self, station: Station, standing: Standing) -> None:
        self._station, self._standing = station, standing
        self._free = False

    async def cycled(self, cyclic: CyclicStage) -> None:
        """Cycle to a verdict, which comes as StopNow; inspect a run-out that is to be broken."""
        if self._station.ran_out is not None:
            self._station.book.enter("inspection", "go on", "it was cut off: made again")
            await self._inspect()
            return
        try:
            await cyclic.run()
        except StopNow as stop:
            if not self._follows(stop):
                raise
            await self._run_out(stop, cyclic)

    def _follows(self, stop: StopNow) -> bool:
        """Tell whether the protocol goes on after a stop: only after a run-out it may."""
        return stop.outcome == "run-out" and bool(residual_stages(self._station.plan))

    async def _run_out(self, stop: StopNow, cyclic: CyclicStage) -> None:
        """Let the amplitude fall after a run-out, its cycles flagged after-end, and inspect."""
        station = self._station
        try:
            await station.begin_fall()
        finally:
            self._stands(stop)  # also where the controller does not answer
        # The controller stops by its own count soon after, or has done so: that ends nothing now.
        station.stream.stopped_before = "count"
        station.book.enter("inspection", "count", f"cycle {stop.cycles:,}, its run-out")
        station.book.interrupted()
        await cyclic.run_down(True)
        await self._inspect()

    async def restored(self, cyclic: CyclicStage, taken: TakenUp) -> tuple[str, ...]:
        """Put the cyclic stage where a test was cut off; return what would have paused it.

        A run-out that only the rows behind the restart point tell stands from now on. Raises
        StopNow where they end the test.
        """
        if self._station.ran_out is None:
            try:
                return await cyclic.restore(taken)
            except StopNow as stop:
                if not self._follows(stop):
                    raise
                self._stands(stop)
                return ()
        # Cycles after the verdict are judged by nothing.
        state = cyclic.state.restored(taken.point["cycling"])
        cyclic.state = replace(state, ended=True, counted=taken.counted, built_up=taken.built_up)
        cyclic.inspected = taken.point["inspected"]
        return ()

    def skipped(self, verdict: Verdict) -> None:
        """Write that a specimen which failed is not broken once more."""
        if verdict.outcome == "failure" and residual_stages(self._station.plan):
            self._station.book.event("skipped", "residual capacity: the specimen has failed")

    def was_freed(self) -> bool:
        """Tell once whether the specimen was unloaded while the rig stood after the run-out."""
        free, self._free = self._free, False
        return free

    def _stands(self, stop: StopNow) -> None:
        """Let the run-out be the outcome of the fatigue test from here on."""
        station = self._station
        station.ran_out = Verdict(stop.outcome, stop.why, stop.cycles, stop.cause)
        last = residual_stages(station.plan)[-1].name
        station.book.event(RAN_OUT, f"run-out at cycle {stop.cycles:,}; then: {last}")

    async def _inspect(self) -> None:
        station = self._station
        await station.water.pause(station.stream.now, station.book.counted)
        asked = station.plan.inspections or ASKS
        asked = replace(
            asked,
            static_check=static_check_of(station),
            go_on_after=None if station.live else asked.go_on_after or 0.0,
        )
        self._free = not await inspect(station, self._standing, asked)


async def approach_anew(station: Station, stage: Approach) -> None:
    """Unload a specimen that has run out, lift off, read the zeros, and make contact anew."""
    if station.book.latest_load > station.seat:
        await station.load_to(station.seat, station.unload_rate)
    await lift_off_and_read(station, "after the run-out")
    way = max(stage.give_up_after, station.contact_again.give_up_after)
    await approach(station, replace(stage, give_up_after=way))


def keep_away(station: Station) -> None:
    """Tell from which load on nobody may be within reach of a specimen that is broken."""
    station.book.event("caution", f"{station.people_out_words}: a breaking specimen throws pieces")
