"""Offset records: what is added to a sensor that was moved or exchanged while the rig stood.

Where the specimen stands still, a sensor in a new place must read what it read before; the
difference is added from then on, so that the curve goes on. It is told by name, never done
silently, and kept for a test that is taken up again.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.acquire.deflection import SUPPORTS
from rig.channels import Channel, shown
from rig.control.desk import Asked, Request
from rig.control.station import Station
from rig.judging.at_rest import LOOP, Before, loop_only, reading_before, still, usual_step
from rig.judging.looking import Averaged, Judge, Nothing
from rig.protocol.plan import Bounds
from rig.samples import SampleArray

AT_REST: Final = ("waiting", "locked", "paused", "unloaded")
"""States in which a sensor may be moved: nothing moves by command."""
SETTLES: Final = 10.0  # [s] in which a sensor must have come to rest
SAME_LOAD: Final = 0.01  # of the upper load, by which it may differ; common practice, no source
NEAR_END: Final = 0.05  # of its range, within which a sensor is close to its end


def not_now(station: Station, channel: str) -> str:
    """Return why a sensor cannot be recorded as moved now, or nothing."""
    state, sampled = station.book.state, station.book.sampled
    if channel in LOOP:
        # The controller knows nothing of a number that is added here.
        return (
            f"{channel} is what the controller goes by: nothing is added to it here; set the "
            "controller with the test ended"
        )
    if channel not in sampled:
        named = ", ".join(name for name in sampled if name not in LOOP)
        return f"{channel!r} is not sampled; the rig file has {named}"
    if state not in AT_REST:
        return (
            f"not while {state}: a sensor is moved while the rig stands, in a pause, at an "
            "inspection that waits or unloaded"
        )
    if station.rig.shift is None:
        return "nothing can be added to the readings of this rig"
    return ""


def watch_loop_only(station: Station) -> None:
    """Hold only what the controller goes by to its limits, where people unplug other sensors.

    Nothing moves then: stroke held under low pressure, or none at all.
    """
    station.stream.arm(loop_only(station.fixed_bounds()), station.plan.limits.persist)


def watch_all(station: Station) -> None:
    """Hold all that has a fixed bound to it again, before anything moves."""
    station.stream.arm(station.fixed_bounds(), station.plan.limits.persist)


def unplugged(station: Station) -> str:
    """Return which sensors with a limit show nothing while the rig stands, or nothing."""
    stream, book = station.stream, station.book
    _, values = book.recent.cut(stream.now - stream.tick, stream.now)
    if not values.size:
        return ""
    bounded = set(station.fixed_bounds())
    if "deflection" in bounded:
        bounded |= {"midspan", *SUPPORTS}
    gone = [
        name
        for name, row in zip(book.sampled, values, strict=True)
        if name in bounded and not np.isfinite(row).any()
    ]
    return f"{', '.join(gone)}: no value; plug it in first" if gone else ""


def add(station: Station, channel: str, by: float) -> None:
    """Add to a channel's readings [SI] from the next sample on. ValueError where none can."""
    if station.rig.shift is None:
        raise ValueError("nothing can be added to the readings of this rig")
    station.rig.shift(channel, by)
    station.shifts[channel] = station.shifts.get(channel, 0.0) + by


def _told(channel: Channel, value: float) -> str:
    """Return a mean reading [SI] in words, no finer than its channel resolves."""
    return shown(channel.name, round(value / channel.resolution) * channel.resolution + 0.0)


@dataclass(frozen=True, slots=True)
class Offset:
    """What a channel read before it was moved and reads now [SI], so many seconds later.

    `raw` is what its sensor shows itself, whatever was added to it earlier.
    """

    channel: Channel
    before: float
    now: float
    raw: float
    seconds: float

    @property
    def added(self) -> float:
        """What is added from now on [SI]."""
        return self.before - self.now

    def __str__(self) -> str:
        name, channel = self.channel.name, self.channel
        before, now = _told(channel, self.before), _told(channel, self.now)
        read = f"{name} read {before} before and {now} now"
        added = f"{shown(name, self.added, difference=True)} are added from here on"
        margin = NEAR_END * (channel.high - channel.low)
        inside = channel.low + margin < self.raw < channel.high - margin
        ends = f"; its sensor is near the end of {shown(name, channel.low, channel.high)}"
        return f"{read}, {self.seconds:.0f} s later: {added}{'' if inside else ends}"


def shifted_ranges(station: Station) -> dict[str, Bounds]:
    """Return the ranges [SI] of the sampled channels, with what is added to their readings.

    A reading at the end of its sensor is told as such whatever is added.
    """
    added = station.shifts
    return {
        c.name: (
            c.low + min(added.get(c.name, 0.0), 0.0),
            c.high + max(added.get(c.name, 0.0), 0.0),
        )
        for c in station.plan.rig.sampled
    }


class AtRest:
    """The readings of a rig that stands, a mean each second, for what people do to its sensors.

    `judge` looks at all samples while it stands; `begin` and `people` tell when it began to
    stand and when people came. `on` lets time go on to a frame. Where nobody can come it is idle.
    """

    def __init__(self, station: Station, on: Callable[[int], Awaitable[object]]) -> None:
        self._station, self._on = station, on
        self._people: int | None = None  # means before people came
        self.judge: Judge = Nothing()

    def begin(self) -> None:
        """Begin anew: the rig has come to rest."""
        stream = self._station.stream
        self._people = None
        if self._station.attended:
            self.judge = Averaged(stream.now, max(round(stream.rate), 1))

    def people(self) -> None:
        """Note that people are at the rig from now on."""
        if self._people is None:
            self._people = self._means().shape[1]

    def _means(self) -> SampleArray:
        """Return the means of each second so far, shape (channels + 1, n)."""
        samples = self.judge.samples() if isinstance(self.judge, Averaged) else None
        if samples is None or not samples.shape[1]:
            return np.empty((len(self._station.book.sampled) + 1, 0), np.float32)
        return samples

    async def record(self, asked: Asked) -> None:
        """Add what keeps a moved sensor's curve continuous and answer, or answer why not."""
        book, request = self._station.book, asked.request
        refusal = ""
        found = await self._moved(request.moved)
        if isinstance(found, Offset):
            self._write(request, found)
        else:
            refusal = found
            book.event("request", f"note by {request.who or 'somebody'} refused: {refusal}")
        asked.answer(done=not refusal, text=refusal or str(found), state=book.state)

    def _write(self, request: Request, found: Offset) -> None:
        """Add it, and keep it in a restart point, as a row of the zeros and as an event."""
        name, who = found.channel.name, request.who or "somebody"
        add(self._station, name, found.added)
        said = f" ({request.text})" if request.text else ""
        self._station.book.offset(name, found.now, f"{who}: {found}{said}")

    async def _moved(self, name: str) -> Offset | str:
        """Return by how much a sensor was moved, or why that cannot be told."""
        if why := not_now(self._station, name):
            return why
        row = self._station.book.sampled.index(name)
        channel = next(c for c in self._station.plan.rig.channels if c.name == name)
        before = reading_before(self._means()[row], self._people, channel.resolution)
        if before is None:
            return f"{name} has no reading from before it was moved: nothing is added"
        now = await self._now(row, channel.resolution)
        if now is None:
            return f"{name} has no steady value yet: fix the sensor, then say it again"
        if abs(before.value - now) <= channel.resolution:
            return f"{name} reads {_told(channel, now)}, as before: nothing is added"
        raw = now - self._station.shifts.get(name, 0.0)
        seconds = float(self._means().shape[1] - before.end)
        return self._other_load(before) or Offset(channel, before.value, now, raw, seconds)

    async def _now(self, row: int, resolution: float) -> float | None:
        """Return what a channel reads once nobody moves its sensor any more; None if it does not.

        The second under way when it is asked for may hold the last touch: it does not count.
        """
        stream, begin = self._station.stream, self._means().shape[1] + 1
        until = stream.now + stream.frames(SETTLES)
        while stream.now < until:
            await self._on(stream.now + stream.frames(1.0))
            means = self._means()[row]
            if still(means[begin:], usual_step(means, resolution)):
                return float(means[begin:].mean(dtype=np.float64))
        return None

    def _other_load(self, before: Before) -> str:
        """Say where the specimen does not carry what it carried before; nothing where it does."""
        load = self._means()[self._station.book.sampled.index("load")].astype(np.float64)
        then, now = float(load[before.begin : before.end].mean()), float(load[-1])
        if abs(now - then) <= SAME_LOAD * self._station.load_scale:
            return ""
        return (
            f"the load was {shown('load', then, digits=4)} before and is "
            f"{shown('load', now, digits=4)} now: the specimen does not stand as it did, nothing "
            "is added"
        )
