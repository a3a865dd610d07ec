"""How a specimen gives way: its load falls to what is left, its deflection runs away."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from simulators.motion import NEVER, Collapse
from simulators.signals import Signals
from simulators.state import RigState, World, counter_at
from simulators.wear import broken_wires

COLLAPSE_TIME: Final = {"brittle": 0.003, "gradual": 0.05}  # s
RUNAWAY: Final = 0.02  # m/s, actuator searching for a load that nothing carries


def collapsed(world: World, state: RigState, now: Signals) -> RigState:
    """Return the state in which a specimen gives way, from the signals at its frame."""
    setup, beam = world.setup, world.beam
    load, net = float(now.load[0]), float(now.net[0])
    left = min(beam.left_over, 0.3 * load)
    jump = setup.truth.span / 300
    brittle = broken_wires(state.specimen.torn) or world.around.brittle(state)
    ending = "brittle" if brittle else setup.ending
    motion = Collapse(
        state.frame,
        load,
        left,
        net,
        jump,
        COLLAPSE_TIME[ending] * setup.rate,
        min(RUNAWAY, setup.actuator.speed) / setup.rate,
        max(jump, setup.actuator.stroke_high - float(now.stroke[0])),
    )
    broken = replace(state.specimen, broken_at=net + jump, broken_load=left)
    counter = counter_at(state, state.frame)
    return replace(state, motion=motion, specimen=broken, counter=counter, collapse_at=NEVER)
