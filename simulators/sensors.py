"""What each channel shows of the rig's signals, before noise and resolution.

Factors are invented for the demonstration.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from rig.samples import FloatArray
from simulators.recorded_stretch import lines_of
from simulators.state import RigState, World
from simulators.stretch import Signals

SECOND_CELL: Final = 1.004  # second load measure over the first
UNEVEN: Final = 0.03  # left support moves more by this fraction, the right one less
OPENING: Final = 0.85  # deflection over crack opening (EN 14651 for notched prisms, from memory)
SLIP: Final = 4e-5  # m of end slip of a worn-out tendon
STRAIN: Final = 0.6  # strain per deflection over span
DAY: Final = 86400.0
PRESSURE: Final = {"off": 0.0, "low": 3.0e6, "high": 20.7e6}  # Pa, of the oil

Reading = Callable[[Signals, RigState], FloatArray]


def reading(name: str, world: World) -> Reading:
    """Return the function that gives a sampled channel from signals.

    Raises ValueError for a channel the simulated rig does not have.
    """
    truth = world.setup.truth
    plain: dict[str, Reading] = {
        "load": lambda s, _: s.load,
        "load_2": lambda s, _: s.load * SECOND_CELL,
        "stroke": lambda s, _: s.stroke,
        "midspan": lambda s, _: s.net + s.support,
        "deflection": lambda s, _: s.net,
        "support_left": lambda s, _: s.support * (1 + UNEVEN),
        "support_right": lambda s, _: s.support * (1 - UNEVEN),
        "crack_opening": lambda s, _: (s.net - s.load / truth.stiffness).clip(0) / OPENING,
    }
    families: dict[str, Reading] = {
        "end_slip_": lambda s, r: 0.0 * s.load + SLIP * r.specimen.used**2,
        "strain_": lambda s, _: s.net * (STRAIN / truth.span),
    }
    recorded = world.setup.recorded
    if recorded is not None and name in recorded.channels:
        return lambda s, _: lines_of(s).channels[name].at(s.load)
    found = plain.get(name) or families.get(name.rstrip("0123456789"))
    if found is None:
        raise ValueError(f"the simulated rig has no sampled channel {name!r}")
    return found


def slow_readings(names: tuple[str, ...], world: World, state: RigState) -> dict[str, float]:
    """Return the slow channels at the state's frame [SI], NaN for one that it does not have."""
    day = math.sin(2 * math.pi * state.frame / world.rate / DAY)
    values = {
        "temperature_air": 293.15 + 1.5 * day,
        "temperature_water": 292.65 + 0.5 * day,
        "temperature_oil": 311.15 + 1.0 * day,
        "flow": world.flow(state.pump, state.frame),
        "tank": world.tank(state.pump, state.frame),
        "level": 0.30 if world.setup.exposure == "submerged" else 0.0,
        "pressure": PRESSURE[state.pressure],
    }
    return {name: values.get(name, math.nan) for name in names}
