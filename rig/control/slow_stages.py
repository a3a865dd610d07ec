"""The slow stages: approach, static cycles, ramp, hold, and the static check of inspections."""

from __future__ import annotations

import math
from typing import Final

from rig.control.slow_cycle import keep_static, the_averaged
from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.criteria.crack import CrackSetup, CrackState
from rig.criteria.ultimate import UltimateSetup, UltimateState
from rig.judging.looking import AllOf, Averaged, Judge, LoadReaches
from rig.judging.watchers import LEAST_SHARE, NO_PEAK, CrackWatch, UltimateWatch, peak_of
from rig.protocol.plan import Approach, Hold, Ramp, Static, StaticCheck

SEATING_CYCLES: Final = 3
SEATING_SHARE: Final = 0.10  # of the upper load; common practice, no source
AVERAGED: Final = 0.1  # [s]: slow stages keep means over this
GIVEN_UP: Final = 1.05  # a stage may take this much longer than its way at its speed
FAR: Final = 0.5  # share of the ultimate-deflection bound (span/30) used as a ramp's target


async def approach(station: Station, stage: Approach) -> None:
    """Close the gap in stroke control, then change to load control and seat the specimen."""
    await contact(station, stage)
    await station.load_to(stage.contact, station.unload_rate)
    await station.wait(stage.settle)
    await station.load_to(station.seat, station.unload_rate)
    for _ in range(SEATING_CYCLES):
        await station.load_to(SEATING_SHARE * station.load_scale, station.unload_rate)
        await station.load_to(station.seat, station.unload_rate)
    station.book.seated(station.stream.now)


async def contact(station: Station, stage: Approach) -> None:
    """Advance in stroke control until the load says contact. Raises StopNow without it."""
    actuator = station.rig.actuator
    begin = (await actuator.status()).stroke
    judge: Judge = AllOf(
        (
            LoadReaches("contact", stage.contact, rising=True),
            LoadReaches("reversed", -stage.contact, rising=False),
        )
    )
    await station.move_stroke(begin + stage.give_up_after, stage.speed)
    seconds = stage.give_up_after / stage.speed * GIVEN_UP
    decisions, _ = await station.watch(seconds, judge)
    if not decisions:
        raise StopNow(
            "no contact",
            "fault",
            f"no contact: load stayed under {stage.contact / 1e3:g} kN over "
            f"{stage.give_up_after * 1e3:g} mm of stroke; look at spreader and specimen",
        )
    if decisions[0].kind == "reversed":
        raise StopNow(
            "polarity",
            "fault",
            "load falls while the stroke advances; look at the polarity of the load cell",
        )
    station.book.event("contact", f"contact at {stage.contact / 1e3:g} kN")


async def static(station: Station, stage: Static) -> None:
    """Slow cycles to a load, held at the top; the first crack is looked for in the first."""
    for repeat in range(station.repeat, stage.repeats + 1):
        station.repeat = repeat  # a pause that unloaded the specimen goes on with this one
        virgin = repeat == 1 and not station.cracked and station.book.counted == 0
        averaged = _averaged(station)
        if stage.control == "load":
            judge = await _load_controlled(station, stage, averaged)
        else:
            judge = await _deflection_controlled(
                station, stage, averaged, first=repeat == 1 and not station.cracked
            )
        keep_static(station, f"{stage.name} {repeat}", judge, reopens=not virgin)


async def _load_controlled(station: Station, stage: Static, averaged: Averaged) -> Averaged:
    judge: Judge = await station.load_to(stage.to, stage.speed, averaged)
    judge = await station.wait(stage.hold, judge)
    judge = await station.load_to(station.seat, stage.speed, judge)
    return the_averaged(judge)


async def _deflection_controlled(
    station: Station, stage: Static, averaged: Averaged, *, first: bool
) -> Averaged:
    start = station.book.latest_deflection
    judge = await _up(station, stage, averaged, first=first)
    await station.hold()
    after: Judge = await station.wait(stage.hold, the_averaged(judge))
    speed = stage.speed_after_crack
    await station.move_deflection(start, speed)
    expected = abs(station.book.latest_deflection - start) / speed
    # The rest in load control: a stiff specimen loses its last load within a tick.
    almost = max(station.seat, SEATING_SHARE * station.load_scale)
    low = AllOf((LoadReaches("unloaded", almost, rising=False), the_averaged(after)))
    decisions, judge = await station.watch(expected * GIVEN_UP + 1.0, low)
    if decisions:
        await station.hold()
    after = await station.load_to(station.seat, station.unload_rate, the_averaged(judge))
    return the_averaged(after)


async def _up(station: Station, stage: Static, averaged: Averaged, *, first: bool) -> Judge:
    """Deflect until the load is reached; the speed changes at the first crack."""
    far = station.plan.specimen.section.span / 30
    reach = LoadReaches("reached", stage.to, rising=True)
    judge: Judge = AllOf((reach, averaged, _crack_watch(station)) if first else (reach, averaged))
    speed = stage.speed if first else stage.speed_after_crack
    await station.move_deflection(far, speed)
    while True:
        decisions, judge = await station.watch(far / speed * GIVEN_UP, judge)
        kinds = {d.kind for d in decisions}
        if not kinds:
            raise StopNow(
                "not reached",
                "fault",
                f"stage {stage.name}: {stage.to / 1e3:g} kN not reached within span/30",
            )
        if "crack" in kinds:
            station.cracked = True
            load = next(d.detail for d in decisions if d.kind == "crack")
            station.book.event("first crack", f"first crack at {_number(load) / 1e3:.1f} kN")
            speed = stage.speed_after_crack
            await station.move_deflection(far, speed)
        if "reached" in kinds:
            return judge


async def hold(station: Station, stage: Hold) -> None:
    """Stay at a load for a time."""
    await station.load_to(stage.at, station.unload_rate)
    station.holds_until = station.stream.now + station.stream.frames(stage.duration)
    await station.wait(stage.duration)
    station.holds_until = None


async def ramp(station: Station, stage: Ramp) -> None:
    """One slow loading, to a load or to the ultimate load (then by StopNow)."""
    averaged = _averaged(station)
    if stage.control == "load" and stage.to is not None:
        keep_static(station, stage.name, await station.load_to(stage.to, stage.speed, averaged))
        return
    far = station.plan.specimen.section.span / 30
    earlier = station.peak_before = station.peak
    watcher: Judge = (
        _ultimate_watch(station)
        if stage.to is None
        else LoadReaches("reached", stage.to, rising=True)
    )
    await station.move_deflection(far * (1 + FAR), stage.speed)
    decisions, judge = await station.watch(
        far * (1 + FAR) / stage.speed * GIVEN_UP, AllOf((watcher, averaged))
    )
    await station.hold()
    keep_static(station, stage.name, judge, breaks=stage.to is None)
    if not decisions:
        raise StopNow("not reached", "fault", f"stage {stage.name} did not reach its end")
    end = decisions[0]
    if end.kind == "ultimate":
        why = str(end.detail)
        if earlier[0] > peak_of(judge, NO_PEAK)[0]:
            why = (
                f"{why}; before it was cut off it had held {earlier[0] / 1e3:.2f} kN at "
                f"{earlier[1] * 1e3:.2f} mm: that is its ultimate load"
            )
        raise StopNow("ultimate", "ultimate", why)


async def static_check(station: Station, check: StaticCheck, cycle: int) -> float:
    """Slow cycles in load control from the lower load; return the last one's stiffness [N/m]."""
    stiffness = math.nan
    low = station.plan.loading.lower if station.plan.loading else station.seat
    for repeat in range(1, check.repeats + 1):
        judge: Judge = _averaged(station)
        judge = await station.load_to(check.to, check.rate, judge)
        judge = await station.wait(check.hold, judge)
        judge = await station.load_to(low, check.rate, judge)
        stiffness = keep_static(station, f"check {repeat}", judge, cycle, reopens=True)
    return stiffness


def _crack_watch(station: Station) -> CrackWatch:
    setup = CrackSetup(station.stream.rate, LEAST_SHARE * station.load_scale)
    return CrackWatch(setup, CrackState())


def _ultimate_watch(station: Station) -> UltimateWatch:
    span = station.plan.specimen.section.span
    setup = UltimateSetup(station.stream.rate, span, LEAST_SHARE * station.load_scale)
    return UltimateWatch(setup, UltimateState())


def _averaged(station: Station) -> Averaged:
    return Averaged(station.stream.now, max(round(AVERAGED * station.stream.rate), 1))


def _number(value: object) -> float:
    return float(value) if isinstance(value, float | int) else float("nan")
