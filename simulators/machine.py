"""The simulated rig as a source of frames: reads ahead, is put back, goes on from there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from typing import Final

import numpy as np

from rig.errors import DeviceError
from rig.samples import SampleBlock
from simulators.motion import NEVER, Cycling, Ramp
from simulators.recorded_stretch import RecordedStretch
from simulators.sampling import Piece, Sampler
from simulators.sensors import reading
from simulators.signals import Signals
from simulators.state import RigState, World, stopping, unloading
from simulators.stretch import Stretch

STEP: Final = 1 << 16  # frames planned at once after a long time


class Machine:
    """Frames of all channels from the states of one rig.

    Whoever asks or commands it calls `arrive` first; `frame`, `state` and `now` are then those
    of the present until the next frame is made. A `witness` is shown each stretch that has begun.
    """

    def __init__(
        self, world: World, seed: int, witness: Callable[[Stretch], None] | None = None
    ) -> None:
        self.world = world
        self._witness = witness
        self.limits: dict[str, tuple[float, float]] = {}
        self.fed = 0  # frame of the last heartbeat, or of the last command to move
        self._tick = max(1, round(0.02 * world.rate))
        self._reading = cache(partial(reading, world=world))
        self._sampler = Sampler(world, seed)
        self._stretch = self._begin(world.start())
        self._frame = 0
        self._pieces: list[Piece] | None = None

    def _begin(self, state: RigState) -> Stretch:
        """Return the stretch that begins with a state."""
        recorded = self.world.setup.recorded
        if recorded is not None:
            return RecordedStretch(self.world, state, recorded)
        return Stretch(self.world, state)

    @property
    def frame(self) -> int:
        """The first frame not yet made."""
        return self._frame

    @property
    def state(self) -> RigState:
        """The state at the present frame."""
        return self._stretch.at(self._frame)

    @property
    def now(self) -> Signals:
        """The signals at the present frame, one value each."""
        return self._stretch.value(self._frame)

    @property
    def felt(self) -> float:
        """The load at the present frame as the controller's own load cell shows it [N]."""
        load = float(self.now.load[0])
        held = self._stretch.state.held
        return float(self.world.loop.felt(self._frame, load, held, self._frame))

    def arrive(self) -> None:
        """Come to the present: keep the whole block under way, as a real device does."""
        if self._pieces is not None:
            self.keep(self._pieces[-1][2] - self._frame)

    def change(self, state: RigState) -> None:
        """Go on from a state at the present frame."""
        self._stretch = self._begin(state)

    def shut(self) -> None:
        """Close the valve at the present frame."""
        self.change(self._stretch.shut(self._frame))

    def read(self, frames: int) -> SampleBlock:
        """Make up to `frames` frames from the present one on."""
        if frames < 1:
            raise ValueError(f"a block has at least one frame, not {frames}")
        if self._pieces is not None:
            raise DeviceError("a block was read before the last one was kept; keep it first")
        if self._frame >= self._expiry():
            self._expire()
        self._pieces = pieces = self._plan(self._frame + frames)
        return self._sampler.block(self._frame, pieces[-1][2], pieces)

    def keep(self, frames: int) -> None:
        """Stand where the rig stood after the first `frames` of the block."""
        if self._pieces is None:
            raise DeviceError("there is no block to keep; read one first")
        end = self._pieces[-1][2]
        if not 0 <= frames <= end - self._frame:
            raise ValueError(f"cannot keep {frames} of {end - self._frame} frames")
        self._stand(self._pieces, self._frame + frames)
        self._pieces = None

    def standing(self) -> tuple[RigState, int]:
        """Return the state in which the present stretch began, and the present frame."""
        return self._stretch.source, self._frame

    def restart(self, state: RigState, frame: int, stuck: dict[int, float]) -> None:
        """Stand at a frame of the stretch that begins with a state."""
        self._pieces = None
        self._frame = frame
        self._sampler.stuck = dict(stuck)
        self._stretch = self._begin(state)

    def leave(self, frames: int) -> None:
        """Let frames pass that nobody reads: no heartbeat comes, the watchdog does its part."""
        self._advance(self._frame + frames)
        self.restart(*self.standing(), self.stuck)

    @property
    def stuck(self) -> dict[int, float]:
        """Values at which channels stand still, by number of the fault."""
        return dict(self._sampler.stuck)

    def close(self) -> None:
        """End the noise thread."""
        self._sampler.close()

    def _advance(self, target: int) -> None:
        """Come to a frame without a block; the watchdog expires between frames."""
        while self._frame < target:
            expiry = self._expiry()
            if self._frame >= expiry:
                self._expire()
                expiry = target
            pieces = self._plan(min(target, expiry, self._frame + STEP))
            for piece in pieces:
                self._pass(piece)
            self._stand(pieces, pieces[-1][2])

    def _pass(self, piece: Piece) -> None:
        """Take it that a piece has happened which nobody asked for."""

    def _stand(self, pieces: list[Piece], frame: int) -> None:
        if self._witness is not None:
            for stretch in (s for s, begin, _ in pieces if begin < frame):
                self._witness(stretch)
        self._stretch = next(s for s, begin, _ in reversed(pieces) if begin <= frame)
        self._frame = frame
        while frame >= self._stretch.until:
            self._stretch = self._begin(self._stretch.next())

    def _expiry(self) -> int:
        """Return the first frame after the watchdog's time, if nothing feeds it until then."""
        fed = max(self.fed, self._stretch.state.motion.begin)
        return fed + int(self.world.setup.watchdog * self.world.rate) + 1

    def _expire(self) -> None:
        """Stop by itself if anything moves and nothing has stopped it yet."""
        state = self._stretch.state
        if state.stopped_by:
            return
        if isinstance(state.motion, Cycling) and state.motion.fall == NEVER:
            present = self._stretch.at(self._frame)
            self.change(stopping(present, state.motion, "watchdog", unload=True))
        elif isinstance(state.motion, Ramp) and self._frame < state.motion.end:
            self.change(unloading(self._stretch.at(self._frame), self.felt, self.world.rate))

    def _plan(self, stop: int) -> list[Piece]:
        pieces: list[Piece] = []
        frame, stretch = self._frame, self._stretch
        while frame < stop:
            end = min(stop, stretch.until)
            trip = self._tripped(stretch, frame, end) if self.limits else None
            if trip is not None:
                name, end = trip
                pieces.append((stretch, frame, end))
                state = stretch.shut(end)
                state = replace(state, tripped=name, stopped_by="limit")
                stretch = self._begin(state)
                stop = min(stop, self._tick_from(end))
            else:
                pieces.append((stretch, frame, end))
                if end == stretch.until:
                    if stretch.event:
                        stop = min(stop, self._tick_from(end))
                    stretch = self._begin(stretch.next())
            frame = end
        pieces.append((stretch, frame, frame))
        return pieces

    def _tick_from(self, frame: int) -> int:
        return -(-frame // self._tick) * self._tick

    def _tripped(self, stretch: Stretch, begin: int, end: int) -> tuple[str, int] | None:
        """Return the first limit crossed in [begin, end) and the frame after it."""
        if not stretch.state.valve_open:
            return None
        whole = not stretch.period or self.world.loop.wrong_at(begin)
        n = np.arange(begin, end) if whole else None
        signals = stretch.one_cycle() if n is None else stretch.signals(n)
        first: tuple[str, int] | None = None
        for name, (low, high) in self.limits.items():
            values = self._reading(name)(signals, stretch.state)
            if name == "load" and n is not None:
                values = self.world.loop.felt(n, values, stretch.state.held, begin)
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
