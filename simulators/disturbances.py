"""Disturbances of a simulated rig and its specimen that come on by and by, or come and go.

What happens at once is an accident of `faults`, what is done to a channel's samples stands in
`spoiled`. Frames are those of device time; every disturbance is a closed form of the frame, or of
the cycles that the specimen has had, so that a rig that is put back meets it again as it was.
Shapes and figures are invented for the demonstration, unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Warmth:
    """The air warms and cools in frames [begin, end) by `swing` [K] up and down in a `period`.

    Then it stays as it is. The concrete follows it with a `lag` [frames] and for each kelvin of
    its own bends by `bowing` [m], because its faces are never equally warm, and is `softer` by
    that share. A post that carries the mid-span transducer grows by `post` [m] for each kelvin of
    the air.
    """

    begin: int
    end: int
    swing: float
    period: int
    lag: int
    bowing: float
    post: float
    softer: float


@dataclass(frozen=True, slots=True)
class Chill:
    """From `begin` on cold water bends the specimen by `by` [m], as much as its crack is wet."""

    begin: int
    by: float


@dataclass(frozen=True, slots=True)
class Yielding:
    """Something gives way slowly from `begin` on, by `by` [m] in the end, 95 % of it in `over`.

    "net" is the specimen itself: creep. "both" supports sink alike on their bearing pads, "left"
    or "right" settles alone.
    """

    what: Literal["net", "both", "left", "right"]
    begin: int
    over: int
    by: float


@dataclass(frozen=True, slots=True)
class Walking:
    """From `begin` on a roller walks outward: the span grows by `by` [m] in `over` frames."""

    begin: int
    over: int
    by: float


@dataclass(frozen=True, slots=True)
class Opened:
    """At `begin` a crack opens: the specimen is `softer` by that share from then on, no more."""

    begin: int
    softer: float


@dataclass(frozen=True, slots=True)
class Torn:
    """From `begin` on `count` wires of the hardest tendon break, one in each `every` frames."""

    begin: int
    count: int
    every: int


@dataclass(frozen=True, slots=True)
class GivesWay:
    """The specimen breaks near the top of the first cycle that ends after `begin`, brittly."""

    begin: int


@dataclass(frozen=True, slots=True)
class Failing:
    """From `begin` on the specimen loses a share `loss` of its stiffness in `over` cycles.

    In three stages: soon, steadily, and faster and faster; then it breaks.
    """

    begin: int
    over: float
    loss: float


@dataclass(frozen=True, slots=True)
class Rubbing:
    """The spreader touches a guide in frames [begin, end): a `share` of the load goes past.

    It grows within `over` frames.
    """

    begin: int
    end: int
    over: int
    share: float


@dataclass(frozen=True, slots=True)
class Falling:
    """Something falls to the share `to` of itself within `over` frames from `begin` on.

    From `end` on it recovers as slowly. The "amplitude" that cycling reaches: oil is short. The
    "bandwidth" of the loop: it has lost gain. The "flow" of water: nozzles clog; the pump takes as
    much from the tank as before, for the rest goes back through its relief valve.
    """

    what: Literal["amplitude", "bandwidth", "flow"]
    begin: int
    end: int
    over: int
    to: float


@dataclass(frozen=True, slots=True)
class Dips:
    """A neighbour on the same pump starts once in each `every` frames of [begin, end).

    For `lasts` frames the amplitude falls to the share `to` and comes back.
    """

    begin: int
    end: int
    every: int
    lasts: int
    to: float


@dataclass(frozen=True, slots=True)
class Uneven:
    """Air in the line in frames [begin, end): each cycle is short by another share of amplitude.

    `scatter` is their root mean square.
    """

    begin: int
    end: int
    scatter: float


@dataclass(frozen=True, slots=True)
class Emptied:
    """The tank is empty from `begin` on: a hose has slipped, nobody filled it."""

    begin: int


Disturbance = (
    Warmth
    | Chill
    | Yielding
    | Walking
    | Opened
    | Torn
    | GivesWay
    | Failing
    | Rubbing
    | Falling
    | Dips
    | Uneven
    | Emptied
)
