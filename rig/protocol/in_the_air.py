"""From the plan of a test to that of its air run: the same in ten minutes, without a specimen.

Stages, water, inspections and stops stay in their order; counts and times are cut down, nothing
is judged. Figures are common practice, no source, where they stand alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from rig.errors import InputError
from rig.protocol.air import AIR, Air
from rig.protocol.plan import (
    Approach,
    Baseline,
    Bounds,
    Cyclic,
    Failure,
    FullRate,
    Hold,
    Inspections,
    LearnedLimits,
    Limits,
    Plan,
    RigPlan,
    SpraySchedule,
    Stage,
    Static,
)
from rig.protocol.rig_file import SIMULATED

ALL_OF_IT: Final = 600.0  # [s] that the whole should take
TRAVEL: Final = 2e-3  # [m]
SLOW: Final = 1e-3  # [m/s] in slow stages
QUICK: Final = 1e-2  # [m/s] while cycling at the most
TICK: Final = 0.02  # [s]: motions turn at whole ticks of the control
LEAST_HALF: Final = 0.1  # [s]: a command for each half motion must have its time on a line
LONGEST_WAIT: Final = 5.0  # [s] of settling, holds and waits at inspections
LONGEST_HOLD: Final = 10.0  # [s] of a stage that holds a load
LONGEST_WATER: Final = 15.0  # [s] of a spray period: the flow is looked at after 10 s
LATEST_WATER: Final = 30.0  # [s] until water begins, where it begins by time
MOST_REPEATS: Final = 3
MOST_INSPECTIONS: Final = 3
MOST_BUILD_UP: Final = 10
LEAST_CYCLES: Final = 10
LEAST_TOUCH: Final = 500.0  # [N] where no stage says what contact is
TOUCH_SHARE: Final = 0.02  # of the upper load, likewise
NOISE: Final = 10.0  # standard deviations of noise that contact must stand out of
NO_CONTACT: Final = 1.0  # [m] of stroke within which a simulated rig has no specimen
_AT_SPECIMEN: Final = (
    *("deflection", "midspan", "support_", "end_slip_", "crack_opening", "strain_"),
    *("insulation_", "level", "temperature_water"),
)
"""Beginnings of channels that measure a specimen or its bath: in an air run they hang in the air.
Limits on oil, water and load stay."""
_START_AND_STOP: Final = 45.0  # [s]: zeros, pressure on and off, way back, samples after it
_ZEROS: Final = 12.0  # [s] of an inspection: the way there, and reading them
_BUILD_UP: Final = 5.0  # [s] after an inspection, the way to the mean with it


def in_the_air(plan: Plan) -> Plan:
    """Return the plan of the air run of a test.

    Raises InputError where the actuator has too little stroke for it.
    """
    rig = plan.rig
    air = _air(plan)
    low, high = rig.actuator.stroke
    if high - low < 2 * air.travel:
        raise InputError(
            f"rig {rig.name!r}: an air run moves over {air.travel * 1e3:g} mm, and the stroke is "
            f"{(high - low) * 1e3:g} mm; nothing was started"
        )
    inspections = _inspections(plan)
    slow = tuple(_slow(stage) for stage in plan.stages)
    stages = tuple(_counted(slow, _cycles(plan, air, slow, inspections)))
    last = next((stage.run_out for stage in stages if isinstance(stage, Cyclic)), 0)
    begin, at = _marks(plan, inspections, last)
    spray = _spray(plan.spray, begin, air) if plan.spray else None
    return replace(
        plan,
        title=f"Air run without a specimen: {plan.title}",
        specimen_id=f"none (air run for {plan.specimen_id})",
        rig=_empty(rig),
        stages=stages,
        spray=spray,
        inspections=replace(inspections, at=at, then_every=None) if inspections else None,
        baseline=Baseline(),
        failure=Failure(),
        limits=_limits(plan, air),
        full_rate=FullRate(
            before_stop=plan.full_rate.before_stop,
            after_stop=min(plan.full_rate.after_stop, LONGEST_HOLD),
        ),
        attendance=None,
        texts={**plan.texts, AIR: in_words(air)},
        air=air,
    )


def in_words(air: Air) -> str:
    """Return what an air run is, for its record and for people."""
    unarmed = f"; limits not armed: {', '.join(air.unarmed)}" if air.unarmed else ""
    return (
        f"air run without a specimen: stroke control over {air.travel * 1e3:g} mm behind where the "
        f"rod stands, {1 / air.period:.2g} Hz, at most {air.speed * 1e3:g} mm/s; counts and times "
        f"cut down; nothing is judged; a load of {air.touch / 1e3:g} kN stops it{unarmed}"
    )


def _air(plan: Plan) -> Air:
    half = LEAST_HALF
    if plan.loading is not None:
        half = max(half, math.ceil(0.5 / plan.loading.frequency / TICK - 1e-9) * TICK)
    approach = next((s for s in plan.stages if isinstance(s, Approach)), None)
    usual = max(LEAST_TOUCH, TOUCH_SHARE * (plan.upper or 0.0))
    noise = next((c.noise for c in plan.rig.channels if c.name == "load"), 0.0)
    touch = max(approach.contact if approach is not None else usual, NOISE * noise)
    limited = plan.limits.fixed.keys() | plan.rig.limits.keys()
    unarmed = sorted(name for name in limited if name.startswith(_AT_SPECIMEN))
    speed = plan.rig.actuator.speed
    return Air(TRAVEL, min(SLOW, speed), min(QUICK, speed), half, touch, tuple(unarmed))


def _limits(plan: Plan, air: Air) -> Limits:
    """Return what is armed: nothing may be touched, and what is no matter of the specimen.

    The way of the rod is that of the air run, which its station knows.
    """
    ours = {"load", "stroke", *air.unarmed}
    kept = {name: pair for name, pair in plan.limits.fixed.items() if name not in ours}
    return Limits({"load": _touched(plan, air), **kept}, LearnedLimits(), plan.limits.persist)


def _touched(plan: Plan, air: Air) -> Bounds:
    """Return the load [N] within which nothing is touched.

    A cell that was set to zero with the spreader resting shows its weight as a pull now.
    """
    return -air.touch - plan.rig.trust.frame.dead_load, air.touch


def _empty(rig: RigPlan) -> RigPlan:
    """Return the rig as it is, a simulated one without a specimen."""
    if rig.driver != SIMULATED:
        return rig
    return replace(rig, simulation={**rig.simulation, "gap": NO_CONTACT})


def _slow(stage: Stage) -> Stage:
    if isinstance(stage, Approach):
        return replace(stage, settle=min(stage.settle, LONGEST_WAIT))
    if isinstance(stage, Static):
        hold, repeats = min(stage.hold, LONGEST_WAIT), min(stage.repeats, MOST_REPEATS)
        return replace(stage, hold=hold, repeats=repeats)
    if isinstance(stage, Hold):
        return replace(stage, duration=min(stage.duration, LONGEST_HOLD))
    return stage


def _inspections(plan: Plan) -> Inspections | None:
    """Return the first inspections of a plan, at their own counts still."""
    asked, cyclic = plan.inspections, plan.cyclic
    if asked is None or cyclic is None:
        return asked
    at: list[int] = []
    while len(at) < MOST_INSPECTIONS:
        following = asked.next_after(at[-1] if at else 0)
        if following is None or following >= cyclic.run_out:
            break
        at.append(following)
    wait, check = asked.go_on_after, asked.static_check
    if check is not None:
        hold, repeats = min(check.hold, LONGEST_WAIT), min(check.repeats, MOST_REPEATS)
        check = replace(check, hold=hold, repeats=repeats)
    # One that waits for people goes on waiting for them.
    wait = None if wait is None else min(wait, LONGEST_WAIT)
    return replace(asked, at=tuple(at), static_check=check, go_on_after=wait)


def _cycles(
    plan: Plan, air: Air, stages: tuple[Stage, ...], inspections: Inspections | None
) -> int:
    """Return the cycles for which the time is left after all else."""
    there_and_back = 2 * air.travel / air.slow
    warning = plan.rig.warning.before if plan.rig.warning is not None else 0.0
    left = ALL_OF_IT - _START_AND_STOP - warning
    left -= sum(_seconds(stage, there_and_back) for stage in stages)
    if inspections is not None:
        check = inspections.static_check
        slow = check.repeats * (there_and_back + check.hold) if check is not None else 0.0
        zeros, wait = _ZEROS if inspections.zero else 0.0, inspections.go_on_after or 0.0
        left -= len(inspections.at) * (slow + zeros + wait + warning + _BUILD_UP)
    return max(int(left / air.period), LEAST_CYCLES)


def _seconds(stage: Stage, there_and_back: float) -> float:
    if isinstance(stage, Approach):
        return stage.settle + there_and_back
    if isinstance(stage, Static):
        return stage.repeats * (there_and_back + stage.hold)
    return there_and_back + (stage.duration if isinstance(stage, Hold) else 0.0)


def _counted(stages: tuple[Stage, ...], cycles: int) -> Iterable[Stage]:
    """Yield the stages, a cyclic one with as many cycles: a test ends with its first."""
    for stage in stages:
        if isinstance(stage, Cyclic):
            build_up = min(stage.build_up, MOST_BUILD_UP)
            yield replace(stage, run_out=min(stage.run_out, cycles), build_up=build_up)
        else:
            yield stage


def _marks(plan: Plan, inspections: Inspections | None, last: int) -> tuple[int, tuple[int, ...]]:
    """Return at which of `last` cycles water begins and inspections come: evenly, in their order.

    Water that the test would not see begins after the last.
    """
    spray, cyclic = plan.spray, plan.cyclic
    begin = math.inf
    if spray is not None and spray.begin_unit == "cycles" and cyclic is not None:
        begin = spray.begin if spray.begin < cyclic.run_out else math.inf
    asked = inspections.at if inspections is not None else ()
    marks = sorted({*asked, *([begin] if math.isfinite(begin) else [])})
    place = {mark: max(last * (k + 1) // (len(marks) + 1), k + 1) for k, mark in enumerate(marks)}
    return place.get(begin, last + 1), tuple(place[count] for count in asked)


def _spray(spray: SpraySchedule, begin: int, air: Air) -> SpraySchedule:
    """Return the schedule with short periods, beginning at a cycle where it begins by cycles."""
    longest = LONGEST_WATER
    if spray.period_unit == "cycles":
        longest = math.ceil(LONGEST_WATER / air.period)
    on = min(spray.on, longest)
    by_time = min(spray.begin, LATEST_WATER)
    return replace(
        spray,
        begin=float(begin) if spray.begin_unit == "cycles" else by_time,
        on=on,
        every=min(spray.every, 2 * on) if not spray.continuous else spray.every,
        retry_every=min(spray.retry_every, LONGEST_WAIT),
    )
