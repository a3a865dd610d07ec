"""What a plan asks of its rig, in numbers: force, stroke, speed, oil, samples. SI.

The specimen's deflections are those that its file lets expect, cracked; frame, bearings and oil
are taken as rigid, so that the rod goes somewhat further. Predictions warn, they never refuse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from rig.channels import Channel
from rig.mechanics.actuator import (
    mean_flow,
    peak_acceleration,
    peak_flow,
    peak_speed,
    rated_flow_needed,
)
from rig.mechanics.frequency import first_frequency
from rig.mechanics.sampling import RangeError, range_error
from rig.protocol.contradictions import goal_of
from rig.protocol.expected import expected, midspan_deflection, rod_travel
from rig.protocol.plan import Approach, Loading, Plan, Ramp
from rig.protocol.position import Path
from rig.protocol.tank import tank_lasts

RETRACT: Final = 0.005
"""Way [m] by which the rod is retracted when a test ends; common practice, no source."""

BROKEN: Final = 1 / 30
"""Deflection over span at which a static test is over; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Cycling:
    """What cycling asks for; "soft" is the specimen when the criterion of stiffness loss stops it.

    Travels of the rod are peak to peak [m], `speed` and `acceleration` their largest [m/s, m/s2],
    `inertia` [N] is the amplitude that accelerates the moving mass, as soft. `flow_peak`,
    `flow_mean` and `valve` (the rated flow it must have) [m3/s], as soft; None where the rig file
    has no [supply]. `first_frequency` is the natural one, cracked all along, `whole_frequency`
    uncracked [Hz], `ratio` the frequency of cycling over the first. Errors are of one cycle's
    range.
    """

    softening: float
    travel: float
    travel_soft: float
    speed: float
    speed_soft: float
    acceleration: float
    inertia: float
    flow_mean: float | None
    flow_peak: float | None
    valve: float | None
    first_frequency: float
    whole_frequency: float
    ratio: float
    samples: float
    load: RangeError
    deflection: RangeError
    deflection_range: float


@dataclass(frozen=True, slots=True)
class Capability:
    """What the whole test asks for.

    `force` [N] is the highest load, `force_of` what that is: "upper load", "highest load" of
    another stage, or "expected ultimate load" where it goes to that. `stroke` [m] is what the rod
    needs from where the approach begins, `deflection` [m] the largest net one to be measured.
    `tank_lasts` [s] from the start, None where it lasts to the end. `ultimate` [N] is what the
    specimen should carry.
    """

    force: float
    force_of: str
    cell: Channel
    stroke: float
    deflection: float
    ultimate: float
    to_ultimate: bool
    cycling: Cycling | None
    tank_lasts: float | None

    @property
    def cell_share(self) -> float:
        """The highest load over what the cell shows at most, infinite where it shows no push."""
        return self.force / self.cell.high if self.cell.high > 0 else math.inf


def capability(plan: Plan) -> Capability:
    """Return what a plan asks of its rig."""
    estimate = expected(plan.specimen)
    ultimate = any(isinstance(s, Ramp) and s.until for s in plan.stages)
    force, force_of = _force(plan, estimate.ultimate_load if ultimate else 0.0)
    softening = _softening(plan) if plan.cyclic else 1.0
    travel = rod_travel(plan.specimen, estimate, 0.0, force) * softening
    deflection = midspan_deflection(estimate, force) * softening
    if ultimate:
        broken = max(estimate.ultimate_deflection, plan.specimen.section.span * BROKEN)
        # The load points go no further than the middle between them.
        travel = deflection = broken
    approach = max((s.give_up_after for s in plan.stages if isinstance(s, Approach)), default=0.0)
    return Capability(
        force=force,
        force_of=force_of,
        cell=channel_of(plan, "load"),
        stroke=approach + travel + RETRACT,
        deflection=deflection,
        ultimate=estimate.ultimate_load,
        to_ultimate=ultimate,
        cycling=_cycling(plan, plan.loading) if plan.loading and plan.cyclic else None,
        tank_lasts=tank_lasts(plan),
    )


def channel_of(plan: Plan, name: str) -> Channel:
    """Return a channel of the plan's rig by its name. Raises KeyError where it has none."""
    for channel in plan.rig.channels:
        if channel.name == name:
            return channel
    raise KeyError(name)


def channel_path(plan: Plan, name: str, key: str) -> Path:
    """Return where the rig file says something of a channel."""
    return "channel", plan.rig.channels.index(channel_of(plan, name)), key


def has_sampled(plan: Plan, name: str) -> bool:
    """Tell whether a channel comes with every frame."""
    return any(channel.name == name for channel in plan.rig.sampled)


def _force(plan: Plan, ultimate: float) -> tuple[float, str]:
    """Return the highest load [N] and what it is."""
    goals = [(goal, "highest load") for goal in (goal_of(s)[0] for s in plan.stages) if goal]
    if plan.loading is not None:
        goals.append((plan.loading.upper, "upper load"))
    if ultimate:
        goals.append((ultimate, "expected ultimate load"))
    # Of equal ones the last: a stage that goes to the upper load does so by name.
    return max(reversed(goals), key=lambda goal: goal[0])


def _softening(plan: Plan) -> float:
    """Return how many times further the specimen bends when it counts as failed."""
    loss = plan.failure.stiffness_loss
    return 1 / (1 - loss.stop) if loss else 1.0


def _cycling(plan: Plan, loading: Loading) -> Cycling:
    estimate, frequency = expected(plan.specimen), loading.frequency
    softening, trust = _softening(plan), plan.rig.trust
    travel = rod_travel(plan.specimen, estimate, loading.lower, loading.upper)
    soft = travel * softening
    acceleration = peak_acceleration(soft, frequency)
    inertia = trust.frame.moving_mass * acceleration
    mean = peak = valve = None
    if (oil := trust.supply) is not None:
        area = oil.piston_area
        mean, peak = mean_flow(area, soft, frequency), peak_flow(area, soft, frequency)
        # At the top of the load the mass is slowed down, which helps the oil.
        swing = (loading.range / 2 - inertia) / area
        valve = rated_flow_needed(peak, loading.mean / area, swing, oil.pressure, oil.valve_drop)
    first = first_frequency(plan.specimen, trust.frame.moving_mass)
    bends = midspan_deflection(estimate, loading.upper) - midspan_deflection(
        estimate, loading.lower
    )
    return Cycling(
        softening=softening,
        travel=travel,
        travel_soft=soft,
        speed=peak_speed(travel, frequency),
        speed_soft=peak_speed(soft, frequency),
        acceleration=acceleration,
        inertia=inertia,
        flow_mean=mean,
        flow_peak=peak,
        valve=valve,
        first_frequency=first,
        whole_frequency=first_frequency(plan.specimen, trust.frame.moving_mass, cracked=False),
        ratio=frequency / first,
        samples=plan.rig.rate / frequency,
        load=_load_error(plan, loading),
        deflection=_deflection_error(plan, bends, loading.frequency),
        deflection_range=bends,
    )


def _load_error(plan: Plan, loading: Loading) -> RangeError:
    cell = channel_of(plan, "load")
    return range_error(
        loading.range,
        plan.rig.rate / loading.frequency,
        cell.noise,
        cell.resolution,
        _uncertainty(plan, "load"),
    )


def _deflection_error(plan: Plan, bends: float, frequency: float) -> RangeError:
    """Return the error of a net deflection's range: mid-span less the mean of the supports."""
    supports = [c for c in plan.rig.sampled if c.name.startswith("support_")]
    share = 1 / len(supports) if supports else 0.0
    parts = [(channel_of(plan, "midspan"), 1.0), *((c, share) for c in supports)]
    return range_error(
        bends,
        plan.rig.rate / frequency,
        math.hypot(*(weight * c.noise for c, weight in parts)),
        math.hypot(*(weight * c.resolution for c, weight in parts)),
        math.hypot(*(weight * _uncertainty(plan, c.name) for c, weight in parts)),
    )


def _uncertainty(plan: Plan, name: str) -> float:
    """Return the expanded uncertainty [SI] that a channel was calibrated with, 0 if it is not."""
    found = plan.rig.trust.calibrations.get(name)
    return found.uncertainty if found else 0.0
