"""The shape of an events file: what happens in a rehearsal, and when."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from rig.protocol.fields import Amount, Duration, Name, Table, Text, amount, count, quantity, whole

_DIMENSIONS: Final = {
    "force": (1e7, "kN"),
    "length": (10.0, "mm"),
    "strain": (0.1, "um/m"),
    "acceleration": (1e3, "m/s2"),
}
"""Of what a sampled channel measures: the largest amount [SI], and the unit it is told in."""

Shift = Annotated[Amount, amount({d: (-most, most, u) for d, (most, u) in _DIMENSIONS.items()})]
Size = Annotated[Amount, amount({d: (0.0, most, u) for d, (most, u) in _DIMENSIONS.items()})]
Lasting = Annotated[float, quantity("time", 0.1, 60 * 86400.0, "min")]
Growing = Annotated[float, quantity("time", 1.0, 60 * 86400.0, "min")]
Often = Annotated[float, quantity("time", 0.1, 86400.0, "s")]
Instant = Annotated[float, quantity("time", 1e-3, 60.0, "ms")]
Left = Annotated[float, quantity("fraction", 0.0, 1.0, "%")]
Sunk = Annotated[float, quantity("length", -0.1, 0.1, "mm")]
PerKelvin = Annotated[float, quantity("length", -1e-3, 1e-3, "um")]
Softer = Annotated[float, quantity("fraction", 0.0, 2.0, "%")]


class EventTable(Table):
    """What every `[[event]]` has: when it begins [s of the test]."""

    at: Duration


class PassingTable(EventTable):
    """An event that may end: how long it lasts [s]."""

    lasting: Lasting | None = Field(default=None, alias="for")


class DailyTemperatureTable(PassingTable):
    """The air warms and cools; for each kelvin the specimen bends and softens, the post grows."""

    kind: Literal["daily-temperature"]
    swing: Annotated[float, quantity("temperature difference", 0.0, 50.0, "K")]
    period: Annotated[float, quantity("time", 60.0, 60 * 86400.0, "h")] = 86400.0
    lag: Annotated[float, quantity("time", 0.0, 7 * 86400.0, "h")] = 3600.0
    bowing: PerKelvin = 0.0
    post: PerKelvin = 0.0
    softer: Annotated[float, quantity("fraction", -0.05, 0.05, "%")] = 0.0


class ChillTable(EventTable):
    """Cold water bends the specimen while its crack is wet."""

    kind: Literal["chill"]
    by: Sunk


class YieldingTable(EventTable):
    """The specimen creeps, or both bearing pads do."""

    kind: Literal["creep", "pad-creep"]
    by: Sunk
    over: Growing


class SettlementTable(EventTable):
    """One support settles."""

    kind: Literal["settlement"]
    side: Literal["left", "right"]
    by: Sunk
    over: Growing


class WalkingTable(EventTable):
    """A roller walks outward: the span grows."""

    kind: Literal["roller-walking"]
    by: Sunk
    over: Growing


class LeaningTable(EventTable):
    """Somebody leans on the frame."""

    kind: Literal["leaning"]
    channel: Name = "midspan"
    by: Shift
    lasting: Lasting = Field(default=6.0, alias="for")


class FrictionTable(PassingTable):
    """The spreader touches a guide: a share of the load goes past the specimen."""

    kind: Literal["guide-friction"]
    share: Annotated[float, quantity("fraction", 0.0, 0.5, "%")]
    over: Growing = 60.0


class CrackTable(EventTable):
    """A crack opens suddenly, and then is stable."""

    kind: Literal["crack"]
    softer: Softer


class WiresTable(EventTable):
    """Wires of a tendon break one by one."""

    kind: Literal["wires"]
    wires: Annotated[int, whole(1, 100)]
    every: Growing = 60.0


class BrittleEndTable(EventTable):
    """The specimen breaks at once."""

    kind: Literal["brittle-end"]


class SlowEndTable(EventTable):
    """The specimen loses stiffness in three stages, then breaks."""

    kind: Literal["slow-end"]
    over: Annotated[int, count(10, 10**8)]
    loss: Annotated[float, quantity("fraction", 0.01, 0.95, "%")]


class ChannelTable(EventTable):
    """An event of one sampled channel."""

    channel: Name


class PassingChannelTable(PassingTable):
    """An event of one sampled channel that may end."""

    channel: Name


class DriftTable(ChannelTable):
    """The zero drifts."""

    kind: Literal["drift"]
    by: Shift
    over: Growing
    in_loop: bool = False


class MovedTable(ChannelTable):
    """A sensor was moved."""

    kind: Literal["moved"]
    by: Shift
    in_loop: bool = False


class SlippingTable(ChannelTable):
    """A sensor slips a little, again and again."""

    kind: Literal["slipping"]
    by: Shift
    every: Annotated[int, count(1, 10**7)]


class FlatTable(PassingChannelTable):
    """A channel shows the same value."""

    kind: Literal["flat"]
    in_loop: bool = False


class SaturatedTable(PassingChannelTable):
    """A channel stands at an end of its range."""

    kind: Literal["saturated"]
    end: Literal["high", "low"] = "high"
    in_loop: bool = False


class NoisyTable(PassingChannelTable):
    """A channel is noisier; `deviation` is the standard deviation of what is added."""

    kind: Literal["noisy"]
    deviation: Size


class SpikingTable(PassingChannelTable):
    """False samples, one in each `every`."""

    kind: Literal["spiking"]
    by: Size
    every: Often


class ConnectorTable(PassingChannelTable):
    """Water in a connector: noise, offset and drop-outs together."""

    kind: Literal["wet-connector"]
    deviation: Size
    by: Shift
    every: Often = 60.0
    longest: Instant = 2e-3


class EndOfRangeTable(PassingChannelTable):
    """A sensor is at the end of its travel and shows nothing beyond."""

    kind: Literal["end-of-range"]
    most: Shift


class HumTable(PassingChannelTable):
    """The mains are heard."""

    kind: Literal["hum"]
    amplitude: Size
    frequency: Annotated[float, quantity("frequency", 10.0, 400.0, "Hz")] = 50.0


class GapsTable(PassingChannelTable):
    """Samples are missing now and then."""

    kind: Literal["gaps"]
    every: Often
    longest: Instant = 2e-3


class SlopeTable(PassingTable):
    """What falls to a share of itself: oil, the loop's bandwidth, the flow through nozzles."""

    kind: Literal["oil-droop", "servo-gain", "clogged-nozzle"]
    to: Left
    over: Growing = 60.0


class NeighbourTable(PassingTable):
    """Another station on the same pump starts now and then."""

    kind: Literal["neighbour"]
    to: Left
    every: Growing
    lasts: Annotated[float, quantity("time", 0.1, 3600.0, "s")] = 2.0


class AirTable(PassingTable):
    """Air in the line: no cycle is as large as the next."""

    kind: Literal["air-in-line"]
    scatter: Annotated[float, quantity("fraction", 0.0, 0.3, "%")]


class PlainTable(EventTable):
    """What simply happens."""

    kind: Literal["controller-restart", "empty-tank"]


class PlainPassingTable(PassingTable):
    """What simply happens, and may end."""

    kind: Literal["no-flow", "leak"]


AnyEvent = Annotated[
    DailyTemperatureTable
    | ChillTable
    | YieldingTable
    | SettlementTable
    | WalkingTable
    | LeaningTable
    | FrictionTable
    | CrackTable
    | WiresTable
    | BrittleEndTable
    | SlowEndTable
    | DriftTable
    | MovedTable
    | SlippingTable
    | FlatTable
    | SaturatedTable
    | NoisyTable
    | SpikingTable
    | ConnectorTable
    | EndOfRangeTable
    | HumTable
    | GapsTable
    | SlopeTable
    | NeighbourTable
    | AirTable
    | PlainTable
    | PlainPassingTable,
    Field(discriminator="kind"),
]


class EventsFile(Table):
    """A whole events file; without events nothing happens, and the truth is told all the same."""

    what = "events file"
    required = ("title",)

    title: Text = ""
    event: list[AnyEvent | None] = Field(default_factory=list, max_length=10_000)
