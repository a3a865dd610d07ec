"""What really happens in an emulated rig, for those who want to hold a test against it.

Each change is told with the frame of the device at which it takes effect, and the second of the
computer's monotonic clock at which that frame begins; other processes read the same clock. Of
changes in one step of the machine the lines may come out of order: the frames are the order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from rig.clock import Clock
from simulators.motion import NEVER, Closed, Collapse, Motion, Ramp
from simulators.pacing import PacedMachine
from simulators.sampling import Piece
from simulators.sensors import true_reading
from simulators.state import RigState, World, moving_at
from simulators.stretch import Stretch

Told = Mapping[str, str | int | float]
Tell = Callable[[Told], None]
"""Called with one change: "frame", "clock_s", "what", "value" and more, plain values."""


def nobody(_told: Told) -> None:
    """Tell nobody."""


class WatchedMachine(PacedMachine):
    """A paced machine that tells what becomes of it.

    Told are "valve", "pressure", "motion", "moving", "stopped_by", "tripped" and "pump", with
    load [N], stroke and net deflection [m] at that frame; and "outside" or "inside" with the name
    of a channel whose true value crosses the bounds [SI] that `bounds` gives it.
    """

    def __init__(
        self,
        world: World,
        seed: int,
        clock: Clock,
        tell: Tell = nobody,
        bounds: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        self._tell: Tell = nobody  # until there is a present to tell of
        self._seen: dict[str, str] = {}
        super().__init__(world, seed, clock)
        self._tell = tell
        self._bounds = dict(bounds or {}) if tell is not nobody else {}
        self._outside: set[str] = set()
        self._power_on = clock.now()
        self._compare(self._stretch)

    def clock_of(self, frame: int) -> float:
        """Return when a frame begins [s of the clock]."""
        return (self._power_on or 0.0) + frame / self.world.rate

    def tell(self, what: str, value: str) -> None:
        """Tell of a change at the present frame."""
        self.arrive()
        self._tell(self._line(self._stretch, self.frame, what, value))

    def _begin(self, state: RigState) -> Stretch:
        stretch = super()._begin(state)
        if self._tell is not nobody:
            self._compare(stretch)
        return stretch

    def _pass(self, piece: Piece) -> None:
        super()._pass(piece)
        for name, bounds in self._bounds.items():
            self._look(name, bounds, piece)

    def _compare(self, stretch: Stretch) -> None:
        """Tell what is otherwise than it was."""
        state = stretch.source
        for what, value in _facts(state).items():
            if self._seen.get(what) != value:
                self._seen[what] = value
                self._tell(self._line(stretch, state.frame, what, value))

    def _look(self, name: str, bounds: tuple[float, float], piece: Piece) -> None:
        """Tell where a channel's true value leaves its bounds or comes back."""
        stretch, begin, end = piece
        if begin == end:
            return
        signals = stretch.signals(np.arange(begin, end))
        values = true_reading(name, self.world)(signals, stretch.state)
        was = name in self._outside
        if not was and bounds[0] <= values.min() and values.max() <= bounds[1]:
            return  # nearly always
        outside = ~((values >= bounds[0]) & (values <= bounds[1]))
        for at in np.flatnonzero(np.diff(outside, prepend=was)):
            value = "outside" if outside[at] else "inside"
            self._tell(self._line(stretch, begin + int(at), value, name))
        if outside[-1]:
            self._outside.add(name)
        else:
            self._outside.discard(name)

    def _line(
        self, stretch: Stretch, frame: int, what: str, value: str
    ) -> dict[str, str | int | float]:
        now = stretch.value(frame)
        return {
            "frame": frame,
            "clock_s": self.clock_of(frame),
            "what": what,
            "value": value,
            "load_N": float(now.load[0]),
            "stroke_m": float(now.stroke[0]),
            "deflection_m": float(now.net[0]),
        }


def _facts(state: RigState) -> dict[str, str]:
    return {
        "valve": "open" if state.valve_open else "closed",
        "pressure": state.pressure,
        "motion": _kind(state.motion),
        "moving": "yes" if moving_at(state, state.frame) else "no",
        "stopped_by": state.stopped_by or "nothing",
        "tripped": state.tripped or "nothing",
        "pump": "on" if state.pump.on else "off",
    }


def _kind(motion: Motion) -> str:
    """Return what a motion is, in words."""
    if isinstance(motion, Ramp):
        return f"ramp of {motion.loop}" if motion.end > motion.begin else f"hold of {motion.loop}"
    if isinstance(motion, Closed):
        return "valve closed"
    if isinstance(motion, Collapse):
        return "gives way"
    return "cycling" if motion.fall == NEVER else "cycling falls"
