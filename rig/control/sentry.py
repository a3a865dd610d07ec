"""The sentry: looks at samples the moment they arrive, in the thread that brings them.

The stream looks at a block once all of it is there and the loop has its turn: an excess waits for
the rest of 20 ms, and for whatever the loop does. The sentry holds the same limits against every
batch as it arrives and says that the valve must close. The stream then finds the same excess in
its block and makes one stop of both; where it does not, the stop is named after the sentry's.

How limits are handed over
--------------------------
Everything a look needs hangs on one attribute, which `arm` replaces whole. A look takes it once:
it sees the limits before or those after, never half of them and never none. There is no lock,
because samples must not wait for the loop. Of the samples about a change those that the stream
has read were held against the old limits by both; those that have arrived and are not read yet
against the old ones here and against the new ones by the stream; all later ones against the new
ones by both. So none passes without limits. What follows for whoever calls `arm` and `disarm`:

- Narrower limits come once the rig is inside them: they hold from the next batch on.
- Wider limits come before the command that needs the room. The stream alone would not mind,
  because it looks later; here the first samples of the motion would meet the old limits. (A
  falling amplitude needs no room: the limits may follow its command.) A look that took the old
  limits just before may still close the valve after them, for samples from before the command
  that were beyond what held then: that is a stop, whatever the stream finds.
- `disarm` comes once the valve is closed and nothing is commanded any more; a look that was
  under way may close the valve once more, which moves nothing.

Samples in a row are counted anew under new limits, here as in the stream.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Final

from rig.acquire.deflection import SUPPORTS, net_deflection
from rig.control.stop_now import StopNow, tripped
from rig.errors import DeviceError
from rig.guards.limits import SECOND, LimitSetup, LimitState, Trip, check_limits
from rig.ports import Glance, Post
from rig.samples import SampleBlock

_LOG: Final = logging.getLogger(__name__)

AGAIN: Final = 0.1
"""Device time [s] after which an excess that goes on closes the valve again.

One order may be lost on a line; one a millisecond would keep others from it.
"""
AGAIN_CALLS: Final = 50
"""Looks that fail between two that close the valve: of a broken block no time is known."""
FEW: Final = 64
"""Frames up to which values are compared one by one: quicker than arrays, and as exact."""
OTHER_DEVICE: Final = 0.1
"""Device time [s] after which samples of another device are in the stream's blocks for certain."""
CLOSED: Final = "the valve was closed as the sample arrived"
_INSIDE: Final = LimitState()


@dataclass(frozen=True, slots=True)
class Seen:
    """What the sentry closed the valve for: a trip, or the error that its look ended with.

    `trip.frame` counts as the samples' own device counts, at `rate` [Hz]; `base` tells whether
    that is the device whose frames the stream reads.
    """

    trip: Trip | None
    rate: float = 0.0
    base: bool = False
    error: Exception | None = None


class Sentry:
    """Holds the armed limits against samples as they arrive; `seen` is the first excess.

    `sampled` are all sampled channels of the rig. A batch may hold those of one device only:
    then the limits of these are checked, and that of net deflection where all it is made of is
    there. `glance` is called in the threads of the devices, everything else in the loop. `seen`
    stays: whoever closes a valve ends the test.
    """

    def __init__(self, sampled: Iterable[str]) -> None:
        self._sampled = frozenset(sampled)
        self._watch: _Watch | None = None
        self._failures = 0
        self._heeded: int | None = None  # frame at which the stream first heard of it
        self.seen: Seen | None = None

    def arm(self, limits: LimitSetup) -> None:
        """Check these limits instead of those before, from the next look on."""
        self._watch = _Watch(limits, self._sampled)

    def disarm(self) -> None:
        """Check nothing: only once the valve is closed and nothing is commanded any more."""
        self._watch = None

    def glance(self, block: SampleBlock) -> bool:
        """Return whether the valve must close now; also where the look itself fails."""
        watch = self._watch
        if watch is None:
            return False
        try:
            return self._look(watch.group(block.channels), block)
        except Exception as error:  # noqa: BLE001 - limits that cannot be checked are none
            return self._failed(error)

    def _look(self, group: _Group, block: SampleBlock) -> bool:
        if group.all_inside(block):
            return False
        trip = group.check(block)
        if trip is None:
            return False
        if self.seen is None:
            self.seen = Seen(trip, block.rate, base=group.base)
        return group.told_again(trip.frame, block.rate)

    def _failed(self, error: Exception) -> bool:
        if self.seen is None:
            self.seen = Seen(None, error=error)
        self._failures += 1
        return self._failures % AGAIN_CALLS == 1

    def heed(self, now: int, ahead: int) -> None:
        """Raise StopNow for what the stream has not found although it has had the samples.

        `now` is the first frame of test time not yet read, `ahead` by how much it is ahead of
        the device's number.
        """
        stop, seen = self.stop(now, ahead), self.seen
        if stop is None or seen is None:
            return
        if self._heeded is None:
            self._heeded = now
        if stop.trip is None:
            _LOG.warning("the look at arriving samples failed", exc_info=seen.error)
            raise stop
        had = stop.trip.frame if seen.base else self._heeded + round(OTHER_DEVICE * seen.rate)
        if now > had:
            raise stop

    def first(self, trip: Trip, now: int, ahead: int) -> StopNow:
        """Return the stop for what came first: the stream's trip, or what was seen here.

        A valve that was closed for something else makes the load fall: that is no cause.
        """
        stop, seen = self.stop(now, ahead), self.seen
        if stop is None or seen is None or self._explains(trip, stop, seen):
            return tripped(trip)
        return stop

    def _explains(self, trip: Trip, stop: StopNow, seen: Seen) -> bool:
        """Tell whether a trip of the stream is what was seen, or came before it."""
        if stop.trip is None:
            return False
        return trip.frame <= stop.trip.frame if seen.base else trip.channel == stop.trip.channel

    def stop(self, now: int, ahead: int) -> StopNow | None:
        """Return the stop for what was seen, None for nothing; `now` and `ahead` as for `heed`."""
        seen = self.seen
        if seen is None:
            return None
        if seen.trip is None:
            failed = f"{type(seen.error).__name__}: {seen.error}"
            why = f"limits could not be checked as samples arrived ({failed}); the valve was closed"
            return StopNow("limits", "fault", why)
        frame = seen.trip.frame + ahead if seen.base else now
        return tripped(replace(seen.trip, frame=frame), CLOSED)


class _Watch:
    """Limits as they were armed, with what is counted under them."""

    def __init__(self, limits: LimitSetup, sampled: frozenset[str]) -> None:
        self._limits = limits
        self._sampled = sampled
        self._groups: dict[tuple[str, ...], _Group] = {}

    def group(self, channels: tuple[str, ...]) -> _Group:
        """Return what is checked of a device that brings these channels."""
        found = self._groups.get(channels)
        if found is None:
            # Only the device's own thread comes here with these channels.
            found = self._groups[channels] = _group(self._limits, self._sampled, channels)
        return found


@dataclass(slots=True)
class _Group:
    """The limits on the channels of one device, and the counts of its samples in a row.

    `rows` holds a channel's row in the block, lower and upper bound as a sample holds them;
    `deflection` the bounds of net deflection, None where there are none or it cannot be known.
    `pair` are the rows of feedback and second measure, None where they are not compared.
    """

    limits: LimitSetup
    rows: tuple[tuple[int, float, float], ...]
    deflection: tuple[float, float] | None
    pair: tuple[int, int] | None
    base: bool
    state: LimitState = field(default_factory=LimitState)
    told: int | None = None

    def all_inside(self, block: SampleBlock) -> bool:
        """Tell whether nothing is beyond a limit or missing, which ends all counts.

        What `check` would find then, at a fraction of its cost; False where it must look.
        """
        if not 0 < block.frames <= FEW:
            return False
        values = block.values.tolist()
        for row, low, high in self.rows:
            for value in values[row]:
                if not low <= value <= high:
                    return False
        if self.deflection is not None:
            low, high = self.deflection
            for value in net_deflection(block).tolist():
                if not low <= value <= high:
                    return False
        if self.pair is not None and not self._together(values, *self.pair):
            return False
        self.state = _INSIDE
        return True

    def _together(self, values: list[list[float]], one: int, other: int) -> bool:
        """Tell whether the feedback is what the second measure shows, as far as it shows any."""
        most = self.limits.apart
        pairs = zip(values[one], values[other], strict=True)
        return most is None or all(abs(load - second) <= most for load, second in pairs)

    def check(self, block: SampleBlock) -> Trip | None:
        """Check the batch as the stream checks its blocks."""
        signals = dict(zip(block.channels, block.values, strict=True))
        if self.deflection is not None:
            signals["deflection"] = net_deflection(block)
        self.state, trip = check_limits(self.limits, self.state, block.first, signals)
        return trip

    def told_again(self, frame: int, rate: float) -> bool:
        """Tell whether an excess at a frame is to be told, not having been told just before."""
        if self.told is not None and 0 <= frame - self.told < AGAIN * rate:
            return False
        self.told = frame
        return True


def _group(limits: LimitSetup, sampled: frozenset[str], channels: tuple[str, ...]) -> _Group:
    """Return what can be checked of some channels."""
    known = set(channels)
    # Without a support of the rig net deflection would be another quantity.
    if {"midspan", *SUPPORTS} & sampled <= known and "midspan" in known:
        known.add("deflection")
    bounds = {name: pair for name, pair in limits.bounds.items() if name in known}
    feedback = limits.feedback if limits.feedback in channels else ""
    compared = feedback and SECOND in channels and limits.apart is not None
    limits = replace(
        limits,
        bounds=bounds,
        feedback=feedback,
        ends=limits.ends if feedback else None,
        apart=limits.apart if compared else None,
    )
    asked = {feedback, *bounds} - {"", "deflection"}
    return _Group(
        limits,
        tuple((channels.index(name), *limits.inside(name)) for name in sorted(asked)),
        limits.inside("deflection") if "deflection" in bounds else None,
        (channels.index(feedback), channels.index(SECOND)) if compared else None,
        base=bool(feedback),
    )


def stand(post: Post, glance: Glance | None) -> None:
    """Have a post show samples to a glance. Raises DeviceError where its driver fails."""
    try:
        post.stand(glance)
    except DeviceError:
        raise
    except Exception as error:
        raise DeviceError(
            f"the samples cannot be looked at as they arrive ({type(error).__name__}: {error}); "
            "look at the driver"
        ) from error


@contextmanager
def posted(post: Post | None, glance: Glance) -> Iterator[None]:
    """Have samples shown to a glance as they arrive, where the rig can do that, until the end."""
    if post is None:
        yield
        return
    stand(post, glance)
    try:
        yield
    finally:
        # The test has ended: a driver that fails now must not change how.
        with suppress(DeviceError):
            stand(post, None)
