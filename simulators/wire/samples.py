"""An acquisition that streams the frames of a simulated rig over a line, as they come to exist.

It sends from power-on; a host may stop and start it, and ask what it is. What is sent says
`simulators.wire.frames`. Frames of an accident `Silent` are not sent: they are a hole in the
sequence. A sample that the rig lost is NaN.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from rig.channels import Channel
from rig.clock import Clock
from rig.samples import SampleBlock
from simulators.faults import Silent
from simulators.pacing import PacedMachine
from simulators.wire.frames import DeviceInfo, Frames, info_frame, request_of, sample_frames

SAID_IN: Final = {
    "N": ("kN", 1e-3),
    "m": ("mm", 1e3),
    "1": ("um/m", 1e6),
    "Pa": ("bar", 1e-5),
    "K": ("K", 1.0),
    "m3/s": ("L/min", 6e4),
    "m3": ("L", 1e3),
    "m/s2": ("m/s2", 1.0),
}
"""By SI unit: the unit of a channel in a frame, and how many of it the SI unit is."""
NAME: Final = "emulated samples"
BATCH: Final = 2e-3
"""Time [s] of samples that are sent together at least."""
AT_ONCE: Final = 0.1
"""Time [s] of samples that are made in one go at most, when the process is late."""
INFO_EVERY: Final = 1.0
_INFO, _START, _STOP = 1, 2, 3

Send = Callable[[bytes, float], None]
"""Called with bytes and when they begin to go over the line [s of the clock]."""


def said_in(channel: Channel) -> str:
    """Return the unit in which a frame holds a sampled channel."""
    return SAID_IN[channel.unit][0]


class Shunt:
    """A relay that puts resistors across gauges: channels then show so much more [SI]."""

    def __init__(self, by: Mapping[str, float]) -> None:
        self.by = dict(by)
        self.on = False

    async def set(self, on: bool) -> None:
        """Switch the relay."""
        self.on = on


class SampleDevice:
    """The sampled channels of a rig, in their order, in every frame.

    What the relay `shunt` adds shows in the frames alone: the controller has cells of its own.
    """

    def __init__(
        self, machine: PacedMachine, clock: Clock, send: Send, shunt: Shunt | None = None
    ) -> None:
        setup = machine.world.setup
        sampled = [c for c in setup.channels if not c.slow]
        self.info = DeviceInfo(NAME, len(sampled), setup.rate)
        self._machine = machine
        self._clock = clock
        self._send = send
        self._factors = np.array([[SAID_IN[c.unit][1]] for c in sampled])
        self._shunt = shunt or Shunt({})
        self._more = np.array([[self._shunt.by.get(c.name, 0.0)] for c in sampled])
        self._silent = [f for f in setup.faults if isinstance(f, Silent)]
        self._batch = max(1, round(BATCH * setup.rate))
        self._most = max(self._batch, round(AT_ONCE * setup.rate))
        self._requests = Frames()
        self._sending = True
        self._next: int | None = None  # the rig's number of the next frame, once one was read
        self._first = 0  # the rig's number of the frame that was number 0 of this device
        self._told_at = 0  # the rig's number of the frame before which the info was sent last
        self._power_on = float("inf")  # s of the clock

    def take(self, data: bytes) -> None:
        """Take bytes that have come from the host."""
        for frame in self._requests.feed(data):
            try:
                wanted = request_of(frame)
            except ValueError:
                continue  # a device cannot complain of what it did not understand
            if wanted == _INFO:
                self._tell()
            elif wanted in (_START, _STOP):
                self._sending = wanted == _START

    async def run(self) -> None:
        """Send until cancelled."""
        self._tell()
        while True:
            frames = self._there()
            left = self._machine.wait(frames)
            if left > 0:
                await self._clock.sleep(left)
                continue
            block = self._machine.read(frames)
            self._pass_on(block)
            self._machine.keep(frames)
            self._next = block.end
            await self._clock.sleep(0)  # where this device is late, the others are late too

    def restart(self) -> None:
        """Begin anew, as after a power failure: sequence and device time from 0."""
        self._first = self._next or 0
        self._sending = True
        self._tell()

    def _there(self) -> int:
        """Return how many frames are to be read next; all that exist, or one batch."""
        now = self._clock.now()
        self._machine.arrive()
        # A frame never exists before its time, so the smallest difference is the nearest one.
        self._power_on = min(self._power_on, now - self._machine.frame / self.info.rate)
        exist = 0 if self._next is None else self._machine.frame - self._next
        return max(self._batch, min(exist, self._most))

    def _tell(self) -> None:
        """Send the info about the device."""
        self._told_at = self._next or 0
        self._send(info_frame(self.info, self._told_at - self._first), self._clock.now())

    def _pass_on(self, block: SampleBlock) -> None:
        """Send the frames of a block, the info before them when it is time."""
        if not self._sending:
            return
        if block.first - self._told_at >= INFO_EVERY * self.info.rate:
            self._next = block.first
            self._tell()
        numbers = np.arange(block.first, block.end)
        sent = [~((numbers >= f.begin) & (numbers < f.end)) for f in self._silent]
        shown = block.values + self._more if self._shunt.on else block.values
        values = (shown * self._factors).astype(np.float32)
        begin = block.first - self._first
        times = np.rint((numbers - self._first) * (1e6 / self.info.rate)).astype(np.int64)
        frames = sample_frames(begin, times, values)
        if sent:
            heard = np.logical_and.reduce(sent)
            frames = [f for f, is_sent in zip(frames, heard, strict=True) if is_sent]
        if not frames:
            return
        exists = self._power_on + (block.first + 1) / self.info.rate
        self._send(b"".join(frames), exists)
