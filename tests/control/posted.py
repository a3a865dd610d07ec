"""A simulated rig at the end of a line: samples are shown to a post before blocks of them are read.

What the people who build such a rig do in a thread of its own is done here at the frames' own
virtual times, in batches of one to five frames. So a test knows at which frame the valve closed.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable
from dataclasses import replace
from itertools import cycle
from typing import Any

import numpy as np

from rig.errors import DeviceError
from rig.ports import Glance
from rig.samples import SampleBlock
from simulators.actuator import SimulatedActuator

BATCHES = (3, 1, 5, 2, 4)


class Posted:
    """An acquisition that is also a post. `early` frames have arrived before a block is read.

    `shown` changes a batch before it is looked at: what a bad driver shows. With `thread` it is
    looked at in another thread. Nothing arrives any more from frame `ends` on. Where a glance says
    so the valve closes at the first frame that is not taken yet: `closed` has these frames, and
    `said` how often. `glances` counts what stood there, None among them.
    """

    def __init__(
        self,
        acquisition: Any,
        *,
        early: int = 0,
        thread: bool = False,
        ends: int | None = None,
        shown: Callable[[SampleBlock], Any] = lambda block: block,
    ) -> None:
        self._inner, self._early, self._shown = acquisition, early, shown
        self._thread, self._ends, self._taken = thread, ends, 0
        self._actuator = SimulatedActuator(acquisition._machine)
        self._sizes = cycle(BATCHES)
        self._arrived: list[SampleBlock] = []
        self._glance: Glance | None = None
        self._handed = 0
        self.closed: list[int] = []
        self.glances: list[Glance | None] = []
        self.reads: list[tuple[int, int]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def stand(self, glance: Glance | None) -> None:
        self._glance = glance
        self.glances.append(glance)

    async def read(self, frames: int) -> SampleBlock:
        while (lacking := frames + self._early - sum(b.frames for b in self._arrived)) > 0:
            await self._arrive(min(next(self._sizes), lacking))
        first, taken = self._arrived[0], 0
        parts = []
        while taken < frames:
            batch = self._arrived.pop(0)
            if batch.frames > frames - taken:
                rest = replace(
                    batch,
                    first=batch.first + frames - taken,
                    values=batch.values[:, frames - taken :],
                )
                self._arrived.insert(0, rest)
                batch = batch.head(frames - taken)
            parts.append(batch.values)
            taken += batch.frames
        self._handed = frames
        self.reads.append((first.first, first.first + frames))
        return replace(first, values=np.concatenate(parts, axis=1))

    async def bring(self, frames: int) -> None:
        """Let so many frames arrive that nobody has asked for yet."""
        for _ in range(frames):
            await self._arrive(1)

    async def keep(self, frames: int) -> None:
        assert frames == self._handed, "what has arrived has happened"

    async def _arrive(self, frames: int) -> None:
        """Take a batch as it comes, and have it looked at."""
        if self._ends is not None and self._taken >= self._ends:
            await asyncio.Event().wait()
        block = await self._inner.read(frames)
        block = replace(block, values=block.values.copy())
        await self._inner.keep(block.frames)
        self._arrived.append(block)
        self._taken = block.end
        if self._glance is None:
            return
        look = functools.partial(self._glance, self._shown(block))
        if await asyncio.to_thread(look) if self._thread else look():
            self.closed.append(block.end)
            await self._actuator.close_valve()


class Refusing:
    """An actuator that refuses a beat of the heart once a post has closed its valve.

    It stands for every order that needs an open valve. With `dead` nothing is answered any more.
    """

    def __init__(self, actuator: Any, post: Callable[[], Posted], *, dead: bool = False) -> None:
        self._actuator, self._post, self._dead = actuator, post, dead

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._actuator, name)
        if name == "range" or (name != "heartbeat" and not self._dead):
            return found

        async def asked(*arguments: Any) -> Any:
            if self._post().closed:
                raise DeviceError(
                    "no answer within 0.2 s" if self._dead else "its valve is closed: cannot move"
                )
            return await found(*arguments)

        return asked


class Line:
    """The one post of a night, made when its acquisition is."""

    def __init__(self, **how: Any) -> None:
        self._how = how
        self.post: Posted | None = None

    def bad(self, *, actuator: Callable[[Any, Any], Any] | None = None) -> dict[str, Any]:
        """Return what to put in place of the simulated rig's devices."""
        devices = {"acquisition": self._made, "post": lambda _none: self.post}
        if actuator is not None:
            devices["actuator"] = lambda found: actuator(found, lambda: self.post)
        return devices

    def _made(self, acquisition: Any) -> Posted:
        self.post = Posted(acquisition, **self._how)
        return self.post
