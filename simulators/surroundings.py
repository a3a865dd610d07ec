"""What is about a simulated specimen and changes slowly: warmth, wet, supports, guides, damage.

From stretch to stretch the specimen's curve is another one. A stretch is short where something
changes, so that no step shows; it stays periodic, and without disturbances nothing is asked here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final, TypeVar

from simulators.disturbances import (
    Chill,
    Disturbance,
    Emptied,
    Failing,
    Falling,
    GivesWay,
    Opened,
    Rubbing,
    Torn,
    Walking,
    Warmth,
    Yielding,
)
from simulators.motion import NEVER, Cycling
from simulators.setup import SimulationSetup
from simulators.specimen import Curve, increasing
from simulators.spoiled import Slipping
from simulators.unsteady import UnsteadyLoop, left_of
from simulators.warmth import air_warmer, settled, warmer
from simulators.wear import WIRE_STEP

if TYPE_CHECKING:
    from simulators.state import RigState

D = TypeVar("D")

QUICK: Final = 1.0  # s, the shortest stretch that is made for a disturbance
SLOW: Final = 10.0  # s, the longest while one lasts
PIECES: Final = 300  # at least, of what takes a while
FAILING: Final = 1000  # steps in which a failing specimen loses its stiffness
WET: Final = 0.98  # how full of water a crack is when it chills hardly any further
STAGES: Final = ((0.15, 0.03), (0.25, 1.0), (0.60, 8.0))
"""Share of what is lost, and its time or power: the first, second and third stage of failing."""


class Surroundings:
    """The disturbances of one rig by what they do; false where there are none."""

    def __init__(self, setup: SimulationSetup, seed: int) -> None:
        self._setup = setup
        self._all = setup.disturbances
        self.loop = UnsteadyLoop(setup.disturbances, seed)
        self.warm = self._of(Warmth)
        self._counting: tuple[Failing | Slipping, ...] = (
            *self._of(Failing),
            *(s for s in setup.spoiled if isinstance(s, Slipping)),
        )
        self._any = bool(self._all or self._counting)

    def __bool__(self) -> bool:
        return self._any

    def _of(self, kind: type[D]) -> tuple[D, ...]:
        return tuple(d for d in self._all if isinstance(d, kind))

    # When.

    def next_change(self, state: RigState) -> int:
        """Return the next frame at which a stretch must end."""
        frame = state.frame
        at = [c for c in (*self._instants(), *self.loop.changes(frame)) if c > frame]
        steps = [s for d in self._all if (s := self._step(d, state)) > 0]
        at += [(frame // step + 1) * step for step in steps]
        return min(at, default=NEVER)

    def _instants(self) -> Iterator[int]:
        for disturbance in (*self._all, *self._counting):
            yield disturbance.begin
            end = getattr(disturbance, "end", NEVER)
            if end < NEVER:
                yield end
            if isinstance(disturbance, Torn):
                wires = range(disturbance.count)
                yield from (disturbance.begin + wire * disturbance.every for wire in wires)

    def _step(self, disturbance: Disturbance, state: RigState) -> int:
        """Return how many frames a stretch may last for a disturbance, 0 for any number."""
        since, rate = state.frame - disturbance.begin, self._setup.rate
        quick, slow = round(QUICK * rate), round(SLOW * rate)
        if since < 0:
            return 0
        match disturbance:
            case Warmth():
                return 0 if settled(disturbance, state.frame) else slow
            case Chill():
                return quick if state.pump.on and state.wet < WET else slow
            case Yielding(over=over):
                return min(max(over // PIECES, quick), slow) if since < 2 * over else 0
            case Walking(over=over) | Rubbing(over=over):
                return min(max(over // PIECES, quick), slow) if since < over else 0
            case Failing(over=over) if isinstance(state.motion, Cycling):
                cycles = max(over / FAILING, 1.0)
                return min(max(round(cycles * rate / state.motion.frequency), 1), quick)
            case _:
                return 0

    def entered(self, state: RigState) -> RigState:
        """Return the state in which a stretch begins, with what has just happened to it."""
        marks = state.marks or (-1.0,) * len(self._counting)
        begun = [
            state.specimen.cycles if mark < 0 and state.frame >= counting.begin else mark
            for mark, counting in zip(marks, self._counting, strict=True)
        ]
        if tuple(begun) != state.marks:
            state = replace(state, marks=tuple(begun))
        wires = sum(
            min(t.count, 1 + (state.frame - t.begin) // t.every)
            for t in self._of(Torn)
            if state.frame >= t.begin
        )
        torn = 1 + (wires - 0.5) * WIRE_STEP
        if wires and state.specimen.torn < torn:
            state = replace(state, specimen=replace(state.specimen, torn=torn))
        return state

    # The specimen.

    def curve(self, curve: Curve, state: RigState, frame_stiffness: float) -> Curve:
        """Return the response of a specimen with all that is about it.

        Loads are those of the cell: of them only a share reaches it where the spreader rubs.
        """
        broken = state.specimen.broken_at >= 0
        net = curve.net * (1.0 if broken else self.softer(state)) + self._bent(state)
        left, right = self.sunk(state.frame)
        support = curve.support + (left + right) / 2
        load = curve.load / self.through(state.frame)
        stroke = increasing(state.gap + net + support + load / frame_stiffness)
        return replace(curve, load=load, net=net, support=support, stroke=stroke)

    def softer(self, state: RigState) -> float:
        """Return flexibility over what it would be without disturbances."""
        found, frame = 1.0, state.frame
        for d in self._all:
            if frame < d.begin:
                continue
            match d:
                case Opened():
                    found *= 1 + d.softer
                case Warmth():
                    found *= 1 + d.softer * warmer(d, frame)
                case Walking():
                    span = self._setup.truth.span
                    grown = min((frame - d.begin) / d.over, 1.0) * d.by
                    found *= ((span + grown) / span) ** 3
                case Failing():
                    found *= _failed(d, self._failing(d, state))
                case _:
                    pass
        return found

    def _failing(self, failing: Failing, state: RigState) -> float:
        """Return the share of its cycles that a failing specimen has had."""
        mark = state.marks[self._counting.index(failing)] if state.marks else -1.0
        return min((state.specimen.cycles - mark) / failing.over, 1.0) if mark >= 0 else 0.0

    def _bent(self, state: RigState) -> float:
        """Return what bends the specimen beside its load [m]."""
        frame, found = state.frame, 0.0
        for d in self._all:
            match d:
                case Warmth():
                    found += d.bowing * warmer(d, frame)
                case Chill() if frame >= d.begin:
                    found += d.by * state.wet
                case Yielding(what="net"):
                    found += _yielded(d, frame)
                case _:
                    pass
        return found

    def gives_way(self, state: RigState) -> bool:
        """Tell whether a specimen that is whole breaks in the cycle that comes."""
        if state.specimen.broken_at >= 0:
            return False
        failed = any(self._failing(d, state) >= 1 for d in self._of(Failing))
        return failed or self.brittle(state)

    def brittle(self, state: RigState) -> bool:
        """Tell whether it does so brittly."""
        return any(state.frame >= d.begin for d in self._of(GivesWay))

    def mark(self, slipping: Slipping, marks: tuple[float, ...]) -> float:
        """Return the cycles that the specimen had had when a sensor began to slip; -1: not yet."""
        return marks[self._counting.index(slipping)] if marks else -1.0

    # What is about it.

    def sunk(self, frame: int) -> tuple[float, float]:
        """Return by how much the left and the right support have sunk [m]."""
        both, left, right = (
            sum(_yielded(d, frame) for d in self._of(Yielding) if d.what == what)
            for what in ("both", "left", "right")
        )
        return both + left, both + right

    def through(self, frame: int) -> float:
        """Return the share of the cell's load that reaches the specimen."""
        past = (
            d.share * min((frame - d.begin) / d.over, 1.0)
            for d in self._of(Rubbing)
            if d.begin <= frame < d.end
        )
        return math.prod(1 - share for share in past)

    def post(self, frame: int) -> float:
        """Return by how much the mid-span transducer shows too much [m]: its post has grown."""
        return sum(d.post * air_warmer(d, frame) for d in self.warm)

    def air(self, frame: int) -> float:
        """Return by how much the air is warmer [K]."""
        return sum(air_warmer(d, frame) for d in self.warm)

    # Water.

    def flowing(self, frame: int) -> float:
        """Return the share of the pump's flow that comes out."""
        clogged = (d for d in self._of(Falling) if d.what == "flow")
        return math.prod(float(left_of(d, frame)) for d in clogged)

    @property
    def emptied(self) -> int:
        """The frame from which on the tank is empty."""
        return min((d.begin for d in self._of(Emptied)), default=NEVER)


def _yielded(yielding: Yielding, frame: int) -> float:
    since = frame - yielding.begin
    return yielding.by * -math.expm1(-3 * since / yielding.over) if since > 0 else 0.0


def _failed(failing: Failing, used: float) -> float:
    """Return flexibility over that before, of one that has used a share of its cycles."""
    (first, soon), (second, _), (third, power) = STAGES
    early = math.expm1(-used / soon) / math.expm1(-1 / soon)
    lost: float = first * early + second * used + third * used**power
    return 1 + lost * (1 / (1 - failing.loss) - 1)
