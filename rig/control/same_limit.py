"""Whether a limit reads back from the controller as it was given."""

from __future__ import annotations

from typing import Final

from rig.protocol.plan import Bounds, RigPlan

LEAST_STEP: Final = 1e-6  # of the actuator's range, within which a limit reads back the same


def same_limit(rig: RigPlan, name: str, given: Bounds, answer: Bounds | None) -> bool:
    """Tell whether a limit [SI] on load or stroke reads back: a controller keeps so many digits."""
    if answer is None:
        return False
    low, high = rig.actuator.load if name == "load" else rig.actuator.stroke
    steps = [c.resolution for c in rig.channels if c.name == name]
    step = max(*steps, LEAST_STEP * (high - low), 0.0)
    pairs = zip(given, answer, strict=True)
    return all(own == back or abs(own - back) <= step for own, back in pairs)
