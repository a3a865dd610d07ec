"""What a plan will take if the specimen lasts: time, water, disk. Sums, no simulation."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Estimate:
    """Expected duration [s] and water [m3] to the run-out, and the peak on disk [bytes]."""

    duration_s: float
    water_m3: float
    storage_bytes: int


def estimate(plan: Plan) -> Estimate:
    """Return what a plan takes when the specimen does not fail."""
    duration = sum(_stage_seconds(plan, stage) for stage in plan.stages)
    return Estimate(
        duration_s=duration,
        water_m3=sum(_water(plan, s) for s in plan.stages if isinstance(s, Cyclic)),
        storage_bytes=_storage(plan, duration),
    )


def inspection_counts(inspections: Inspections, run_out: int) -> int:
    """Return how many inspections come before the run-out."""
    written = sum(1 for count in inspections.at if count < run_out)
    if inspections.then_every is None:
        return written
    last = inspections.at[-1] if inspections.at else 0
    every = inspections.then_every
    return written + max(0, (run_out - 1) // every - last // every)


def _stage_seconds(plan: Plan, stage: Stage) -> float:
    match stage:
        case Approach():
            return stage.give_up_after / 2 / stage.speed
        case Static():
            return stage.repeats * (
                2 * _travel(plan, stage.control, stage.to) / stage.speed_after_crack + stage.hold
            )
        case Ramp():
            return _ramp_seconds(plan, stage)
        case Cyclic():
            return _cyclic_seconds(plan, stage)
        case Hold():
            return stage.duration


def _ramp_seconds(plan: Plan, stage: Ramp) -> float:
    if stage.to is None:
        return plan.specimen.section.span / 60 / stage.speed
    return _travel(plan, stage.control, stage.to) / stage.speed


def _travel(plan: Plan, control: str, load: float) -> float:
    """Return the way to a load: the load itself [N], or three times the elastic deflection [m].

    Mid-span deflection of a beam under two loads P at a from the supports is
    P a (3 L^2 - 4 a^2) / (24 E I), a text-book formula; a cracked section is two to three times
    softer.
    """
    if control == "load":
        return load
    section = plan.specimen.section
    inertia = (section.width + section.width_bottom) / 2 * section.height**3 / 12
    arm = (section.span - section.load_spacing) / 2
    elastic = load / 2 * arm * (3 * section.span**2 - 4 * arm**2)
    return 3 * elastic / (24 * plan.specimen.concrete.modulus * inertia)


def _cyclic_seconds(plan: Plan, stage: Cyclic) -> float:
    frequency = plan.loading.frequency if plan.loading else 1.0
    seconds = stage.run_out / frequency
    stops = inspection_counts(plan.inspections, stage.run_out) if plan.inspections else 0
    seconds += (stops + 1) * stage.build_up / frequency
    if plan.inspections and stops:
        wait = plan.inspections.go_on_after or 0.0
        seconds += stops * (wait + _check_seconds(plan.inspections.static_check))
    return seconds


def _check_seconds(check: StaticCheck | None) -> float:
    return check.repeats * (2 * check.to / check.rate + check.hold) if check else 0.0


def _water(plan: Plan, stage: Cyclic) -> float:
    if plan.spray is None or plan.loading is None:
        return 0.0
    spray, frequency = plan.spray, plan.loading.frequency
    begin = spray.begin / frequency if spray.begin_unit == "cycles" else spray.begin
    wet = max(0.0, _cyclic_seconds(plan, stage) - begin) * _share(spray)
    return wet * spray.flow


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
