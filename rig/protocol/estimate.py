"""What a plan will take if the specimen lasts: time, water, disk. Sums, no simulation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from rig.mechanics.shapes import gross, shear_span
from rig.protocol.plan import (
    Approach,
    Cyclic,
    Hold,
    Inspections,
    Plan,
    Ramp,
    SpraySchedule,
    Stage,
    Static,
    StaticCheck,
)
from rig.protocol.residual import residual_stages

_JOURNAL_BYTES = 40
_SEGMENT_BYTES = 30
_RUN_BYTES = 30
_REFERENCE_COLUMNS = 13
"""Columns of a cycle row with three sampled channels, for which the bytes a cycle hold."""

_SAMPLE_BYTES = 4
_SLOW_BYTES = 8
_FLOOR_BYTES = 4_000_000
_COPIES = 3
"""Journal, segments and run.h5 stand side by side while a run is closed."""

_SOFTENING = 3.0
"""A cracked section deflects two to three times as far as an uncracked one."""

# What is done between the stages; common practice, no source.
_ZERO_SECONDS = 10.0
_LIFT_SECONDS = 10.0
"""Off the specimen by 1 mm, down to contact again and back to the lower load."""

_SEATING_SECONDS = 7.0
_FALL_SECONDS = 2.0
_FALL_CYCLES = 4
_RETRACT_SECONDS = 5.0
UNLOAD_SHARE: Final = 0.10
"""Between stages the load changes by this share of the upper load a second; common practice."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """Expected duration [s] and water [m3] to the run-out, and the peak on disk [bytes]."""

    duration_s: float
    water_m3: float
    storage_bytes: int


def estimate(plan: Plan) -> Estimate:
    """Return what a plan takes when the specimen does not fail."""
    duration = _start_seconds(plan) + _stop_seconds(plan)
    duration += sum(_stage_seconds(plan, stage) for stage in plan.stages)
    return Estimate(
        duration_s=duration,
        water_m3=sum(_water(plan, s) for s in plan.stages if isinstance(s, Cyclic)),
        storage_bytes=_storage(plan, duration),
    )


def before_cycling(plan: Plan) -> float:
    """Return the time [s] from the start to the first cyclic stage, the whole test without one."""
    seconds = _start_seconds(plan)
    for stage in plan.stages:
        if isinstance(stage, Cyclic):
            break
        seconds += _stage_seconds(plan, stage)
    return seconds


def inspection_counts(inspections: Inspections, run_out: int) -> int:
    """Return how many inspections come before the run-out."""
    written = sum(1 for count in inspections.at if count < run_out)
    if inspections.then_every is None:
        return written
    last = inspections.at[-1] if inspections.at else 0
    every = inspections.then_every
    return written + max(0, (run_out - 1) // every - last // every)


def cycling_seconds(plan: Plan, stage: Cyclic, first: int, last: int) -> float:
    """Return the time [s] from one counted cycle to another, inspections between them included.

    Those that wait for people take no wait: nobody knows how long it is.
    """
    # An inspection is made at its count: the one at `first` is over.
    end, begin = (_cyclic_seconds(plan, replace(stage, run_out=n)) for n in (last, first + 1))
    one = 1 / plan.loading.frequency if plan.loading else 0.0
    return max(end - begin + one, 0.0)


def _stage_seconds(plan: Plan, stage: Stage) -> float:
    match stage:
        case Approach():
            return stage.give_up_after / 2 / stage.speed + stage.settle + _SEATING_SECONDS
        case Static():
            return _static_seconds(plan, stage)
        case Ramp():
            return _ramp_seconds(plan, stage)
        case Cyclic():
            return _cyclic_seconds(plan, stage)
        case Hold():
            return stage.duration


def _start_seconds(plan: Plan) -> float:
    """Return the time from the start to the first stage: horn or lamp, zeros before contact."""
    return _warning_seconds(plan) + (_ZERO_SECONDS if isinstance(plan.stages[0], Approach) else 0)


def _warning_seconds(plan: Plan) -> float:
    return plan.rig.warning.before if plan.rig.warning else 0.0


def _stop_seconds(plan: Plan) -> float:
    """Return the time of the normal stop and of what is kept after it."""
    fall = _fall_seconds(plan) if plan.cyclic else 0.0
    return fall + _RETRACT_SECONDS + plan.full_rate.after_stop


def _fall_seconds(plan: Plan) -> float:
    """Return how long cycling takes to come to rest at the lower load."""
    if plan.loading is None:
        return 0.0
    return max(_FALL_SECONDS, _FALL_CYCLES / plan.loading.frequency) + _to_mean_seconds(plan)


def _to_mean_seconds(plan: Plan) -> float:
    """Return how long the mean load takes to become the lower one, or the other way."""
    loading = plan.loading
    return loading.range / 2 / (UNLOAD_SHARE * loading.upper) if loading else 0.0


def _static_seconds(plan: Plan, stage: Static) -> float:
    way = _travel(plan, stage.control, stage.to)
    first = way / _SOFTENING if stage.control == "deflection" else 0.0
    slow = first / stage.speed - first / stage.speed_after_crack
    return slow + stage.repeats * (2 * way / stage.speed_after_crack + stage.hold)


def _ramp_seconds(plan: Plan, stage: Ramp) -> float:
    if stage.to is None:
        return plan.specimen.section.span / 60 / stage.speed
    return _travel(plan, stage.control, stage.to) / stage.speed


def _travel(plan: Plan, control: str, load: float) -> float:
    """Return the way to a load: the load itself [N], or the deflection of a cracked section [m].

    Mid-span deflection of a beam under two loads P at a from the supports is
    P a (3 L^2 - 4 a^2) / (24 E I), a text-book formula; a cracked section is two to three times
    softer.
    """
    if control == "load":
        return load
    section = plan.specimen.section
    inertia, arm = gross(section).inertia, shear_span(section)
    elastic = load / 2 * arm * (3 * section.span**2 - 4 * arm**2)
    return _SOFTENING * elastic / (24 * plan.specimen.concrete.modulus * inertia)


def _cyclic_seconds(plan: Plan, stage: Cyclic) -> float:
    frequency = plan.loading.frequency if plan.loading else 1.0
    seconds = stage.run_out / frequency
    stops = inspection_counts(plan.inspections, stage.run_out) if plan.inspections else 0
    seconds += (stops + 1) * (_to_mean_seconds(plan) + stage.build_up / frequency)
    stops += bool(residual_stages(plan))  # a run-out is inspected before it is broken
    if plan.inspections and stops:
        seconds += stops * (_fall_seconds(plan) + _inspection_seconds(plan, plan.inspections))
    return seconds


def _inspection_seconds(plan: Plan, inspections: Inspections) -> float:
    """Return the time of one inspection at which nobody comes, from rest to going on."""
    zeros = _ZERO_SECONDS + _LIFT_SECONDS if inspections.zero else 0.0
    wait = inspections.go_on_after or 0.0
    return _check_seconds(inspections.static_check) + zeros + wait + _warning_seconds(plan)


def _check_seconds(check: StaticCheck | None) -> float:
    return check.repeats * (2 * check.to / check.rate + check.hold) if check else 0.0


def _water(plan: Plan, stage: Cyclic) -> float:
    if plan.spray is None or plan.loading is None:
        return 0.0
    end = before_cycling(plan) + _cyclic_seconds(plan, stage)
    wet = end - first_water(plan, plan.spray, plan.loading.frequency)
    return max(0.0, wet) * _share(plan.spray) * plan.spray.flow


def first_water(plan: Plan, spray: SpraySchedule, frequency: float) -> float:
    """Return when water first runs [s from the start].

    Cycles count from the first counted one, a time from the start of the test.
    """
    if spray.begin_unit == "cycles":
        return before_cycling(plan) + spray.begin / frequency
    return spray.begin


def _share(spray: SpraySchedule) -> float:
    return 1.0 if spray.continuous else spray.on / spray.every


def _storage(plan: Plan, duration: float) -> int:
    sampled = len(plan.rig.sampled)
    cycles = sum(s.run_out for s in plan.stages if isinstance(s, Cyclic))
    # Each channel beyond the first three adds a maximum and a minimum.
    columns = _REFERENCE_COLUMNS + 2 * (sampled - 3)
    per_cycle = (_JOURNAL_BYTES + _SEGMENT_BYTES + _RUN_BYTES) * columns / _REFERENCE_COLUMNS
    samples = _full_rate_seconds(plan, cycles) * plan.rig.rate * sampled
    slow = duration * (len(plan.rig.channels) - sampled)
    kept = samples * _SAMPLE_BYTES + slow * _SLOW_BYTES
    return int(_FLOOR_BYTES + cycles * per_cycle + _COPIES * kept)


def _full_rate_seconds(plan: Plan, cycles: int) -> float:
    record = plan.full_rate
    seconds = record.before_stop + record.after_stop
    seconds += sum(_stage_seconds(plan, s) for s in plan.stages if isinstance(s, Static | Ramp))
    if plan.loading and cycles:
        decades = len(str(cycles))
        seconds += (
            record.first + decades * record.per_decade * record.cycles
        ) / plan.loading.frequency
        if plan.inspections:
            stops = inspection_counts(plan.inspections, cycles)
            seconds += stops * _check_seconds(plan.inspections.static_check)
    return seconds
