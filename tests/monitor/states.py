"""Runs in the states before, between and beside cycling."""

from dataclasses import replace

from rig.monitor.curve import Curve
from rig.record.entries import Event
from rig.record.status import Armed, Coming
from tests.monitor.night_12 import (
    DRY,
    EVENTS,
    HOUR,
    KN,
    LIMITS,
    MM,
    NAN,
    PER,
    STANDING,
    and_events,
    with_status,
)

checklist = replace(
    with_status(
        state="checklist",
        means="pressure off until the checklist is confirmed",
        cause="real rig",
        why="",
        since=0.0,
        time=95.0,
        stage="",
        stage_number=0,
        cycles=0,
        baseline=NAN,
        limits=LIMITS[2:],
        coming=(Coming("approach: stroke control until contact"),),
        water=replace(DRY, doing="not begun", dry_for=0.0, coming=None, tank=1.0),
        asks="confirm the checklist in the terminal that started the test",
        possible=("confirm", "stop"),
        on_call="",
        **(STANDING | {"load": 0.0, "deflection": NAN}),
    ),
    events=(Event(0.0, 0, "state", "checklist, real rig"),),
    curve=Curve(),
)
starting = replace(
    with_status(
        checklist,
        state="starting",
        means="horn or lamp, then pressure; nothing has moved yet",
        cause="confirm",
        why="confirmed by A. Name",
        since=95.0,
        time=99.0,
        stage="approach",
        stage_number=1,
        asks="",
        possible=("stop",),
        on_call="A. Name, +00 000 0000",
    ),
    events=(
        Event(0.0, 0, "state", "checklist, real rig"),
        Event(95.0, 0, "checklist", "confirmed by A. Name: guards are closed and interlocked"),
        Event(95.0, 0, "on call", "A. Name, +00 000 0000"),
        Event(95.0, 0, "state", "starting, confirm: confirmed by A. Name"),
    ),
)
build_up = replace(
    with_status(
        state="build-up",
        means="the amplitude grows to 9.2 kN and 92.4 kN",
        cause="stage",
        why="",
        since=466.0,
        time=491.0,
        cycles=0,
        load_max=61.3 * KN,
        load_min=9.31 * KN,
        deflection_max=2.31 * MM,
        deflection_min=0.33 * MM,
        stiffness=26.1 * PER,
        baseline=NAN,
        limits=(Armed("load", -5 * KN, 101.64 * KN, 9.3 * KN, 61.3 * KN), LIMITS[2]),
        coming=(
            Coming("counting begins", 25.0),
            Coming("inspection", None, 10_000),
            Coming("run-out", None, 11_000_000),
        ),
        water=replace(DRY, doing="not begun", coming=Coming("spraying begins", 2525.0, 10_000)),
    ),
    events=EVENTS[:8],
    curve=Curve(),
)
waiting = and_events(
    with_status(
        state="waiting",
        means="at lower load, goes on by itself after the wait",
        cause="checked",
        why="map the cracks",
        since=6 * HOUR - 400,
        cycles=100_000,
        coming=(Coming("goes on by itself", 800.0), Coming("cycling goes on after it")),
        limits=(Armed("load", -5 * KN, 101.64 * KN, 9.2 * KN, 9.3 * KN), LIMITS[2]),
        water=replace(DRY, doing="off while the test stands", coming=None),
        asks="map the cracks",
        possible=("pause", "continue", "unload", "stop"),
        **STANDING,
    ),
    Event(6 * HOUR - 700.0, 100_000, "state", "inspection, count: cycle 100000"),
    Event(6 * HOUR - 420.0, 100_000, "static", "check 2: stiffness 24.87 kN/mm, residual 0.02 mm"),
    Event(
        6 * HOUR - 400.0,
        100_000,
        "state",
        "waiting, checked: map the cracks; goes on by itself in 20 min unless a note, a pause, "
        "the button or the guard holds it",
    ),
)
paused = and_events(
    with_status(
        waiting,
        state="paused",
        means="stands still, power kept",
        cause="finding",
        why="mid-span sensor flat over 50 cycles",
        since=6 * HOUR - 700.0,
        cycles=83_214,
        coming=(Coming("unloads", 1100.0),),
        asks="find out why it stands, then nightrig continue, unload or stop",
        troubles=("mid-span sensor flat",),
        possible=("continue", "unload", "stop"),
        local_input="button",
    ),
    Event(6 * HOUR - 712.0, 83_214, "sensor", "mid-span flat over 50 cycles"),
    Event(6 * HOUR - 700.0, 83_214, "state", "paused, at rest: stands still"),
)
locked = and_events(
    with_status(
        waiting,
        state="locked",
        means="people at the rig: stroke held, low pressure",
        cause="people",
        why="the guard was opened",
        since=6 * HOUR - 120.0,
        coming=(Coming("cycling goes on after it"),),
        asks="when nobody is at the rig any more and the guard is closed: nightrig continue",
        inputs=("guard opened",),
        possible=("continue", "unload", "stop"),
    ),
    Event(6 * HOUR - 120.0, 100_000, "state", "locked, people: the guard was opened"),
)
unloaded = and_events(
    with_status(
        paused,
        state="unloaded",
        means="retracted, pressure off",
        cause="unloaded",
        why="nobody came within 30 min",
        since=6 * HOUR - 30.0,
        load=0.0,
        deflection=NAN,
        limits=(),
        coming=(),
        asks="nightrig continue when somebody is there, or stop",
        possible=("continue", "stop"),
    ),
    Event(6 * HOUR - 60.0, 83_214, "state", "unloading, wait over: nobody came within 30 min"),
    Event(6 * HOUR - 30.0, 83_214, "state", "unloaded, unloaded"),
)
