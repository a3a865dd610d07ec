"""The stream of blocks: read, look, cut where a decision falls, keep.

One rule makes a rehearsal independent of the length of its blocks: decisions act at ticks, the
multiples of 20 ms of device time. With blocks of one tick a decision found in a block acts at
its end; in a longer block it is found inside, the rig is put back to the next tick, and the
samples after it have never been.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.control.looking import Decision, Judge, Look, Nothing
from rig.guards.limits import LimitSetup, LimitState, Trip, check_limits
from rig.ports import InputState, Rig
from rig.samples import SampleArray, SampleBlock

TICK_SECONDS: Final = 0.02
_INPUT_WORDS: Final = {
    "emergency_stop": "emergency stop pressed",
    "guard": "guard opened",
    "leak": "water found where none may be",
    "oil": "oil pressure low",
}
LONGEST_BLOCK: Final = 100_000


class StopNow(Exception):
    """The test ends or must be stopped: cause for the rig, outcome and why for people."""

    def __init__(
        self, cause: str, outcome: str, why: str, cycles: int = 0, trip: Trip | None = None
    ) -> None:
        super().__init__(why)
        self.cause = cause
        self.outcome = outcome
        self.why = why
        self.cycles = cycles
        self.trip = trip


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
    asked for it: it does not ask again.
    """

    def __init__(self, rig: Rig, one_tick: bool = False) -> None:
        self._rig = rig
        self.on_kept: Callable[[Kept], None] = _ignore
        self.on_settled: Callable[[Judge], None] = _ignore
        self.rate = rig.acquisition.rate
        self.tick = max(round(self.rate * TICK_SECONDS), 1)
        self._longest = self.tick if one_tick else LONGEST_BLOCK // self.tick * self.tick
        self._length = self.tick
        # One array for all blocks: fresh memory for each would cost more than the subtraction.
        self._room = np.empty(self._longest, np.float32)
        self.now = 0
        self._limits: LimitSetup | None = None
        self._limit_state = LimitState()
        self.inputs_matter = True
        self.known_cause = ""
        self.judge: Judge = Nothing()

    def arm(self, bounds: Mapping[str, tuple[float, float]], persist: int) -> None:
        """Check these bounds [SI] from the next sample on, instead of those before."""
        names = {c.name for c in self._rig.acquisition.channels if not c.slow} | {"deflection"}
        self._limits = LimitSetup(
            bounds={k: v for k, v in bounds.items() if k in names},
            persist=persist,
            rate=self.rate,
        )
        self._limit_state = LimitState()

    def disarm(self) -> None:
        """Check no bounds: only while nothing is commanded any more."""
        self._limits = None

    def frames(self, seconds: float) -> int:
        """Return a duration [s] in frames, whole ticks, at least one."""
        ticks = -(-round(seconds * self.rate) // self.tick)
        return max(ticks, 1) * self.tick

    async def advance(self, until: int, judge: Judge) -> tuple[tuple[Decision, ...], Judge]:
        """Go on until a frame or the first decision of the judge; return what was decided.

        Raises StopNow when a limit, an input or the controller ends the motion.
        """
        until = -(-until // self.tick) * self.tick
        while self.now < until:
            look = await self._one_block(until, judge)
            judge = look.judge
            if look.decisions:
                return look.decisions, judge
        return (), judge

    async def _one_block(self, until: int, judge: Judge) -> Look:
        acquisition = self._rig.acquisition
        block = await acquisition.read(min(self._length, until - self.now))
        deflection = net_deflection(block, self._room)
        state, trip = self._check(block, deflection)
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
            look = judge.look(block, deflection)
        cancelled = await self._keep(block.frames)
        self._length = min(max(2 * block.frames, self.tick), self._longest)
        self._limit_state = state
        self.now = block.end
        self.judge = look.judge
        self.on_kept(Kept(block, deflection, look))
        await self._after(trip)
        if cancelled is not None:
            raise cancelled
        if not look.decisions:
            self.on_settled(look.judge)
        return look

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

    async def _after(self, trip: Trip | None) -> None:
        """Act on what no stage may overlook; the heartbeat only when all is well."""
        if trip is not None:
            outcome = "fault" if trip.kind == "feedback" else "limit"
            raise StopNow(
                "feedback" if outcome == "fault" else "limit", outcome, trip.text, trip=trip
            )
        if not self.inputs_matter:
            return
        cause = _input_cause(await self._rig.inputs.read())
        if cause and cause != self.known_cause:
            raise StopNow(cause, "fault", _INPUT_WORDS[cause])
        await self._rig.actuator.heartbeat()
        status = await self._rig.actuator.status()
        if status.stopped_by == "limit":
            raise StopNow("limit", "limit", f"the controller's own limit: {status.tripped}")
        if status.stopped_by == "count":
            raise StopNow("count", "fault", "the controller's count ran out before the verdict")
        if status.stopped_by == "watchdog" and self.known_cause != "watchdog":
            raise StopNow("watchdog", "fault", "the controller's watchdog stopped the rig")


def _ignore(_happened: object) -> None:
    """Take no notice."""


def _input_cause(state: InputState) -> str:
    """Return the stop cause that an input calls for, in the rig file's words, or nothing."""
    if state.emergency_stop:
        return "emergency_stop"
    if state.guard_open:
        return "guard"
    if state.leak:
        return "leak"
    if state.oil_pressure_low:
        return "oil"
    return ""
