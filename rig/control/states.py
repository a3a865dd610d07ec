"""The conductor's states as a table: in which state, on what cause, what follows.

The table is data: the conductor refuses a step that is not in it, the table and the diagram in
DEVELOPERS.md are made from it, and a test walks every row. Stop categories are those of
IEC 60204-1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Row:
    """One step: in `state`, on `cause`, `to` follows. `does` says what the rig does, in words."""

    state: str
    cause: str
    to: str
    does: str


STATES: Final[dict[str, str]] = {
    "idle": "nothing has been asked of the rig",
    "checklist": "pressure off until the checklist is confirmed by name",
    "starting": "horn or lamp warns, then pressure: stay out",
    "approach": "stroke control until contact, then seating",
    "static": "slow cycles",
    "ramp": "one slow loading",
    "hold": "a load is held",
    "build-up": "the amplitude grows",
    "cycling": "cycles count",
    "inspection": "amplitude zero; static check and zeros",
    "waiting": "at lower load, goes on by itself after the wait",
    "locked": "people at the rig: stroke held, low pressure",
    "pausing": "amplitude to zero, then to lower load; a slow stage just stands still",
    "paused": "stands still, power kept",
    "unloading": "unloads, retracts, then pressure off",
    "unloaded": "retracted, pressure off",
    "re-wetting": "stands still while water runs",
    "stopping": "being stopped; the samples after it are kept",
    "stopped": "valve closed, pressure off, the record is closed",
}
"""Every state and what it means, in the order of a test."""

STAGES: Final = ("approach", "static", "ramp", "hold", "build-up")
MOVING: Final = (*STAGES, "cycling", "inspection", "pausing", "unloading")
PAUSABLE: Final = (*STAGES, "cycling", "inspection")
STANDING: Final = ("waiting", "locked", "paused", "unloaded", "re-wetting")
PEOPLE_NEAR: Final = frozenset({"waiting", "locked", "paused", "unloaded"})
"""States in which an open guard means people, not danger: nothing moves in them, and the
specimen carries lower load at the most (where it carries more, an open guard stops the rig)."""

LOADED: Final = frozenset({"locked", "paused"})
"""Of these, the ones in which a slow stage may stand under more than lower load."""

PAUSE_CAUSES: Final = ("pause", "finding", "no flow", "unattended")
INPUTS: Final = {
    "emergency_stop": "emergency stop pressed",
    "guard": "guard opened",
    "leak": "water found where none may be",
    "oil": "oil pressure low, or oil above 60 C",
    "mains": "mains lost, on the uninterruptible supply",
}
"""Inputs that stop the rig, by the rig file's word for the cause, in words."""

FAULTS: Final = ("limit", "fault", "feedback", "silent", "watchdog", "record", *INPUTS)
"""What stops a test that nobody asked to stop."""


_WITHOUT_PRESSURE: Final = ("fault", "silent", "record")
_ASKS: Final = "no water came, quiet hours, or a real rig: waits for continue once more"


def _rows() -> list[Row]:
    to_rest = "amplitude to zero, to lower load, power kept (category 2)"
    rows = [
        Row("idle", "start", "starting", "an emulated rig: no checklist"),
        Row("idle", "real rig", "checklist", "shows the checklist, pressure stays off"),
        Row("checklist", "confirm", "starting", "name and person on call are recorded"),
        Row("checklist", "stop", "stopping", "nothing was moved"),
        Row("starting", "long dry", "re-wetting", "taken up again: water before going on"),
        Row("starting", "finding", "unloaded", "taken up again: asks before anything moves"),
        Row("approach", "finding", "pausing", _how("approach", to_rest)),
        Row("static", "go on", "inspection", "one that was cut off is made again"),
        Row("static", "finding", "pausing", _how("static", to_rest)),
        Row("build-up", "range reached", "cycling", "counting begins, learned limits are armed"),
        Row("cycling", "count", "inspection", "amplitude to zero, to lower load"),
        Row("inspection", "checked", "waiting", "stands at lower load"),
        Row("waiting", "wait over", "starting", "nobody came: goes on by itself"),
        Row("waiting", "continue", "starting", "with local input"),
        Row("waiting", "pause", "locked", "somebody takes over: stroke held, low pressure"),
        Row("waiting", "people", "locked", "a note, button or guard: stroke held, low pressure"),
        Row("waiting", "unload", "unloading", "category 1"),
        Row("locked", "continue", "starting", "with local input and name, guard closed"),
        Row("locked", "unload", "unloading", "with local input; category 1"),
        Row("pausing", "at rest", "paused", "stands still"),
        Row("paused", "continue", "starting", "with local input, outside quiet hours"),
        Row("paused", "long dry", "re-wetting", "water on before going on"),
        Row("paused", "people", "locked", "button or guard: stroke held, low pressure"),
        Row("paused", "unload", "unloading", "category 1"),
        Row("paused", "wait over", "unloading", "nobody came: category 1"),
        Row("unloading", "unloaded", "unloaded", "valve closed, pressure off"),
        Row("unloaded", "continue", "starting", "with local input, outside quiet hours"),
        Row("unloaded", "long dry", "re-wetting", "water on before going on"),
        Row("waiting", "long dry", "re-wetting", "water on before going on"),
        Row("locked", "long dry", "re-wetting", "water on before going on"),
        Row("re-wetting", "wetted", "starting", "as long wet as it was dry, at most 24 h"),
        Row("re-wetting", "asks loaded", "paused", _ASKS),
        Row("re-wetting", "asks unloaded", "unloaded", _ASKS),
        Row("starting", "go on", "inspection", "takes up where it stood"),
        Row("approach", "go on", "inspection", "in contact again, repeats the check"),
        Row("stopping", "stopped", "stopped", "outcome is named, record closed"),
    ]
    rows += [Row("starting", "stage", to, "pressure is on") for to in STAGES]
    rows += [
        Row(state, "stage", to, "the protocol's next stage")
        for state in STAGES[:-1]
        for to in STAGES[1:]
    ]
    rows += [Row(s, "pause", "pausing", _how(s, to_rest)) for s in PAUSABLE]
    rows += [Row("cycling", cause, "pausing", to_rest) for cause in PAUSE_CAUSES[1:]]
    rows += [Row("build-up", cause, "pausing", to_rest) for cause in PAUSE_CAUSES[2:]]
    slow = (*STAGES[:-1], "inspection")
    rows += [Row(s, "unattended", "pausing", _how(s, to_rest)) for s in slow]
    rows += [Row(s, "unload", "unloading", "category 1") for s in PAUSABLE]
    running = (*MOVING, "starting", *STANDING)
    rows += [Row(s, "stop", "stopping", "normal stop, category 1") for s in running]
    rows += [
        Row(s, cause, "stopping", "stop by the rig file's category")
        for s in running
        for cause in FAULTS
        if not (cause == "guard" and s in PEOPLE_NEAR - LOADED)
    ]
    rows += [Row("checklist", c, "stopping", "nothing was moved") for c in _WITHOUT_PRESSURE]
    taken_up = ("verdict", "watchdog", *_WITHOUT_PRESSURE)
    rows += [Row("idle", c, "stopping", "taken up again: nothing is moved") for c in taken_up]
    ends = (*STAGES[:-1], "cycling")
    rows += [Row(s, "verdict", "stopping", "the test has ended") for s in ends]
    return rows


def _how(state: str, cycling: str) -> str:
    slow = "stands where it is, power kept (category 2)"
    return cycling if state in ("cycling", "build-up") else slow


TABLE: Final[tuple[Row, ...]] = tuple(_rows())
"""Every step there is; (state, cause) may lead to several states only for "stage"."""


def may_follow(state: str, cause: str, to: str) -> bool:
    """Tell whether the table has this step."""
    return any((r.state, r.cause, r.to) == (state, cause, to) for r in TABLE)


def following(state: str, cause: str) -> str:
    """Return the one state that follows on a cause; ValueError where the table has none."""
    found = [r.to for r in TABLE if (r.state, r.cause) == (state, cause)]
    if len(found) != 1:
        raise ValueError(f"the state table has {len(found)} steps from {state!r} on {cause!r}")
    return found[0]


def possible(state: str) -> tuple[str, ...]:
    """Return what people may ask for in a state, besides notes.

    What is asked while the rig goes to rest is done once it stands.
    """
    state = "paused" if state == "pausing" else state
    asked = ("confirm", "pause", "continue", "unload", "stop")
    return tuple(v for v in asked if any(r.state == state and r.cause == v for r in TABLE))
