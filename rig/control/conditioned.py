"""A rig as seen through its calibrations: everything above it reads and commands what is true.

Limits, sentry, control, correction and record all see the same corrected samples; the
controller is told and asked in what it shows itself. Where a rig file says nothing of the sort
blocks are handed on as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final, cast

import numpy as np

from rig.acquire.softness import Way, gone, share_to_command
from rig.control.conditioning import Facts, Seen, condition, facts_of
from rig.ports import Acquisition, Actuator, ActuatorRange, ActuatorStatus, Glance, Post, Rig
from rig.protocol.plan import Plan
from rig.samples import SampleArray, SampleBlock

HAIR: Final = 1e-9
"""Of a range: what there and back through a calibration may be off by rounding."""


def conditioned(rig: Rig, plan: Plan) -> Rig:
    """Return the rig as seen through the calibrations and the frame of a plan's rig file."""
    facts = facts_of(plan)
    samples = Conditioned(rig.acquisition, facts)
    return replace(
        rig,
        actuator=cast("Actuator", Commanded(rig.actuator, samples)),
        acquisition=cast("Acquisition", samples),
        post=ConditionedPost(rig.post, samples) if rig.post is not None else None,
        shift=samples.shift,
        share=samples.share,
    )


class Conditioned:
    """Samples made true; whatever else the acquisition can do it does itself.

    `shifts` [SI] are added to the channels they name. They are no part of a simulated rig's
    snapshot.
    """

    def __init__(self, acquisition: Acquisition, facts: Facts) -> None:
        self.facts = facts
        self.shifts: Mapping[str, float] = {}
        self._acquisition = acquisition
        self._seen = Seen()
        self._way = Way()
        self._handed: tuple[SampleBlock, SampleArray, Seen] | None = None  # as it came, made true
        self._buffers: list[SampleArray] = [np.empty((0, 0), np.float32)] * 2
        self._turn = 0

    def __getattr__(self, name: str) -> Any:
        """Return what is the acquisition's own: channels, rate, what a simulated rig can do."""
        return getattr(self._acquisition, name)

    def shift(self, channel: str, by: float) -> None:
        """Add to what a sampled channel reads [SI] from the next sample that is read.

        Raises ValueError for a channel that is not sampled.
        """
        sampled = [c.name for c in self._acquisition.channels if not c.slow]
        if channel not in sampled:
            raise ValueError(f"{channel!r} is not sampled; sampled are {', '.join(sampled)}")
        # Replaced whole: the threads in which samples arrive look at it too.
        self.shifts = {**self.shifts, channel: self.shifts.get(channel, 0.0) + by}

    @property
    def active(self) -> bool:
        """Whether any sample differs from what is shown."""
        return self.facts.any or bool(self.shifts)

    async def read(self, frames: int) -> SampleBlock:
        """Return the next frames, made true; their values stay while the next block is read."""
        block = await self._acquisition.read(frames)
        if not self.active:
            return block
        values = self._copied(block)
        seen = condition(self.facts, self.shifts, self._seen, block.channels, values)
        self._handed = block, values, seen
        return replace(block, values=values)

    async def keep(self, frames: int) -> None:
        """Accept the first frames of the block: those after them have never been."""
        if self._handed is not None:
            (block, values, seen), self._handed = self._handed, None
            if frames < block.frames:
                head = block.values[:, :frames].copy()
                seen = condition(self.facts, self.shifts, self._seen, block.channels, head)
            self._seen = seen
            self._go(block.channels, values[:, :frames])
        await self._acquisition.keep(frames)

    def _go(self, channels: tuple[str, ...], values: SampleArray) -> None:
        """Remember how far the rod goes for a load, where a mass moves with it."""
        inertia = self.facts.inertia
        if inertia is not None and {"load", "stroke"} <= set(channels):
            load, stroke = (values[channels.index(name)] for name in ("load", "stroke"))
            self._way = gone(inertia, self._way, load, stroke)

    def share(self) -> float:
        """Return which share of an amplitude is to be commanded before any cycle was corrected.

        A mass that moves above the cell will add to it by the rest.
        """
        return share_to_command(self.facts.inertia, self._way) if self.facts.inertia else 1.0

    async def slow(self) -> dict[str, float]:
        """Return the present values of the slow channels, made true."""
        values = await self._acquisition.slow()
        if not self.facts.points:
            return values
        return {name: self.facts.true(name, value) for name, value in values.items()}

    def _copied(self, block: SampleBlock) -> SampleArray:
        # What was read last must stay as it is while the next block is made.
        self._turn = 1 - self._turn
        room = self._buffers[self._turn]
        if room.shape[0] != block.values.shape[0] or room.shape[1] < block.frames:
            room = self._buffers[self._turn] = np.empty(block.values.shape, np.float32)
        copied = room[:, : block.frames]
        copied[:] = block.values
        return copied


class ConditionedPost:
    """Samples made true at the moment they arrive.

    Where load and motion come from different devices, the look at a sample sees the load without
    what the moving mass takes off it; the blocks that are read a moment later have all of it.
    """

    def __init__(self, post: Post, samples: Conditioned) -> None:
        self._post = post
        self._samples = samples

    def stand(self, glance: Glance | None) -> None:
        """Show every batch of frames that arrives to `glance`; None ends it."""
        self._post.stand(None if glance is None else _Looking(glance, self._samples).look)


class _Looking:
    """A glance at true samples; for each device its own thread comes here."""

    def __init__(self, glance: Glance, samples: Conditioned) -> None:
        self._glance = glance
        self._samples = samples
        self._seen: dict[tuple[str, ...], tuple[int, Seen]] = {}

    def look(self, block: SampleBlock) -> bool:
        if not self._samples.active:
            return self._glance(block)
        following, seen = self._seen.get(block.channels, (block.first, Seen()))
        if following != block.first:
            seen = Seen()  # the device has begun anew
        values = block.values.copy()
        facts, shifts = self._samples.facts, self._samples.shifts
        seen = condition(facts, shifts, seen, block.channels, values)
        self._seen[block.channels] = block.end, seen
        return self._glance(replace(block, values=values))


class Commanded:
    """The controller, told and asked in what it shows itself; what needs no figures passes.

    What it shows is taken to be what the channels `load`, `stroke` and `midspan` show. A
    deflection is translated by the calibration of mid-span alone, not by shifts.
    """

    def __init__(self, actuator: Actuator, samples: Conditioned) -> None:
        self._actuator = actuator
        self._samples = samples

    def __getattr__(self, name: str) -> Any:
        """Return what needs no translation."""
        return getattr(self._actuator, name)

    @property
    def range(self) -> ActuatorRange:
        """Ranges the controller accepts, in true figures."""
        own = self._actuator.range
        return replace(
            own,
            load_low=self._true("load", own.load_low),
            load_high=self._true("load", own.load_high),
            stroke_low=self._true("stroke", own.stroke_low),
            stroke_high=self._true("stroke", own.stroke_high),
        )

    async def move_stroke(self, to: float, speed: float) -> None:
        """Ramp to a stroke [m]."""
        await self._actuator.move_stroke(self._shown("stroke", to), speed)

    async def move_load(self, to: float, rate: float) -> None:
        """Ramp to a load [N]."""
        await self._actuator.move_load(self._shown("load", to), rate)

    async def move_deflection(self, to: float, speed: float) -> None:
        """Ramp net deflection [m]."""
        await self._actuator.move_deflection(self._shown("deflection", to), speed)

    async def cycle(self, mean: float, amplitude: float, frequency: float, over: float) -> None:
        """Cycle sinusoidally between what shows the wanted loads [N]."""
        await self._actuator.cycle(*self._wave(mean, amplitude), frequency, over)

    async def adjust(self, mean: float, amplitude: float) -> None:
        """Change mean and amplitude [N]."""
        await self._actuator.adjust(*self._wave(mean, amplitude))

    async def write_limits(self, limits: Mapping[str, tuple[float, float]]) -> None:
        """Write the controller's own limits."""
        own = {k: (self._shown(k, v[0]), self._shown(k, v[1])) for k, v in limits.items()}
        await self._actuator.write_limits(own)

    async def read_limits(self) -> dict[str, tuple[float, float]]:
        """Read the controller's own limits back."""
        own = await self._actuator.read_limits()
        return {k: (self._true(k, v[0]), self._true(k, v[1])) for k, v in own.items()}

    async def status(self) -> ActuatorStatus:
        """Ask the controller for its state."""
        found = await self._actuator.status()
        if self._as_shown("stroke"):
            return found
        return replace(found, stroke=self._true("stroke", found.stroke))

    def _wave(self, mean: float, amplitude: float) -> tuple[float, float]:
        if self._as_shown("load"):
            return mean, amplitude
        upper = self._shown("load", mean + amplitude)
        lower = self._shown("load", mean - amplitude)
        return (upper + lower) / 2, (upper - lower) / 2

    def _as_shown(self, name: str) -> bool:
        """Tell whether what is shown is true: then no rounding must come of it."""
        return name not in self._samples.facts.points and not self._samples.shifts.get(name)

    def _true(self, name: str, shown: float) -> float:
        shift = self._samples.shifts.get(name, 0.0)
        return self._samples.facts.true(_channel(name), shown, shift)

    def _shown(self, name: str, true: float) -> float:
        shift = self._samples.shifts.get(name, 0.0)
        shown = self._samples.facts.shown(_channel(name), true, shift)
        own = self._actuator.range
        # The end of a range, there and back, must not become a set-point beyond it.
        ends = {
            "load": (own.load_low, own.load_high),
            "stroke": (own.stroke_low, own.stroke_high),
        }.get(name, ())
        return next((e for e in ends if abs(shown - e) <= HAIR * max(map(abs, ends))), shown)


def _channel(name: str) -> str:
    """Return the channel by which the controller knows a quantity."""
    return "midspan" if name == "deflection" else name
