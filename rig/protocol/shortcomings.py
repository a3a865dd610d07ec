"""Where a rig falls short of what a plan asks of it: findings that warn and never refuse.

Shares and figures are common practice without a source, except where one is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.mechanics.actuator import largest_travel
from rig.mechanics.sampling import RangeError
from rig.protocol.capability import Capability, Cycling, channel_of, has_sampled
from rig.protocol.finding import Finding, figure
from rig.protocol.plan import Plan
from rig.protocol.position import Path
from rig.protocol.trust import Supply

CELL: Final = (0.20, 0.90)
"""Share of the load cell's range in which the highest load should lie."""

NEAR: Final = 0.10
TOO_NEAR: Final = 0.25
"""Frequency over the first natural one: above the first the load is doubtful, above the second
it is not what was asked for."""

_HELD: Final = 0.95
"""Share of what the oil can push, above which nothing is left to move the rod."""

_FREQUENCY: Final[Path] = ("loading", "frequency")
_LITRES: Final = 6e4


def shortcomings(plan: Plan, needed: Capability) -> tuple[Finding, ...]:
    """Return where the rig falls short of what is needed of it, but for its limits."""
    found = [*_of_force(plan, needed), *_of_stroke(plan, needed), *_of_transducers(plan, needed)]
    if needed.cycling is not None:
        found += [
            *_of_speed(plan, needed.cycling),
            *_of_oil(plan, needed.cycling),
            *_of_inertia(plan, needed.cycling),
            *_of_samples(plan, needed.cycling),
        ]
    return tuple(found)


def channel_path(plan: Plan, name: str, key: str) -> Path:
    """Return where the rig file says something of a channel."""
    return "channel", plan.rig.channels.index(channel_of(plan, name)), key


def _of_force(plan: Plan, needed: Capability) -> Iterator[Finding]:
    high = plan.rig.actuator.load[1]
    # Other loads beyond the actuator are refused; what a specimen will carry is only expected.
    if needed.to_ultimate and needed.force > high:
        yield Finding(
            "rig",
            ("actuator", "load", 1),
            f"{_kn(high)} may not break the specimen, which should carry about "
            f"{_about(needed.ultimate)}",
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


def _of_transducers(plan: Plan, needed: Capability) -> Iterator[Finding]:
    cell, share = needed.cell, needed.cell_share
    if not CELL[0] <= share <= CELL[1]:
        few = share < CELL[0]
        is_ = "is beyond" if share > 1 else f"is {share * 100:.0f} % of"
        yield Finding(
            "rig",
            channel_path(plan, "load", "range"),
            f"the {needed.force_of} of {_kn(needed.force)} {is_} the cell's {_kn(cell.high)}",
            f"take a {'smaller' if few else 'larger'} cell; "
            f"{CELL[0] * 100:.0f} to {CELL[1] * 100:.0f} % are usual",
        )
    midspan = channel_of(plan, "midspan")
    if needed.deflection > midspan.high:
        soft = " when it counts as failed" if needed.cycling else ""
        yield Finding(
            "rig",
            channel_path(plan, "midspan", "range"),
            f"ends at {_mm(midspan.high)}, and the specimen may bend {_mm(needed.deflection)}"
            f"{soft}",
            "take a longer transducer, or set its zero nearer to its other end",
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
    others = f" beside {_flow(oil.others)} for others" if oil.others else ""
    if cycling.flow_mean + oil.others > oil.flow:
        yield Finding(
            "rig",
            ("supply", "flow"),
            f"{_flow(oil.flow)} are less than the {_flow(cycling.flow_mean)} that cycling takes"
            f"{others}: the pressure falls, and the load with it",
            "cycle more slowly, or when the others stand still",
        )
    elif cycling.flow_peak + oil.others > oil.flow:
        yield Finding(
            "rig",
            ("supply", "flow"),
            f"{_flow(oil.flow)} are less than the {_flow(cycling.flow_peak)} that each cycle takes "
            f"at its fastest{others}",
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
            f"about {figure(cycling.first_frequency)} Hz, of the cracked specimen with what moves "
            f"on it: {_swinging(cycling.ratio)}",
            f'give at most "{_down(NEAR * cycling.first_frequency)} Hz", {NEAR * 100:.0f} % of it',
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


def _of_samples(plan: Plan, cycling: Cycling) -> Iterator[Finding]:
    for name, channel, error, asked in (
        ("load", "load", cycling.load, plan.accuracy.load),
        ("net deflection", "midspan", cycling.deflection, plan.accuracy.deflection),
    ):
        if error.total > asked:
            file, path, remedy = _cure(plan, channel, error)
            yield Finding(
                file,
                path,
                f"the {name} range of one cycle is known to {_share(error.total)} and asked for "
                f"to {_share(asked)}; most of it is {error.largest}",
                remedy,
            )


def _cure(plan: Plan, channel: str, error: RangeError) -> tuple[str, Path, str]:
    """Return the file and path that says what is off most, and what would be right."""
    match error.largest:
        case "calibration":
            return (
                "rig",
                (*channel_path(plan, channel, "calibration"), "uncertainty"),
                "have it calibrated better, in the range it is used in",
            )
        case "noise":
            return (
                "rig",
                channel_path(plan, channel, "noise"),
                "find where the noise comes from, sample faster, or ask for less",
            )
        case "resolution":
            return (
                "rig",
                channel_path(plan, channel, "resolution"),
                "take a sensor of smaller steps or range, or ask for less",
            )
        case _:
            return "rig", ("rate",), "sample faster, or cycle more slowly"


def _kn(force: float, digits: int = 4) -> str:
    return f"{figure(force / 1e3, digits)} kN"


def _about(force: float) -> str:
    return _kn(force, 2 if force < 1e5 else 3)


def _mm(length: float) -> str:
    return f"{figure(length * 1e3)} mm"


def _flow(flow: float) -> str:
    return f"{figure(flow * _LITRES)} L/min"


def _share(fraction: float) -> str:
    return f"{figure(fraction * 100, 2)} %"


def _loss(cycling: Cycling) -> str:
    return f"{(1 - 1 / cycling.softening) * 100:.0f} %"


def _down(frequency: float) -> str:
    """Return a frequency rounded down to two digits, so that it is no more than it may be."""
    step = 10.0 ** (len(str(int(frequency))) - 2) if frequency >= 1 else 0.01
    return f"{int(frequency / step) * step:g}"
