"""What a plan asks of its rig, told to people and to scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.protocol.dead_load import dead_load_words
from rig.protocol.finding import figure

if TYPE_CHECKING:
    from rig.protocol.capability import Capability, Cycling
    from rig.protocol.plan import Plan

_LITRES = 6e4


def capability_lines(plan: Plan, needed: Capability) -> list[str]:
    """Return the figures as lines for people; deflections are those expected of the specimen."""
    share = needed.cell_share
    of_cell = "beyond" if share > 1 else f"{share * 100:.0f} % of"
    lines = [
        f"On this rig: the {needed.force_of} of {figure(needed.force / 1e3, 3)} kN is "
        f"{of_cell} the load cell's range; the rod needs up to "
        f"{figure(needed.stroke * 1e3, 2)} mm of stroke."
    ]
    if needed.cycling is not None:
        lines += _cycling(plan, needed.cycling)
    words = dead_load_words(plan.rig.trust.frame)
    return [*lines, f"{words[0].upper()}{words[1:]}."] if words else lines


def _cycling(plan: Plan, cycling: Cycling) -> list[str]:
    actuator, mass = plan.rig.actuator, plan.rig.trust.frame.moving_mass
    soft = ""
    if cycling.softening > 1:
        loss = (1 - 1 / cycling.softening) * 100
        soft = f", {figure(cycling.travel_soft * 1e3, 2)} mm with {loss:.0f} % less stiffness"
    lines = [
        f"On a rigid frame each cycle moves the rod {figure(cycling.travel * 1e3, 2)} mm"
        f"{soft}, at up to {figure(cycling.speed_soft * 1e3, 2)} mm/s (it can do "
        f"{actuator.speed * 1e3:g} mm/s) and {figure(cycling.acceleration, 2)} m/s².",
        f"{cycling.samples:.0f} samples a cycle tell its load range to "
        f"{figure(cycling.load.total * 100, 2)} % and its deflection range to "
        f"{figure(cycling.deflection.total * 100, 2)} % ({_asked(plan)}).",
        f"First natural frequency, cracked all along, about {figure(cycling.first_frequency)} Hz; "
        f"the test runs at {cycling.ratio * 100:.0f} % of it. Uncracked, about "
        f"{figure(cycling.whole_frequency)} Hz.",
    ]
    if mass:
        lines.append(
            f"The {mass:g} kg between cell and specimen take up to "
            f"{figure(cycling.inertia, 2)} N to move."
        )
    oil = plan.rig.trust.supply
    if oil is not None and cycling.flow_mean is not None and cycling.flow_peak is not None:
        others = f", of which others take {figure(oil.others * _LITRES, 3)}" if oil.others else ""
        lines.append(
            f"Oil: {figure(cycling.flow_mean * _LITRES, 2)} L/min, "
            f"{figure(cycling.flow_peak * _LITRES, 2)} at the fastest; the pump gives "
            f"{figure(oil.flow * _LITRES, 3)} L/min{others}."
        )
    return lines


def _asked(plan: Plan) -> str:
    load, deflection = plan.accuracy.load * 100, plan.accuracy.deflection * 100
    if load == deflection:
        return f"asked: {load:g} %"
    return f"asked: {load:g} and {deflection:g} %"


def capability_object(needed: Capability) -> dict[str, Any]:
    """Return the figures for scripts, in SI, with the unit in each name."""
    return {
        "force_N": needed.force,
        "force_of": needed.force_of,
        "share_of_cell": _finite(needed.cell_share),
        "stroke_m": needed.stroke,
        "deflection_m": needed.deflection,
        "expected_ultimate_N": needed.ultimate,
        "tank_lasts_s": needed.tank_lasts,
        "cycling": None if needed.cycling is None else _cycling_object(needed.cycling),
    }


def _cycling_object(cycling: Cycling) -> dict[str, Any]:
    return {
        "travel_m": cycling.travel,
        "travel_soft_m": cycling.travel_soft,
        "speed_m_s": cycling.speed,
        "speed_soft_m_s": cycling.speed_soft,
        "acceleration_m_s2": cycling.acceleration,
        "inertia_N": cycling.inertia,
        "flow_mean_m3_s": cycling.flow_mean,
        "flow_peak_m3_s": cycling.flow_peak,
        "valve_rated_m3_s": _finite(cycling.valve),
        "first_frequency_Hz": cycling.first_frequency,
        "first_frequency_uncracked_Hz": cycling.whole_frequency,
        "frequency_ratio": cycling.ratio,
        "samples_a_cycle": cycling.samples,
        "load_error": cycling.load.total,
        "deflection_error": cycling.deflection.total,
    }


def _finite(value: float | None) -> float | None:
    # No valve, or no cell, does it: JSON knows no infinity.
    return None if value == float("inf") else value
