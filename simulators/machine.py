"""The simulated rig as a source of frames: reads ahead, is put back, goes on from there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from rig.channels import Channel
from rig.errors import DeviceError
from rig.samples import FloatArray, SampleArray, SampleBlock
from simulators.faults import Flat, Missing, Spike
from simulators.motion import NEVER, Cycling, Ramp
from simulators.noise import Noise
from simulators.sensors import reading
from simulators.state import RigState, World
from simulators.stretch import Signals, Stretch, stopping, unloading

WATCHDOG: Final = 0.5
"""Seconds of device time without a heartbeat after which a moving actuator stops by itself."""

Reading = Callable[[Signals, RigState], FloatArray]
_Piece = tuple[Stretch, int, int]


class Machine:
    """Frames of all channels from the states of one rig."""

    def __init__(self, world: World, seed: int) -> None:
        self.world = world
        self.sampled = tuple(c for c in world.setup.channels if not c.slow)
        self.names = tuple(c.name for c in self.sampled)
        self.tick = max(1, round(0.02 * world.rate))
        self.limits: dict[str, tuple[float, float]] = {}
        self.fed = 0  # frame of the last heartbeat, or of the last command to move
        units = [c.resolution or 1.0 for c in self.sampled]
        self._units = [np.float32(u) for u in units]
        self._noise = Noise(
            seed, tuple(c.noise / u for c, u in zip(self.sampled, units, strict=True))
        )
        self._margins = [8 * c.noise / u for c, u in zip(self.sampled, units, strict=True)]
        self._readings: dict[str, Reading] = {n: reading(n, world) for n in self.names}
        self._stretch = Stretch(world, world.start())
        self._frame = 0
        self._pieces: list[_Piece] | None = None
        self._end = 0
        self._buffers: list[SampleArray] = [np.empty((0, 0), np.float32)] * 2
        self._turn = 0
        self._stuck: dict[int, float] = {}

    @property
    def frame(self) -> int:
        """The first frame not yet kept; of a block not kept yet, the one after it."""
        self.settle()
        return self._frame

    @property
    def state(self) -> RigState:
        """The state at the present frame."""
        self.settle()
        return self._stretch.at(self._frame)

    @property
    def now(self) -> Signals:
        """The signals at the present frame, one value each."""
        self.settle()
        return self._stretch.signals(np.array([self._frame]))

    def change(self, state: RigState) -> None:
        """Go on from a state at the present frame."""
        self.settle()
        self._stretch = Stretch(self.world, state)

    def shut(self) -> None:
        """Close the valve at the present frame."""
        self.settle()
        self.change(self._stretch.shut(self._frame))

    def settle(self) -> None:
        """Keep the whole block under way, as a real device does."""
        if self._pieces is not None:
            self.keep(self._end - self._frame)

    def read(self, frames: int) -> SampleBlock:
        """Make up to `frames` frames from the present one on."""
        if frames < 1:
            raise ValueError(f"a block has at least one frame, not {frames}")
        if self._pieces is not None:
            raise DeviceError("a block was read before the last one was kept; keep it first")
        self._watch()
        first = self._frame
        self._pieces = pieces = self._plan(first + frames)
        self._end = end = pieces[-1][2]
        values = self._buffer(end - first)
        made = [
            (s, b, e, s.one_cycle() if s.period else s.signals(np.arange(b, e)))
            for s, b, e in pieces
            if e > b
        ]
        for row, channel in enumerate(self.sampled):
            self._fill(values[row], row, channel, made)
        self._noise.prefetch(first, end)
        return SampleBlock(first, self.world.rate, self.names, values)

    def keep(self, frames: int) -> None:
        """Stand where the rig stood after the first `frames` of the block."""
        if self._pieces is None:
            raise DeviceError("there is no block to keep; read one first")
        frame = self._frame + frames
        if not self._frame <= frame <= self._end:
            raise ValueError(f"cannot keep {frames} of {self._end - self._frame} frames")
        self._stretch = next(s for s, begin, _ in reversed(self._pieces) if begin <= frame)
        self._frame, self._pieces = frame, None
        while frame >= self._stretch.until:
            self._stretch = Stretch(self.world, self._stretch.next())

    def standing(self) -> tuple[RigState, int]:
        """Return the state in which the present stretch began, and the present frame."""
        self.settle()
        return self._stretch.source, self._frame

    def restart(self, state: RigState, frame: int, stuck: dict[int, float]) -> None:
        """Stand at a frame of the stretch that begins with a state."""
        self._pieces = None
        self._frame = frame
        self._stuck = dict(stuck)
        self._stretch = Stretch(self.world, state)

    @property
    def stuck(self) -> dict[int, float]:
        """Values at which channels stand still, by number of the fault."""
        return dict(self._stuck)

    def close(self) -> None:
        """End the noise thread."""
        self._noise.close()

    def _watch(self) -> None:
        state = self._stretch.state
        silent = self._frame - max(self.fed, state.motion.begin)
        if silent <= WATCHDOG * self.world.rate or state.stopped_by:
            return
        if isinstance(state.motion, Cycling) and state.motion.fall == NEVER:
            present = self._stretch.at(self._frame)
            self.change(stopping(present, state.motion, "watchdog", unload=True))
        elif isinstance(state.motion, Ramp) and self._frame < state.motion.end:
            load = float(self.now.load[0])
            self.change(unloading(self._stretch.at(self._frame), load, self.world.rate))

    def _plan(self, stop: int) -> list[_Piece]:
        pieces: list[_Piece] = []
        frame, stretch = self._frame, self._stretch
        while frame < stop:
            end = min(stop, stretch.until)
            trip = self._tripped(stretch, frame, end) if self.limits else None
            if trip is not None:
                name, end = trip
                pieces.append((stretch, frame, end))
                state = stretch.shut(end)
                state = replace(state, tripped=name, stopped_by="limit")
                stretch = Stretch(self.world, state)
                stop = min(stop, self._tick_from(end))
            else:
                pieces.append((stretch, frame, end))
                if end == stretch.until:
                    if stretch.event:
                        stop = min(stop, self._tick_from(end))
                    stretch = Stretch(self.world, stretch.next())
            frame = end
        pieces.append((stretch, frame, frame))
        return pieces

    def _tick_from(self, frame: int) -> int:
        return -(-frame // self.tick) * self.tick

    def _tripped(self, stretch: Stretch, begin: int, end: int) -> tuple[str, int] | None:
        """Return the first limit crossed in [begin, end) and the frame after it."""
        if not stretch.state.valve_open:
            return None
        n = np.arange(begin, end) if not stretch.period else None
        signals = stretch.one_cycle() if n is None else stretch.signals(n)
        first: tuple[str, int] | None = None
        for name, (low, high) in self.limits.items():
            values = reading(name, self.world)(signals, stretch.state)
            outside = np.flatnonzero(~((values >= low) & (values <= high)))
            if not len(outside):
                continue
            if n is None:
                ahead = (outside - (begin - stretch.origin)) % stretch.period
                frame = begin + int(ahead.min())
            else:
                frame = begin + int(outside[0])
            if frame < end and (first is None or frame + 1 < first[1]):
                first = (name, frame + 1)
        return first

    def _buffer(self, frames: int) -> SampleArray:
        self._turn = 1 - self._turn
        if self._buffers[self._turn].shape[1] < frames:
            self._buffers[self._turn] = np.empty((len(self.sampled), frames), np.float32)
        return self._buffers[self._turn][:, :frames]

    def _fill(
        self,
        out: SampleArray,
        row: int,
        channel: Channel,
        made: list[tuple[Stretch, int, int, Signals]],
    ) -> None:
        first, unit, margin = self._frame, float(self._units[row]), self._margins[row]
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
        self._spoil(out, first, channel.name)

    def _spoil(self, out: SampleArray, first: int, name: str) -> None:
        for number, fault in enumerate(self.world.setup.faults):
            if isinstance(fault, Spike) and fault.channel == name:
                if first <= fault.frame < first + len(out):
                    out[fault.frame - first] += np.float32(fault.size)
            elif isinstance(fault, Missing | Flat) and fault.channel == name:
                begin, end = max(0, fault.begin - first), max(0, fault.end - first)
                if isinstance(fault, Missing):
                    out[begin:end] = np.nan
                elif begin < min(end, len(out)):
                    value = fault.value
                    if value is None:
                        if fault.begin >= first:
                            self._stuck[number] = float(out[begin])
                        value = self._stuck[number]
                    out[begin:end] = value


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
