"""The rig paced by a clock: device time goes on whether anybody reads or not.

A frame exists from the end of its period on: frame n at n + 1 periods after power-on, which is
the first use. A command, a heartbeat or a question takes effect at the first frame that does not
exist yet when it arrives, so it never changes a frame that waits to be read. Frames wait as long
as they must; none is dropped. The watchdog expires between frames, whoever reads when.

Device time is the clock's `now()`. Where that jumps, as when a computer wakes, the device has
gone on meanwhile; where it stands still, so does the simulated device. Steps of the calendar
are nothing to it. Not modelled: delay of commands and of samples on a line, other than `Late`.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

from rig.clock import Clock
from rig.errors import DeviceError
from rig.samples import SampleBlock
from simulators.devices import SimulatedAcquisition
from simulators.faults import Late, Silent
from simulators.machine import Machine
from simulators.sampling import Piece
from simulators.state import RigState, World

HAIR: Final = 1e-6  # of a frame: rounding of the clock's seconds
SHORTEST: Final = 1e-6  # s to wait, so that every wait ends later than it began


class PacedMachine(Machine):
    """A machine whose present is the clock's, and which remembers what was not read yet."""

    def __init__(self, world: World, seed: int, clock: Clock) -> None:
        super().__init__(world, seed)
        self._clock = clock
        self._power_on: float | None = None
        self._waiting: deque[Piece] = deque()
        self._read = 0  # first frame not yet read
        self._handed = 0  # frames of the block under way

    def arrive(self) -> None:
        """Come to the clock's present."""
        self._advance(math.floor(self._age() * self.world.rate + HAIR))

    def wait(self, frames: int) -> float:
        """Return how long it takes until the next frames can be read [s], 0 for not at all."""
        if self._handed:
            return 0.0
        end = due = self._read + frames
        for fault in self.world.setup.faults:
            if isinstance(fault, Silent) and fault.begin < end:
                due = max(due, fault.end)
            elif isinstance(fault, Late) and fault.begin < end:
                due = max(due, fault.begin + math.ceil(fault.seconds * self.world.rate))
        left = due / self.world.rate - self._age()
        return max(left, SHORTEST) if left * self.world.rate > HAIR else 0.0

    def read(self, frames: int) -> SampleBlock:
        """Return the next frames, all of which exist."""
        if frames < 1:
            raise ValueError(f"a block has at least one frame, not {frames}")
        if self._handed:
            raise DeviceError("a block was read before the last one was kept; keep it first")
        end = self._read + frames
        self._advance(end)
        block = self._sampler.block(self._read, end, self._take(end))
        self._handed = frames
        return block

    def keep(self, frames: int) -> None:
        """Accept the block, all of it: time does not go back."""
        if not self._handed:
            raise DeviceError("there is no block to keep; read one first")
        if frames != self._handed:
            raise DeviceError(
                f"{frames} of {self._handed} frames cannot be kept: they have all happened"
            )
        self._read += frames
        self._handed = 0

    def restart(self, state: RigState, frame: int, stuck: dict[int, float]) -> None:
        """Stand at a frame of the stretch that begins with a state, now."""
        super().restart(state, frame, stuck)
        self._waiting.clear()
        self._read, self._handed = frame, 0
        self._power_on = self._clock.now() - frame / self.world.rate

    def _age(self) -> float:
        """Return device time [s]."""
        if self._power_on is None:
            self._power_on = self._clock.now()
        return self._clock.now() - self._power_on

    def _pass(self, piece: Piece) -> None:
        """Remember a piece until it is read."""
        stretch, begin, end = piece
        if begin == end:
            return
        if self._waiting and self._waiting[-1][0] is stretch:
            begin = self._waiting.pop()[1]
        self._waiting.append((stretch, begin, end))

    def _take(self, until: int) -> list[Piece]:
        pieces: list[Piece] = []
        while self._waiting and self._waiting[0][1] < until:
            stretch, begin, end = self._waiting.popleft()
            pieces.append((stretch, begin, min(end, until)))
            if end > until:
                self._waiting.appendleft((stretch, until, end))
        return pieces


class PacedAcquisition(SimulatedAcquisition):
    """Synchronous samples of a paced rig; `keep` does not wait."""

    def __init__(self, machine: PacedMachine, clock: Clock) -> None:
        super().__init__(machine, None)
        self._paced = machine
        self._time = clock

    async def read(self, frames: int) -> SampleBlock:
        """Return the next frames: at once what is overdue, else when all of them are there."""
        while (left := self._paced.wait(frames)) > 0:
            await self._time.sleep(left)
        return self._paced.read(frames)
