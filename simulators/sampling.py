"""What the acquisition makes of the rig's signals: noise, resolution, range, accidents."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from rig.channels import Channel
from rig.samples import FloatArray, SampleArray, SampleBlock
from simulators.faults import Fault, Flat, InLoop, Missing, Moved, SensorFault, Silent, Spike
from simulators.loop import frames_of, shown
from simulators.noise import Noise
from simulators.sensors import reading_shown
from simulators.signals import Signals
from simulators.spoiling import Spoiling
from simulators.state import RigState, World
from simulators.stretch import Stretch

Reading = Callable[[Signals, RigState], FloatArray]
Piece = tuple[Stretch, int, int]
"""Frames [begin, end) of a stretch."""
_Made = tuple[Stretch, int, int, Signals]

MARGIN: Final = 8.0  # standard deviations that noise never exceeds


class Sampler:
    """Blocks of all sampled channels from pieces of stretches.

    A block's values stay untouched while the next one is made: two buffers alternate. `stuck`
    holds the values at which channels stand still, by number of the fault.
    """

    def __init__(self, world: World, seed: int) -> None:
        self.stuck: dict[int, float] = {}
        self._world = world
        self._sampled = tuple(c for c in world.setup.channels if not c.slow)
        self._names = tuple(c.name for c in self._sampled)
        units = [c.resolution or 1.0 for c in self._sampled]
        self._units = [np.float32(u) for u in units]
        deviations = tuple(c.noise / u for c, u in zip(self._sampled, units, strict=True))
        self._noise = Noise(seed, deviations)
        self._margins = [MARGIN * d for d in deviations]
        self._readings: dict[str, Reading] = {n: reading_shown(n, world) for n in self._names}
        self._buffers: list[SampleArray] = [np.empty((0, 0), np.float32)] * 2
        self._turn = 0
        spoiling = Spoiling(world, seed)
        self._spoiling = {n: spoiling for n in self._names if spoiling.concerns(n)}

    def block(self, first: int, end: int, pieces: list[Piece]) -> SampleBlock:
        """Make the frames [first, end), which the pieces cover."""
        values = self._buffer(end - first)
        made = [
            (s, b, e, s.one_cycle() if s.period else s.signals(np.arange(b, e)))
            for s, b, e in pieces
            if e > b
        ]
        for row, channel in enumerate(self._sampled):
            self._fill(values[row], row, channel, first, made)
        self._noise.prefetch(first, end)
        return SampleBlock(first, self._world.rate, self._names, values)

    def close(self) -> None:
        """End the noise thread."""
        self._noise.close()

    def _buffer(self, frames: int) -> SampleArray:
        self._turn = 1 - self._turn
        if self._buffers[self._turn].shape[1] < frames:
            self._buffers[self._turn] = np.empty((len(self._sampled), frames), np.float32)
        return self._buffers[self._turn][:, :frames]

    def _fill(
        self, out: SampleArray, row: int, channel: Channel, first: int, made: list[_Made]
    ) -> None:
        unit, margin = float(self._units[row]), self._margins[row]
        low, high = channel.low / unit, channel.high / unit
        saturated = False
        for stretch, begin, end, signals in made:
            part = out[begin - first : end - first]
            scaled = stretch.scaled.get(row)
            if scaled is None:
                values = self._readings[channel.name](signals, stretch.state) / unit
                scaled = values.astype(np.float32)
                if stretch.period:
                    stretch.scaled[row] = scaled
            if stretch.period:
                _repeat(part, scaled, (begin - stretch.origin) % stretch.period)
            else:
                part[:] = scaled
            saturated |= bool(scaled.min() < low + margin or scaled.max() > high - margin)
        self._noise.add(row, first, out)
        if channel.resolution:
            np.rint(out, out=out)
        if saturated:
            np.clip(out, np.float32(low), np.float32(high), out=out)
        if unit != 1:
            np.multiply(out, self._units[row], out=out)
        for number, fault in enumerate(self._world.setup.faults):
            self._spoil(out, first, channel, number, fault)
        if channel.name in self._spoiling:
            parts = [(s.state, b, e) for s, b, e, _ in made]
            self._spoiling[channel.name].apply(out, first, channel, parts)

    def _spoil(
        self, out: SampleArray, first: int, channel: Channel, number: int, fault: Fault
    ) -> None:
        if isinstance(fault, InLoop):
            fault = fault.fault
        if isinstance(fault, Silent):
            out[max(0, fault.begin - first) : max(0, fault.end - first)] = np.nan
            return
        if not isinstance(fault, Spike | Missing | SensorFault) or fault.channel != channel.name:
            return
        if isinstance(fault, Spike):
            _add(out, first, fault)
        elif isinstance(fault, Missing):
            out[max(0, fault.begin - first) : max(0, fault.end - first)] = np.nan
        elif isinstance(fault, Moved):
            out[max(0, fault.frame - first) :] += np.float32(fault.by)
        else:
            self._distort(out, first, channel, number, fault)

    def _distort(
        self, out: SampleArray, first: int, channel: Channel, number: int, fault: SensorFault
    ) -> None:
        """Let a row show what a sensor at fault shows."""
        begin, end = (min(max(0, frame - first), len(out)) for frame in frames_of(fault))
        if begin >= end:
            return
        if isinstance(fault, Flat) and fault.value is None:
            if fault.begin >= first:
                self.stuck[number] = float(out[begin])
            fault = replace(fault, value=self.stuck[number])
        n = np.arange(first + begin, first + end)
        ends = (channel.low, channel.high)
        out[begin:end] = shown(fault, n, out[begin:end], self._world.rate, ends)


def _add(out: SampleArray, first: int, fault: Spike) -> None:
    """Add what a false sample shows too much."""
    if first <= fault.frame < first + len(out):
        out[fault.frame - first] += np.float32(fault.size)


def _repeat(out: SampleArray, cycle: SampleArray, offset: int) -> None:
    """Fill a row with a cycle over and over, beginning at an offset in it."""
    period = len(cycle)
    if period == 1:
        out[:] = cycle[0]
        return
    head = min(len(out), (period - offset) % period)
    out[:head] = cycle[offset : offset + head]
    whole = (len(out) - head) // period
    if whole:
        out[head : head + whole * period].reshape(whole, period)[:] = cycle
    rest = head + whole * period
    out[rest:] = cycle[: len(out) - rest]
