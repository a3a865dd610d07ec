"""Synchronous samples from one or more ports, for whoever reads and for whoever looks at once.

The threads of the lines put frames into rings; the event loop takes blocks out of them. A loop
that stands still loses nothing: frames wait for a minute.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

import numpy as np

from drivers.frames import ASK_INFO, START
from drivers.look_out import LookOut
from drivers.merging import Lane, Ring, merged, released
from drivers.sample_port import Batch, SamplePort
from rig.channels import Channel
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import Glance, LineReport, Post
from rig.protocol.wire import Port, Source
from rig.samples import SampleBlock

WAITS: Final = 60.0
"""How long [s] samples wait to be read."""
OPEN_WITHIN: Final = 2.0
"""Time [s] in which a device must say what it is and send samples."""
ASK_EVERY: Final = 0.5
LOOK_EVERY: Final = 0.01
PATIENCE: Final = 0.02
"""How long [s] a frame waits for the samples of other ports."""

Slow = Callable[[], dict[str, float]]


class FrameAcquisition:
    """Implements `rig.ports.Acquisition` and `rig.ports.Post` for devices that send frames.

    `sources` tells what comes from which of the `ports`, by the port's name. The port with the
    load, else the first, is the time base. `on_stop` is called in a line's thread, at once, when
    what stands at the post says so; it must not wait. `slow_sources` give the slow channels.
    """

    def __init__(
        self,
        sources: Mapping[str, Sequence[Source]],
        ports: Iterable[Port],
        channels: tuple[Channel, ...],
        rate: float,
        clock: Clock,
        *,
        on_stop: Callable[[], object] | None = None,
        slow_sources: Sequence[Slow] = (),
    ) -> None:
        self.channels = channels
        self.rate = rate
        self.slow_sources = tuple(slow_sources)
        self._clock = clock
        self._names = tuple(c.name for c in channels if not c.slow)
        plans = [port for port in ports if sources.get(port.name)]
        found = [SamplePort(plan, sources[plan.name], rate, clock) for plan in plans]
        # The load leads: its frames are the rig's.
        self._ports = sorted(found, key=lambda port: "load" not in port.names)
        self._most = max(round(WAITS * rate), 2)
        self._patience = max(round(PATIENCE * rate), 1)
        lanes = [self._lane(port) for port in self._ports]
        self._lanes = dict(zip(self._ports, lanes, strict=True))
        self._lead, self._others = lanes[0], lanes[1:]
        for port in self._ports:
            port.on_batch, port.on_anew, port.on_lost = self._batch, self._anew, self._lost
        self._lock = threading.Lock()
        self._look_out = LookOut(on_stop or _nothing, self._fail)
        self._next: int | None = None  # first frame not yet read; None: nobody has read
        self._handed = 0
        self._trouble = ""
        self._waiter: asyncio.Future[None] | None = None
        self._wanted = 0

    @property
    def post(self) -> Post:
        """Where samples are looked at the moment they arrive."""
        return self._look_out

    @property
    def emulated(self) -> bool:
        """Whether every device has said that it is emulated."""
        return all(port.info is not None and port.info.emulated for port in self._ports)

    async def open(self) -> None:
        """Open the ports; wait until all devices have said what they are and send samples.

        Raises DeviceError with one line for each port that is not fit for use.
        """
        try:
            problems = await self._opened()
        except BaseException:
            await self.close()
            raise
        if problems:
            await self.close()
            raise DeviceError("\n".join(problems))

    async def close(self) -> None:
        """End threads and ports; safe to call twice. Whoever still reads gets a DeviceError."""
        self._fail("the ports of the samples are closed")
        for port in self._ports:
            port.line.close()

    async def read(self, frames: int) -> SampleBlock:
        """Return the next frames as soon as all of them are there, at most half a minute's.

        The first read begins with the frame that comes next. A frame waits 20 ms for the samples
        of other ports; what comes later than that is NaN. Raises DeviceError when a device has
        begun anew, a line is lost for good, or nobody has read for a minute.
        """
        if frames < 1:
            raise ValueError(f"a block has at least one frame, not {frames}")
        if self._handed:
            raise DeviceError("a block was read before the last one was kept; keep it first")
        frames = min(frames, self._most // 2)
        while (block := self._ready(frames)) is None:
            await self._arrival(frames)
        self._handed = block.frames
        return block

    async def keep(self, frames: int) -> None:
        """Accept the block, all of it: time does not go back."""
        if not self._handed:
            raise DeviceError("there is no block to keep; read one first")
        if frames != self._handed:
            raise DeviceError(
                f"{frames} of {self._handed} frames cannot be kept: they have all happened"
            )
        self._handed = 0

    async def slow(self) -> dict[str, float]:
        """Return the present values of the slow channels [SI]."""
        values: dict[str, float] = {}
        for source in self.slow_sources:
            values |= source()
        return values

    def stand(self, glance: Glance | None) -> None:
        """Show every batch of every port to `glance` from now on; None ends it."""
        self._look_out.stand(glance)

    def report(self) -> tuple[LineReport, ...]:
        """Return what is known of each port now."""
        return tuple(port.report(self._skew(port)) for port in self._ports)

    def told(self) -> tuple[str, ...]:
        """Return what has happened on the lines since this was asked last."""
        texts = self._look_out.told()
        for port in self._ports:
            texts += port.told()
        return tuple(texts)

    def _lane(self, port: SamplePort) -> Lane:
        rows = np.array([self._names.index(name) for name in port.names], np.intp)
        return Lane(Ring(len(port.names), self._most), port.fit, rows)

    async def _opened(self) -> list[str]:
        """Open the ports and return what is wrong, a line for each that is not fit for use."""
        problems = []
        opened = []
        for port in self._ports:
            try:
                port.open()
                opened.append(port)
            except DeviceError as error:
                problems.append(str(error))
        await self._settle(opened)
        return problems + [problem for port in opened if (problem := port.problem())]

    async def _settle(self, ports: Sequence[SamplePort]) -> None:
        """Wait until all ports are good for use, or have had their time."""
        begun = asked = self._clock.now()
        while not all(port.settled for port in ports):
            now = self._clock.now()
            if now - begun > OPEN_WITHIN:
                return
            if now - asked > ASK_EVERY:
                asked = now
                for port in ports:
                    if not port.settled:
                        port.ask(ASK_INFO if port.info is None else START)
            await self._clock.sleep(LOOK_EVERY)

    def _skew(self, port: SamplePort) -> float | None:
        """Return how far [s] a port's times may be off the time base."""
        if port is self._ports[0]:
            return 0.0
        own, base = port.fit.spread, self._ports[0].fit.spread
        return None if own is None or base is None else own + base

    def _ready(self, frames: int) -> SampleBlock | None:
        """Return the next block where it is there."""
        with self._lock:
            ring = self._lead.ring
            if self._next is None and not ring.empty:
                self._next = ring.end
            first = self._next
            if first is not None and self._released(first + frames):
                self._next = first + frames
                values = merged(self._lead, self._others, first, first + frames, self.rate)
                return SampleBlock(first, self.rate, self._names, values)
            if self._trouble:
                raise DeviceError(self._trouble)
            return None

    async def _arrival(self, frames: int) -> None:
        """Wait until so many frames may be there."""
        with self._lock:
            wanted = (self._next or 0) + frames
            if self._trouble or self._released(wanted):
                return
            waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiter, self._wanted = waiter, wanted
        try:
            await waiter
        finally:
            with self._lock:
                if self._waiter is waiter:
                    self._waiter = None

    def _released(self, end: int) -> bool:
        """Tell whether frames before `end` wait for nothing any more; the lock is held."""
        return released(self._lead, self._others, end, self._patience)

    def _batch(self, port: SamplePort, batch: Batch) -> None:
        """Look at a batch and put it where it is read; in the line's thread."""
        first, values, times = batch
        if self._look_out.manned:
            block = SampleBlock(first, self.rate, port.names, values)
            self._look_out.look(port.plan.name, block)
        end = first + len(times)
        with self._lock:
            if self._trouble:
                return
            lane = self._lanes[port]
            if lane is self._lead and self._next is not None and end - self._next > self._most:
                self._give_up(f"the program has not read the samples of {WAITS:g} s; begin anew")
                return
            lane.ring.put(first, values, times)
            if self._waiter is not None and self._released(self._wanted):
                self._wake()

    def _anew(self, port: SamplePort, why: str) -> None:
        """Take notice that a device has begun anew; whoever reads cannot go on."""
        with self._lock:
            if self._next is None:
                self._lanes[port].ring.clear()
            else:
                self._give_up(why)

    def _lost(self, _port: SamplePort, why: str) -> None:
        self._fail(why)

    def _fail(self, why: str) -> None:
        with self._lock:
            self._give_up(why)

    def _give_up(self, why: str) -> None:
        """Let whoever reads know why nothing more comes; the lock is held."""
        self._trouble = self._trouble or why
        if self._waiter is not None:
            self._wake()

    def _wake(self) -> None:
        waiter, self._waiter = self._waiter, None
        if waiter is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended: nobody waits
                waiter.get_loop().call_soon_threadsafe(_done, waiter)


def _nothing() -> None:
    """Stop nothing: nobody has said what is to be stopped."""


def _done(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)
