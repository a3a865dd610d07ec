"""What each channel shows of the rig's signals, before noise and resolution.

A load cell shows what the specimen carries and, above a moving mass, what accelerates that; with
it `reading` gives what a perfect sensor there would show, `reading_shown` what this one does.
Factors are invented for the demonstration.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from rig.samples import FloatArray
from simulators.faults import Flat, Missing
from simulators.recorded_stretch import lines_of
from simulators.shown import Scales
from simulators.signals import Signals
from simulators.state import RigState, World

SECOND_CELL: Final = 1.004  # second load measure over the first
UNEVEN: Final = 0.03  # left support moves more by this fraction, the right one less
DAY: Final = 86400.0
PRESSURE: Final = {"off": 0.0, "low": 3.0e6, "high": 20.7e6}  # Pa, of the oil

INSULATION: Final = (2e9, 3e8)
"""Ohm between a gauge and the tendon: dry, and with its crack full of water."""

Reading = Callable[[Signals, RigState], FloatArray]


def reading(name: str, world: World) -> Reading:
    """Return the function that gives a sampled channel from signals.

    Raises ValueError for a channel the simulated rig does not have.
    """
    pull = world.setup.pull
    plain: dict[str, Reading] = {
        "load": lambda s, _: _cell(s, pull),
        "load_2": lambda s, _: _cell(s, pull) * SECOND_CELL,
        "acceleration": lambda s, _: 0.0 * s.load if s.acceleration is None else s.acceleration,
        "stroke": lambda s, _: s.stroke,
        "midspan": lambda s, _: s.net + s.support,
        "deflection": lambda s, _: s.net,
        "support_left": lambda s, _: s.support * (1 + UNEVEN),
        "support_right": lambda s, _: s.support * (1 - UNEVEN),
        "crack_opening": lambda s, r: world.opening(s.load, s.net, r.specimen),
    }
    families: dict[str, Reading] = {
        "end_slip_": lambda s, r: 0.0 * s.load + world.slip(r.specimen),
        "strain_": lambda s, r: world.strain(_borne(s, r, world), s.net, r.specimen),
    }
    if world.around:
        plain |= _surrounded(world)
    recorded = world.setup.recorded
    if recorded is not None and name in recorded.channels:
        return lambda s, _: lines_of(s).channels[name].at(s.load)
    found = plain.get(name) or families.get(name.rstrip("0123456789"))
    if found is None:
        raise ValueError(f"the simulated rig has no sampled channel {name!r}")
    return found


def _surrounded(world: World) -> dict[str, Reading]:
    """Return the readings that are others where something is about the specimen."""
    around = world.around

    def support(s: Signals, r: RigState, side: int) -> FloatArray:
        sunk = around.sunk(r.frame)
        uneven = 1 + UNEVEN if side == 0 else 1 - UNEVEN
        shown: FloatArray = (s.support - sum(sunk) / 2) * uneven + sunk[side]
        return shown

    def opening(s: Signals, r: RigState) -> FloatArray:
        softer = around.softer(r)
        wide = world.opening(_borne(s, r, world), s.net / softer, r.specimen)
        shown: FloatArray = softer * wide
        return shown

    return {
        "midspan": lambda s, r: s.net + s.support + around.post(r.frame),
        "support_left": lambda s, r: support(s, r, 0),
        "support_right": lambda s, r: support(s, r, 1),
        "crack_opening": opening,
    }


def _borne(signals: Signals, state: RigState, world: World) -> FloatArray:
    """Return the load that reaches the specimen [N]."""
    if not world.around:
        return signals.load
    borne: FloatArray = signals.load * world.around.through(state.frame)
    return borne


def _cell(signals: Signals, pull: float) -> FloatArray:
    if signals.acceleration is None:
        return signals.load
    shown: FloatArray = signals.load + pull * signals.acceleration
    return shown


def true_reading(name: str, world: World) -> Reading:
    """Return the function that gives what is true of a channel: of a load, the specimen's own."""
    if name == "load":
        return lambda s, _: s.load
    return reading(name, world)


def reading_shown(name: str, world: World) -> Reading:
    """Return the function that gives what a channel shows, as far from true as its points say."""
    perfect = reading(name, world)
    if name not in world.setup.points:
        return perfect
    scales = Scales(world.setup.points)
    return lambda s, r: scales.all_shown(name, perfect(s, r))


def slow_readings(names: tuple[str, ...], world: World, state: RigState) -> dict[str, float]:
    """Return the slow channels at the state's frame [SI], NaN for one that it does not have.

    Of accidents `Flat` with a value and `Missing` happen to them as to sampled ones.
    """
    day = math.sin(2 * math.pi * state.frame / world.rate / DAY)
    air = world.around.air(state.frame) if world.around.warm else 1.5 * day
    values = {
        "temperature_air": 293.15 + air,
        "temperature_water": 292.65 + 0.5 * day,
        "temperature_oil": 311.15 + 1.0 * day,
        "flow": world.flow(state.pump, state.frame),
        "tank": world.tank(state.pump, state.frame),
        "level": 0.30 if world.setup.exposure == "submerged" else 0.0,
        "pressure": PRESSURE[state.pressure],
    }
    dry, wet = INSULATION
    insulation = dry * (wet / dry) ** state.wet
    found = {
        name: insulation if name.startswith("insulation_") else values.get(name, math.nan)
        for name in names
    }
    scales = Scales(world.setup.points)
    found = {name: scales.shown(name, value) for name, value in found.items()}
    for fault in world.setup.faults:
        if not isinstance(fault, Flat | Missing) or fault.channel not in found:
            continue
        if fault.begin <= state.frame < fault.end:
            stuck = math.nan if isinstance(fault, Missing) else fault.value
            found[fault.channel] = found[fault.channel] if stuck is None else stuck
    return found
