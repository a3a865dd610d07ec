"""What comes next by itself, in which order, and what the run waits for people to do."""

from __future__ import annotations

import math
from typing import Final

from rig.control.attendance import half_over
from rig.control.cyclic_stage import CyclicStage
from rig.control.standing import Standing
from rig.control.states import MOVING, PAUSABLE, STATES
from rig.control.station import Station
from rig.protocol.air import Air
from rig.protocol.plan import Approach, Cyclic, Hold, Ramp, Stage, Static
from rig.protocol.residual import breaks
from rig.record.status import BREAKS, MOVES, Coming

CONTINUE: Final = "nightrig continue"
STATE_OF: Final[dict[type, str]] = {
    Approach: "approach",
    Static: "static",
    Ramp: "ramp",
    Hold: "hold",
}
"""The state in which a slow stage is carried out."""

_IN_AIR: Final = {
    "approach": "the rod comes forward slowly",
    "static": "slow motions",
    "ramp": "one slow motion",
    "hold": "the rod is held",
    "build-up": "the motions grow",
    "cycling": "moves back and forth",
    "inspection": "slow motions and zeros",
    "unloading": "the rod is drawn back",
}
"""What is done in some states of an air run."""

SHORT: Final = 90.0  # [s] under which a wait is told in seconds
_ASKED: Final = f"goes on only after {CONTINUE}"
_THEN: Final = {
    "pausing": "then stands still, power kept",
    "unloading": "then stands unloaded, pressure off",
    "paused": _ASKED,
    "locked": _ASKED,
    "unloaded": _ASKED,
    "stopping": "the rig comes to rest, then the record is closed",
}
"""What follows in some states without a time."""


def doing(station: Station, stage: Stage | None) -> str:
    """Return in words what the rig does in its present state."""
    state, loading, inspections = station.book.state, station.plan.loading, station.plan.inspections
    if station.plan.air is not None and state in MOVING:
        return f"{_IN_AIR.get(state, STATES[state])}, without a specimen"
    if isinstance(stage, Static) and state == "static":
        count = f"slow cycle {station.repeat} of {stage.repeats}"
        return f"{count} to {_kn(stage.to)}"
    if breaks(stage) and state == "ramp":
        return f"{BREAKS}; {station.people_out_words}"
    if isinstance(stage, Ramp) and stage.to is not None and state == "ramp":
        return f"one slow loading to {_kn(stage.to)}"
    if isinstance(stage, Hold) and state == "hold":
        return f"{_kn(stage.at)} is held for {stage.duration:.0f} s"
    if state == "build-up" and loading is not None:
        return f"the amplitude grows to {_kn(loading.lower)} and {_kn(loading.upper)}"
    if state == "cycling" and loading is not None:
        return f"cycles between {_kn(loading.lower)} and {_kn(loading.upper)} count"
    if state == "waiting" and station.live and station.ran_out is not None:
        return "at lower load until somebody has it broken"
    if state == "inspection" and inspections is not None:
        check = inspections.static_check
        return f"slow cycles to {_kn(check.to)}" if check else "to rest at lower load"
    return STATES[state]


def coming(
    station: Station, standing: Standing, cyclic: CyclicStage | None, stage: Stage | None
) -> tuple[Coming, ...]:
    """Return what will happen by itself, the soonest first, what has no time last."""
    found = [*_standing(station, standing)]
    state = station.book.state
    if state in _THEN:
        found.append(Coming(_THEN[state]))
    if state == "starting":
        left = (station.moves_at - station.stream.now) / station.stream.rate
        found.append(Coming(MOVES, left if left > 0 else None))
    if state == "inspection":
        found.append(_after_check(station))
    if state == "cycling" and station.plan.air is not None:
        found += _in_air(station, station.plan.air)
    elif state in ("build-up", "cycling") and cyclic is not None:
        found += _cycling(station, cyclic)
    elif state in ("approach", "static", "ramp", "hold", "starting"):
        found += _following(station, stage)
    return tuple(sorted(found, key=lambda c: math.inf if c.within is None else c.within))


def _after_check(station: Station) -> Coming:
    """Return how an inspection goes on after its static check."""
    inspections = station.plan.inspections
    alone = inspections.go_on_after if inspections is not None else None
    if station.ran_out is not None and station.live:
        return Coming(f"then stands for people until {CONTINUE}, which has it broken")
    if alone is None:
        return Coming(f"then stands for people until {CONTINUE}")
    wait = f"{alone / 60:.0f} min" if alone >= SHORT else f"{alone:.0f} s"
    return Coming(f"then stands {wait} for people and goes on by itself")


def _standing(station: Station, standing: Standing) -> list[Coming]:
    """Return what ends the present standing, by time."""
    found = []
    now, rate = station.stream.now, station.stream.rate
    if standing.until is not None and standing.until[0] >= now:
        frame, what = standing.until
        found.append(Coming(what, (frame - now) / rate))
    if station.water.rewets:
        left = station.water.rewet_left(now)
        after = "asks once more" if not station.rig.emulated else "goes on"
        found.append(Coming(f"wet enough: {after}", left))
    return found


def _cycling(station: Station, cyclic: CyclicStage) -> list[Coming]:
    """Return what a cyclic stage has ahead of it."""
    plan, counted = station.plan, station.book.counted
    frequency = plan.loading.frequency if plan.loading else math.nan
    found = []
    if station.book.state == "build-up":
        left = cyclic.grown_in()
        found.append(Coming("counting begins", left))

    def at(what: str, cycle: int) -> Coming:
        # Before counting has begun again nobody knows when it will.
        known = station.book.state == "cycling"
        return Coming(what, max(cycle - counted, 0) / frequency if known else None, cycle)

    if cyclic.inspect_at is not None:
        found.append(at("inspection", cyclic.inspect_at))
    if cyclic.state.criteria.baseline is None:
        found.append(at("baseline known", max(plan.baseline.last, counted)))
    found.append(at("run-out", cyclic.run_out))
    found += _windows(station)
    return found


def _in_air(station: Station, air: Air) -> list[Coming]:
    """Return what the motions of an air run have ahead of them."""
    plan, counted = station.plan, station.book.counted
    inspection = plan.inspections.next_after(counted) if plan.inspections else None
    last = plan.cyclic.run_out if plan.cyclic else counted
    marks = [("inspection", inspection), ("end of the air run", last)]
    return [
        Coming(what, max(at - counted, 0) * air.period, at) for what, at in marks if at is not None
    ]


def _windows(station: Station) -> list[Coming]:
    """Return when the test pauses because nobody has looked."""
    windows, now = station.windows, station.stream.now
    if windows.looked or not station.attended or station.book.state not in PAUSABLE:
        return []
    frequency = station.plan.loading.frequency if station.plan.loading else math.nan
    what, found = "pauses unless somebody has looked", []
    if (frame := windows.next_frame) is not None:
        found.append(Coming(what, (frame - now) / station.stream.rate))
    if (cycle := windows.next_cycle) is not None:
        found.append(Coming(what, (cycle - station.book.counted) / frequency, cycle))
    soonest = min(found, key=lambda c: c.within or 0.0, default=None)
    return [soonest] if soonest is not None else []


def _following(station: Station, stage: Stage | None) -> list[Coming]:
    """Return the stage after a slow one; how long a slow stage takes nobody knows exactly."""
    stages = station.plan.stages
    if stage is None:
        return [Coming(f"{stages[0].name}: {_kind(stages[0])}")]
    place = stages.index(stage)
    if isinstance(stage, Cyclic) and station.ran_out is not None:
        stage = stages[place + 1]
        return [Coming(f"{stage.name}: {_kind(stage)}")]
    if station.book.state != STATE_OF.get(type(stage)):
        # It starts, or makes contact again after the specimen was unloaded.
        return [Coming(f"{stage.name}: {_kind(stage)}")]
    found = []
    if station.holds_until is not None and station.holds_until > station.stream.now:
        left = (station.holds_until - station.stream.now) / station.stream.rate
        found.append(Coming("the load has been held", left))
    if place + 1 == len(stages):
        return [*found, Coming("end of the test")]
    return [*found, Coming(f"{stages[place + 1].name}: {_kind(stages[place + 1])}")]


def _kind(stage: Stage) -> str:
    words: dict[type, str] = {
        Approach: "stroke control until contact",
        Static: "slow cycles",
        Ramp: "one slow loading",
        Hold: "a load is held",
        Cyclic: "cyclic loading",
    }
    return words[type(stage)]


def asks(station: Station, standing: Standing) -> str:
    """Return what the run waits for people to do, or nothing."""
    state, plan = station.book.state, station.plan
    if standing.local_wait:
        return f"use the {plan.rig.local_input} at the rig now, for {standing.local_wait}"
    if state == "checklist":
        return "confirm the checklist in the terminal that started the test"
    if state == "locked":
        return f"when nobody is at the rig any more and the guard is closed: {CONTINUE}"
    if state == "paused" and station.book.entered.cause == "pause":
        return f"{CONTINUE}, unload or stop when it is time"
    if state == "paused":
        return f"find out why it stands, then {CONTINUE}, unload or stop"
    if state == "unloaded":
        return f"{CONTINUE} when somebody is there, or stop"
    if state == "waiting":
        look = "map the cracks" if plan.inspections and plan.inspections.map_cracks else "look"
        goes_on = CONTINUE if station.ran_out is None else f"{CONTINUE} to have it broken"
        return look if standing.until is not None else f"{look}, then {goes_on}"
    if _windows(station) and half_over(station.windows, station.stream.now, station.book.counted):
        return "look after the rig, then: nightrig note"
    return ""


def _kn(load: float) -> str:
    return f"{load / 1e3:.1f} kN"
