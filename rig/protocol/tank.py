"""How long the tank lasts under the spray schedule, and with what flows into it meanwhile."""

from __future__ import annotations

import math

from rig.protocol.estimate import estimate, first_water
from rig.protocol.plan import Plan, PumpPlan, SpraySchedule


def tank_lasts(plan: Plan) -> float | None:
    """Return when the tank is empty [s from the start], None where it lasts to the end.

    It is full at the start. What pauses and inspections add is in the estimate of the test, and
    counted as time in which the schedule goes on.
    """
    pump, spray, loading = plan.rig.pump, plan.spray, plan.loading
    if pump is None or spray is None or loading is None or plan.cyclic is None:
        return None
    first = first_water(plan, spray, loading.frequency)
    after = _emptied_after(pump, spray, loading.frequency)
    return first + after if first + after < estimate(plan).duration_s else None


def mean_use(spray: SpraySchedule) -> float:
    """Return the water [m3/s] that the schedule takes on average."""
    return spray.flow if spray.continuous else spray.flow * spray.on / spray.every


def _emptied_after(pump: PumpPlan, spray: SpraySchedule, frequency: float) -> float:
    """Return the time [s] from the first water to the empty tank, inf where it never is."""
    falls = spray.flow - pump.make_up
    if falls <= 0:
        return math.inf
    if spray.continuous:
        return pump.tank / falls
    scale = 1 / frequency if spray.period_unit == "cycles" else 1.0
    on, every = spray.on * scale, spray.every * scale
    down = falls * on
    if down >= pump.tank:
        return pump.tank / falls
    lost = down - pump.make_up * (every - on)
    if lost <= 0:
        return math.inf
    # So many whole periods pass before one whose water is more than what is left.
    whole = math.ceil((pump.tank - down) / lost)
    return whole * every + (pump.tank - whole * lost) / falls
