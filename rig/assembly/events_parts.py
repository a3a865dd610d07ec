"""What each event of an events file is on the simulated rig, and what it is a case of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import singledispatch
from typing import Any, Final, Literal

from rig.assembly import events_tables as tables
from rig.ports import InputState
from simulators import disturbances as by_and_by
from simulators import faults, spoiled
from simulators.disturbances import Disturbance
from simulators.faults import Fault, SensorFault
from simulators.motion import NEVER
from simulators.spoiled import Spoiled
from simulators.truth_file import Cause

Part = Fault | Disturbance | Spoiled
FEEDBACK: Final = "load"
"""The channel of the servo loop."""
OF_SLOPES: Final[Mapping[str, Literal["amplitude", "bandwidth", "flow"]]] = {
    "oil-droop": "amplitude",
    "servo-gain": "bandwidth",
    "clogged-nozzle": "flow",
}
"""What falls, by the kind of event."""
OIL: Final = 311.15  # K, as in a simulated rig to which nothing happens


@dataclass(frozen=True, slots=True)
class Span:
    """Frames [begin, end) of an event at `rate` [Hz]; one without an end lasts."""

    begin: int
    end: int
    rate: float

    def frames(self, seconds: float) -> int:
        """Return how many frames a time is, one at least."""
        return max(1, round(seconds * self.rate))


@dataclass(frozen=True, slots=True)
class Made:
    """What an event is a case of, and the parts it has on the simulated rig."""

    cause: Cause
    parts: tuple[Part, ...]


def span_of(event: tables.EventTable, rate: float) -> Span:
    """Return the frames of an event."""
    begin = round(event.at * rate)
    lasting = getattr(event, "lasting", None)
    end = NEVER if lasting is None else max(begin + 1, round((event.at + lasting) * rate))
    return Span(begin, end, rate)


def made(event: tables.EventTable, rate: float) -> Made:
    """Return what an event is on a rig of a rate [Hz]."""
    return _made(event, span_of(event, rate))


@singledispatch
def _made(event: tables.EventTable, span: Span) -> Made:
    raise TypeError(f"no event: {type(event).__name__} from frame {span.begin}")


@_made.register
def _(event: tables.DailyTemperatureTable, s: Span) -> Made:
    period, lag = s.frames(event.period), round(event.lag * s.rate)
    felt = (event.bowing, event.post, event.softer)
    return Made("nothing", (by_and_by.Warmth(s.begin, s.end, event.swing, period, lag, *felt),))


@_made.register
def _(event: tables.ChillTable, s: Span) -> Made:
    return Made("nothing", (by_and_by.Chill(s.begin, event.by),))


@_made.register
def _(event: tables.YieldingTable, s: Span) -> Made:
    over = s.frames(event.over)
    if event.kind == "creep":
        return Made("nothing", (by_and_by.Yielding("net", s.begin, over, event.by),))
    return Made("support", (by_and_by.Yielding("both", s.begin, over, event.by),))


@_made.register
def _(event: tables.SettlementTable, s: Span) -> Made:
    over = s.frames(event.over)
    return Made("support", (by_and_by.Yielding(event.side, s.begin, over, event.by),))


@_made.register
def _(event: tables.WalkingTable, s: Span) -> Made:
    return Made("support", (by_and_by.Walking(s.begin, s.frames(event.over), event.by),))


@_made.register
def _(event: tables.LeaningTable, s: Span) -> Made:
    return Made("nothing", (spoiled.Leaning(event.channel, s.begin, s.end, event.by[0]),))


@_made.register
def _(event: tables.FrictionTable, s: Span) -> Made:
    rubbing = by_and_by.Rubbing(s.begin, s.end, s.frames(event.over), event.share)
    return Made("rig", (rubbing,))


@_made.register
def _(event: tables.CrackTable, s: Span) -> Made:
    return Made("specimen", (by_and_by.Opened(s.begin, event.softer),))


@_made.register
def _(event: tables.WiresTable, s: Span) -> Made:
    return Made("specimen", (by_and_by.Torn(s.begin, event.wires, s.frames(event.every)),))


@_made.register
def _(_event: tables.BrittleEndTable, s: Span) -> Made:
    return Made("specimen", (by_and_by.GivesWay(s.begin),))


@_made.register
def _(event: tables.SlowEndTable, s: Span) -> Made:
    return Made("specimen", (by_and_by.Failing(s.begin, float(event.over), event.loss),))


@_made.register
def _(event: tables.DriftTable, s: Span) -> Made:
    rate = event.by[0] / event.over
    end = s.begin + s.frames(event.over)
    return _sensed(event, faults.Drifting(event.channel, s.begin, end, rate))


@_made.register
def _(event: tables.MovedTable, s: Span) -> Made:
    return _sensed(event, faults.Moved(event.channel, s.begin, event.by[0]))


@_made.register
def _(event: tables.FlatTable, s: Span) -> Made:
    return _sensed(event, faults.Flat(event.channel, s.begin, s.end))


@_made.register
def _(event: tables.SaturatedTable, s: Span) -> Made:
    low = event.end == "low"
    return _sensed(event, faults.Saturated(event.channel, s.begin, s.end, low))


def _sensed(event: Any, fault: SensorFault) -> Made:
    part = faults.InLoop(fault) if event.in_loop else fault
    return Made(_of_channel(event.channel), (part,))


def _of_channel(channel: str) -> Cause:
    return "load" if channel == FEEDBACK else "sensor"


@_made.register
def _(event: tables.SlippingTable, s: Span) -> Made:
    part = spoiled.Slipping(event.channel, s.begin, float(event.every), event.by[0])
    return Made(_of_channel(event.channel), (part,))


@_made.register
def _(event: tables.NoisyTable, s: Span) -> Made:
    part = spoiled.Noisy(event.channel, s.begin, s.end, event.deviation[0])
    return Made(_of_channel(event.channel), (part,))


@_made.register
def _(event: tables.SpikingTable, s: Span) -> Made:
    part = spoiled.Spiking(event.channel, s.begin, s.end, s.frames(event.every), event.by[0])
    return Made(_of_channel(event.channel), (part,))


@_made.register
def _(event: tables.ConnectorTable, s: Span) -> Made:
    of = (event.channel, s.begin, s.end)
    longest = s.frames(event.longest)
    parts = (
        spoiled.Noisy(*of, event.deviation[0]),
        spoiled.Shifted(*of, event.by[0]),
        spoiled.Gaps(*of, s.frames(event.every), longest),
    )
    return Made(_of_channel(event.channel), parts)


@_made.register
def _(event: tables.EndOfRangeTable, s: Span) -> Made:
    part = spoiled.OutOfTravel(event.channel, s.begin, s.end, event.most[0])
    return Made(_of_channel(event.channel), (part,))


@_made.register
def _(event: tables.HumTable, s: Span) -> Made:
    part = spoiled.Hum(event.channel, s.begin, s.end, event.frequency, event.amplitude[0])
    return Made(_of_channel(event.channel), (part,))


@_made.register
def _(event: tables.GapsTable, s: Span) -> Made:
    every, longest = s.frames(event.every), s.frames(event.longest)
    return Made(
        _of_channel(event.channel),
        (spoiled.Gaps(event.channel, s.begin, s.end, every, longest),),
    )


@_made.register
def _(event: tables.SlopeTable, s: Span) -> Made:
    what = OF_SLOPES[event.kind]
    falling = by_and_by.Falling(what, s.begin, s.end, s.frames(event.over), event.to)
    return Made("water" if what == "flow" else "rig", (falling,))


@_made.register
def _(event: tables.NeighbourTable, s: Span) -> Made:
    every, lasts = s.frames(event.every), s.frames(event.lasts)
    return Made("rig", (by_and_by.Dips(s.begin, s.end, every, lasts, event.to),))


@_made.register
def _(event: tables.AirTable, s: Span) -> Made:
    return Made("rig", (by_and_by.Uneven(s.begin, s.end, event.scatter),))


@_made.register
def _(event: tables.PlainTable, s: Span) -> Made:
    if event.kind == "empty-tank":
        return Made("water", (by_and_by.Emptied(s.begin),))
    return Made("rig", (faults.Restarted(s.begin),))


@_made.register
def _(event: tables.PlainPassingTable, s: Span) -> Made:
    if event.kind == "no-flow":
        return Made("water", (faults.NoFlow(s.begin, s.end),))
    changes = [faults.InputChange(s.begin, InputState(leak=True, oil_temperature=OIL))]
    if s.end < NEVER:
        changes.append(faults.InputChange(s.end, InputState(oil_temperature=OIL)))
    return Made("water", tuple(changes))
