"""Where a rig cannot move as a plan asks of it: findings that warn and never refuse.

Shares and figures are common practice without a source, except where one is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.mechanics.actuator import largest_travel
from rig.protocol.capability import Capability, Cycling, channel_of, channel_path, has_sampled
from rig.protocol.finding import Finding, figure
from rig.protocol.plan import Plan
from rig.protocol.position import Path
from rig.protocol.trust import Supply

NEAR: Final = 0.10
TOO_NEAR: Final = 0.25
"""Frequency over the first natural one: above the first the load is doubtful, above the second
it is not what was asked for."""

CORRECTED: Final = 0.10
"""Dynamic error over the load range up to which ISO 4965-1:2012 (its scope; written for axial
machines, guidance only) has loads corrected for inertia."""

_HELD: Final = 0.95
"""Share of what the oil can push, above which nothing is left to move the rod."""

_FREQUENCY: Final[Path] = ("loading", "frequency")
_LITRES: Final = 6e4


def shortcomings(plan: Plan, needed: Capability) -> tuple[Finding, ...]:
    """Return where force, way, speed, oil or mass of the rig fall short of what is needed."""
    found = [*_of_force(plan, needed), *_of_stroke(plan, needed)]
    if needed.cycling is not None:
        found += [
            *_of_speed(plan, needed.cycling),
            *_of_oil(plan, needed.cycling),
            *_of_inertia(plan, needed.cycling),
        ]
    return tuple(found)


def _of_force(plan: Plan, needed: Capability) -> Iterator[Finding]:
    high = plan.rig.actuator.load[1]
    # Other loads beyond the actuator are refused; what a specimen will carry is only expected.
    if needed.to_ultimate and needed.force > high:
        yield Finding(
            "rig",
            ("actuator", "load", 1),
            f"{_kn(high)} may not break the specimen, which should carry about "
            f"{_kn(needed.ultimate, 3)}",
            "take a stronger actuator, or longer shear spans",
        )
    oil = plan.rig.trust.supply
    if oil is None:
        return
    push = oil.piston_area * oil.pressure
    if push < high:
        yield Finding(
            "rig",
            ("supply",),
            f"{oil.pressure / 1e5:g} bar on {oil.piston_area * 1e4:g} cm2 push {_kn(push)}, "
            f"less than load of [actuator] says, {_kn(high)}",
            "correct piston_area, pressure or load",
        )
    if needed.force > _HELD * push:
        yield Finding(
            "rig",
            ("supply",),
            f"the {needed.force_of} of {_kn(needed.force)} takes "
            f"{needed.force / push * 100:.0f} % of what the oil can push",
            "take a larger piston or less load; what is left of the pressure moves the rod",
        )


def _of_stroke(plan: Plan, needed: Capability) -> Iterator[Finding]:
    low, high = plan.rig.actuator.stroke
    if needed.stroke > high - low:
        yield Finding(
            "rig",
            ("actuator", "stroke"),
            f"{_mm(high - low)} are less than the {_mm(needed.stroke)} that approach, specimen and "
            "retraction may take",
            "bring the specimen nearer and shorten give_up_after of the approach",
        )


def _of_speed(plan: Plan, cycling: Cycling) -> Iterator[Finding]:
    speed, frequency = plan.rig.actuator.speed, plan.loading.frequency if plan.loading else 0.0
    if cycling.speed_soft <= speed:
        return
    at_once = cycling.speed > speed
    needs, travel = (
        (cycling.speed, cycling.travel) if at_once else (cycling.speed_soft, cycling.travel_soft)
    )
    when = "" if at_once else f" once the specimen is {_loss(cycling)} softer"
    highest = largest_travel(speed, 1.0) / travel
    yield Finding(
        "protocol",
        _FREQUENCY,
        f"{frequency:g} Hz moves the rod by {_mm(travel)} at up to {figure(needs * 1e3)} mm/s"
        f"{when}, faster than the actuator's {speed * 1e3:g} mm/s",
        f'give at most "{_down(highest)} Hz"',
    )


def _of_oil(plan: Plan, cycling: Cycling) -> Iterator[Finding]:
    oil = plan.rig.trust.supply
    if oil is None or cycling.flow_mean is None or cycling.flow_peak is None:
        return
    others = f" and others {_flow(oil.others)}" if oil.others else ""
    more = f"{others}, more than the {_flow(oil.flow)} there are"
    if cycling.flow_mean + oil.others > oil.flow:
        yield Finding(
            "rig",
            ("supply", "flow"),
            f"cycling takes {_flow(cycling.flow_mean)}{more}: the pressure falls, and the load "
            "with it",
            "cycle more slowly, or when the others stand still",
        )
    elif cycling.flow_peak + oil.others > oil.flow:
        yield Finding(
            "rig",
            ("supply", "flow"),
            f"each cycle takes {_flow(cycling.flow_peak)} at its fastest{more}",
            "have accumulators that give the difference, or cycle more slowly",
        )
    yield from _of_valve(oil, cycling)


def _of_valve(oil: Supply, cycling: Cycling) -> Iterator[Finding]:
    if oil.valve_flow is None or cycling.valve is None or cycling.valve <= oil.valve_flow:
        return
    if cycling.valve == float("inf"):
        return  # the pressure does not hold the load: said of the force
    yield Finding(
        "rig",
        ("supply", "valve_flow"),
        f"{_flow(oil.valve_flow)} at {oil.valve_drop / 1e5:g} bar are less than the "
        f"{_flow(cycling.valve)} that the valve must be rated for under this load",
        "take a larger valve, or cycle more slowly",
    )


def _of_inertia(plan: Plan, cycling: Cycling) -> Iterator[Finding]:
    frequency = plan.loading.frequency if plan.loading else 0.0
    if cycling.ratio > NEAR:
        yield Finding(
            "protocol",
            _FREQUENCY,
            f"{frequency:g} Hz is {cycling.ratio * 100:.0f} % of the first natural frequency, "
            f"about {figure(cycling.first_frequency)} Hz, of the specimen, cracked all along, with "
            f"what moves on it: {_swinging(cycling.ratio)}",
            f'give at most "{_down(NEAR * cycling.first_frequency)} Hz", {NEAR * 100:.0f} % of it',
        )
    # Both ends of the range are off by the amplitude.
    share = 2 * cycling.inertia / plan.loading.range if plan.loading else 0.0
    if share > CORRECTED:
        yield Finding(
            "rig",
            ("frame", "moving_mass"),
            f"{plan.rig.trust.frame.moving_mass:g} kg put the load range off by "
            f"{figure(share * 100, 2)} % at {frequency:g} Hz, and more than "
            f"{CORRECTED * 100:.0f} % is no matter of correction",
            "hang less between cell and specimen, or cycle more slowly",
        )
    if has_sampled(plan, "acceleration"):
        sensor = channel_of(plan, "acceleration")
        if cycling.acceleration > min(sensor.high, -sensor.low):
            yield Finding(
                "rig",
                channel_path(plan, "acceleration", "range"),
                f"does not reach the {figure(cycling.acceleration)} m/s2 of the rod at "
                f"{frequency:g} Hz",
                "take a sensor of a larger range",
            )


def _swinging(ratio: float) -> str:
    """Say what a mass on a spring does to a force at so much of its natural frequency."""
    if ratio >= 1:
        return "the specimen swings against its load, and carries another one than is shown"
    # The amplification 1 / (1 - r^2) of an undamped mass on a spring, a text-book formula.
    off = ratio**2 / (1 - ratio**2)
    told = f"its load range may be about {figure(off * 100, 2)} % off"
    return f"{told}, and is not the one asked for" if ratio > TOO_NEAR else told


def _kn(force: float, digits: int = 4) -> str:
    return f"{figure(force / 1e3, digits)} kN"


def _mm(length: float) -> str:
    return f"{figure(length * 1e3)} mm"


def _flow(flow: float) -> str:
    return f"{figure(flow * _LITRES)} L/min"


def _loss(cycling: Cycling) -> str:
    return f"{(1 - 1 / cycling.softening) * 100:.0f} %"


def _down(frequency: float) -> str:
    """Return a frequency rounded down to two digits, so that it is no more than it may be."""
    step = 10.0 ** (len(str(int(frequency))) - 2) if frequency >= 1 else 0.01
    return f"{int(frequency / step) * step:g}"
