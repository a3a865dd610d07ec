"""When a recorded test was in which state, and where it was stopped, as its events tell."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rig.judging.looking import TICK_SECONDS
from rig.record.entries import RAN_OUT, Event

UNWATCHED: Final = frozenset({"", "idle", "checklist", "stopping", "stopped"})
"""States in which no limit is armed."""
FOR_EVER: Final = 2**62  # frames


@dataclass(frozen=True, slots=True)
class Span:
    """A state from frame `begin` to `end`."""

    state: str
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop at `frame`, after counted cycle `cycle`; `last` tells that nothing follows it.

    After another one somebody saw to the rig, and the test was taken up again.
    """

    frame: int
    cycle: int
    last: bool


@dataclass(frozen=True, slots=True)
class Timeline:
    """The states in order, and the stops.

    `residual` is the frame from which on a run-out stood and its static test was under way, beyond
    all frames where there was none.
    """

    spans: tuple[Span, ...]
    stops: tuple[Stop, ...]
    tick: int
    residual: int = FOR_EVER

    @property
    def breaks(self) -> int:
        """The frame from which on a specimen that had run out was being broken."""
        begun = (s.begin for s in self.spans if s.state == "ramp" and s.begin >= self.residual)
        return min(begun, default=FOR_EVER)

    def at_tick(self, frame: int) -> int:
        """Return the tick at which something known with so many frames is acted upon."""
        return -(-frame // self.tick) * self.tick

    def span(self, frame: int) -> Span:
        """Return the span that a frame lies in."""
        return self.spans[max(bisect_right([s.begin for s in self.spans], frame) - 1, 0)]

    @property
    def end(self) -> int:
        """The frame of the last stop, or beyond all frames."""
        last = self.stops[-1] if self.stops else None
        return last.frame if last is not None and last.last else FOR_EVER

    def survived(self, frame: int) -> bool:
        """Tell whether the recorded test was stopped at that time too, and was taken up again."""
        near = 2 * self.tick
        return any(abs(s.frame - self.at_tick(frame)) <= near for s in self.stops if not s.last)

    def paused_at(self, frame: int) -> bool:
        """Tell whether the recorded test paused at what became known at a frame."""
        tick = self.at_tick(frame)
        return any(
            s.state == "pausing" and abs(s.begin - tick) <= 2 * self.tick for s in self.spans
        )

    def build_ups(self) -> list[int]:
        """Return the frames at which a build-up began."""
        return [s.begin for s in self.spans if s.state == "build-up"]


def timeline(events: Sequence[Event], rate: float) -> Timeline:
    """Return what the events of a recording at `rate` [Hz] tell; one without states cycles."""
    entered = [(round(e.time * rate), e) for e in events if e.kind == "state"]
    tick = max(round(rate * TICK_SECONDS), 1)
    if not entered:
        return Timeline((Span("cycling", -FOR_EVER, FOR_EVER),), (), tick)
    names = [event.text.partition(",")[0] for _, event in entered]
    begins = [frame for frame, _ in entered]
    ends = [*begins[1:], FOR_EVER]
    spans = [Span(*each) for each in zip(names, begins, ends, strict=True)]
    stops = [i for i, name in enumerate(names) if name == "stopping"]
    # A simulated specimen that is taken up may be cycled again, from before its run-out on.
    cycled = max((s.begin for s in spans if s.state == "cycling"), default=0)
    ran_out = [round(e.time * rate) for e in events if e.kind == RAN_OUT]
    return Timeline(
        (Span("", -FOR_EVER, begins[0]), *spans),
        tuple(
            Stop(begins[i], entered[i][1].cycle, set(names[i + 1 :]) <= {"stopped"}) for i in stops
        ),
        tick,
        ran_out[-1] if ran_out and ran_out[-1] > cycled else FOR_EVER,
    )


def seconds(frames: float, rate: float) -> float:
    """Return a time [s] in frames as seconds, whatever lies beyond all frames as infinite."""
    return math.inf if frames >= FOR_EVER else frames / rate
