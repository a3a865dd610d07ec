"""Runs as they are shown, by name: every state that somebody may meet at night."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np

from rig.channels import Channel
from rig.monitor.curve import Curve
from rig.monitor.view import View
from rig.record.entries import Ending, Event, RunHeader
from rig.record.status import Armed, Coming, Status, WaterStatus

NOW = datetime(2026, 11, 25, 2, 10, 12, tzinfo=UTC)
ZONE = timezone(timedelta(hours=1), "CET")
KN, MM, PER = 1e3, 1e-3, 1e6
HOUR = 3600.0
INF, NAN = math.inf, math.nan

HEADER = RunHeader(
    run_id="night-12",
    software="nightrig 0.1.0",
    started_utc="2026-11-24T20:10:12+00:00",
    title="Prism P-12, sprayed, 70 % of its capacity in spray",
    specimen_id="P-12",
    exposure="spray",
    seed=None,
    rate=1000.0,
    channels=(Channel("load", "N", 10.0, -2e5, 2e5),),
)


def softening(cycles: int, points: int, lost: float) -> Curve:
    """A curve that bends down towards its end, with a little noise."""
    number = np.linspace(1, max(cycles, 1), points)
    share = number / max(cycles, 1)
    noise = np.random.default_rng(5).normal(0.0, 0.0015, points)
    stiffness = 25.18 * PER * (1.01 - 0.3 * lost * share - 0.7 * lost * share**8 + noise)
    return Curve(tuple(number.tolist()), tuple(stiffness.tolist()))


LIMITS = (
    Armed("load", 4.62 * KN, 101.64 * KN, 9.21 * KN, 92.41 * KN, learned=True),
    Armed("deflection", -1.0 * MM, 5.86 * MM, 0.37 * MM, 3.71 * MM, learned=True),
    Armed("stroke", -20 * MM, 24 * MM, 6.1 * MM, 10.2 * MM),
)
DRY = WaterStatus(
    doing="off",
    on=False,
    confirmed=False,
    missed=0,
    flow=0.0,
    asked_flow=1.5e-3 / 60,
    tank=0.640,
    tank_lasts=53.3 * HOUR,
    dry_for=312.0,
    coming=Coming("water on", 468.0),
)
WET = replace(
    DRY,
    doing="on",
    on=True,
    confirmed=True,
    flow=1.48e-3 / 60,
    dry_for=0.0,
    coming=Coming("water off", 80.0),
)
CYCLING = Status(
    stamp=(NOW - timedelta(seconds=0.4)).isoformat(),
    calendar=(NOW - timedelta(seconds=0.4)).isoformat(),
    time=6 * HOUR,
    live=True,
    state="cycling",
    means="cycles between 9.2 kN and 92.4 kN count",
    cause="range reached",
    why="counting from cycle 1",
    since=520.0,
    rig="frame 2",
    stage="fatigue",
    stage_number=4,
    stages=4,
    cycles=83_214,
    run_out=11_000_000,
    frequency=4.0,
    load=50.8 * KN,
    deflection=2.0 * MM,
    target_upper=92.4 * KN,
    target_lower=9.24 * KN,
    load_max=92.41 * KN,
    load_min=9.21 * KN,
    deflection_max=3.71 * MM,
    deflection_min=0.37 * MM,
    stiffness=24.91 * PER,
    baseline=25.18 * PER,
    baseline_first=2000,
    baseline_last=3000,
    loss_warn=0.2,
    loss_stop=0.4,
    limits=LIMITS,
    coming=(
        Coming("inspection", (100_000 - 83_214) / 4.0, 100_000),
        Coming("run-out", (11_000_000 - 83_214) / 4.0, 11_000_000),
    ),
    water=DRY,
    oil_temperature=314.35,
    slow={"temperature_air": 292.25, "temperature_water": 287.05},
    on_call="A. Name, +00 000 0000",
    possible=("pause", "unload", "stop"),
)
EVENTS = (
    Event(0.0, 0, "state", "starting, confirm: guards closed, horn first"),
    Event(15.0, 0, "state", "approach, stage: approach"),
    Event(19.0, 0, "contact", "contact at 2 kN"),
    Event(26.6, 0, "seated", "three seating cycles done"),
    Event(26.6, 0, "state", "static, stage: pre-crack"),
    Event(180.0, 0, "first crack", "first crack at 73.1 kN"),
    Event(420.0, 0, "static", "pre-crack 3: stiffness 26.31 kN/mm, residual 0.012 mm"),
    Event(466.0, 0, "state", "build-up, stage"),
    Event(520.0, 1, "state", "cycling, range reached: counting from cycle 1"),
    Event(
        1270.0,
        3000,
        "baseline",
        "baseline over 1001 cycles: stiffness 25.180 kN/mm, net deflection 0.365 to 3.66 mm",
    ),
    Event(3020.0, 10_000, "water", "spraying begins"),
    Event(9100.0, 34_300, "note", "A. Name: hairline crack at the left load point, 0.1 mm"),
    Event(18_000.0, 69_900, "correction", "upper load corrected by +0.3 kN"),
)

cycling = View(
    folder=Path("runs/night-12"),
    header=HEADER,
    status=CYCLING,
    ending=None,
    events=EVENTS,
    curve=softening(83_214, 160, 0.012),
    now=NOW,
    alive=True,
    speed=1.0,
    zone=ZONE,
)


def with_status(view: View = cycling, **changed: Any) -> View:
    return replace(view, status=replace(view.status, **changed))


def and_events(view: View, *events: Event) -> View:
    return replace(view, events=view.events + events)


STANDING: dict[str, Any] = {
    "load_max": NAN,
    "load_min": NAN,
    "deflection_max": NAN,
    "deflection_min": NAN,
    "stiffness": NAN,
    "load": 9.24 * KN,
    "deflection": 0.41 * MM,
}


def ended(outcome: str, why: str, cycles: int, view: View = cycling) -> View:
    time = view.status.time
    view = with_status(
        view,
        state="stopped",
        means="valve closed, pressure off, the record is closed",
        cause="verdict",
        why=f"{outcome}: {why}",
        since=time,
        cycles=cycles,
        coming=(),
        limits=(),
        possible=(),
        load=0.02 * KN,
        deflection=0.09 * MM,
    )
    view = and_events(
        view,
        Event(time - 14.0, cycles, "verdict", why),
        Event(time - 14.0, cycles, "state", f"stopping, verdict: {why}"),
        Event(
            time - 1.0,
            cycles,
            "pressure",
            "off, as the controller says; wait for gauge and load at zero",
        ),
        Event(time, cycles, "state", f"stopped, stopped: {outcome}: {why}"),
    )
    return replace(view, ending=Ending(outcome, why, cycles, time), alive=False)


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
wet = and_events(
    with_status(water=WET), Event(6 * HOUR - 40.0, 83_054, "water", "period 24: on, flow confirmed")
)
simulated = replace(
    cycling, header=replace(HEADER, simulated=True, title="Prism P-12 on a simulated rig")
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
warned = and_events(
    with_status(
        cycles=1_934_881,
        time=135 * HOUR,
        stiffness=19.7 * PER,
        load_max=89.1 * KN,
        troubles=("load correction is at its end: load may fall short",),
        oil_temperature=324.9,
        water=replace(DRY, tank=0.09, tank_lasts=7.5 * HOUR, missed=1),
        limits=(replace(LIMITS[1], most=5.79 * MM), LIMITS[0], LIMITS[2]),
        coming=(Coming("inspection", 16_200.0, 2_000_000),),
    ),
    Event(134 * HOUR, 1_920_000, "warning", "stiffness 20.1 % below the baseline"),
)
warned = replace(warned, curve=softening(1_934_881, 190, 0.22))
FAILED = (
    "stiffness 15.108 kN/mm, median of 100 cycles, is 40.0% below the baseline 25.182 kN/mm; "
    "limit 40%"
)
failure = replace(
    ended("failure", FAILED, 87_212, with_status(stiffness=15.1 * PER)),
    curve=softening(87_212, 180, 0.41),
)
run_out = ended(
    "run-out",
    "no failure in 11,000,000 cycles",
    11_000_000,
    replace(
        with_status(time=2_760_000.0, stiffness=23.3 * PER), curve=softening(11_000_000, 168, 0.07)
    ),
)
limit = ended("limit", "load at 104.2 kN, above 101.6 kN, for 3 samples in a row", 83_214)
not_off = and_events(
    ended("fault", "the controller is silent", 83_214),
    Event(6 * HOUR + 5, 83_214, "pressure", "NOT confirmed off: do not go near; isolate by hand"),
)
gone = replace(cycling, alive=False, now=NOW + timedelta(minutes=12))
old = replace(cycling, now=NOW + timedelta(seconds=130))
ageing = replace(cycling, now=NOW + timedelta(seconds=9))
long_run = replace(
    with_status(
        cycles=10_412_655,
        time=30.4 * 86400,
        stiffness=23.4 * PER,
        coming=(
            Coming("inspection", 21_836.0, 10_500_000),
            Coming("run-out", 146_836.0, 11_000_000),
        ),
    ),
    curve=softening(10_412_655, 159, 0.07),
)
static = replace(
    with_status(
        state="ramp",
        means="one slow loading until it breaks",
        cause="stage",
        why="to ultimate",
        since=700.0,
        time=1300.0,
        stage="to ultimate",
        stage_number=3,
        stages=3,
        cycles=0,
        run_out=0,
        frequency=NAN,
        load=118.6 * KN,
        deflection=9.31 * MM,
        target_upper=NAN,
        target_lower=NAN,
        load_max=NAN,
        load_min=NAN,
        deflection_max=NAN,
        deflection_min=NAN,
        stiffness=NAN,
        baseline=NAN,
        loss_warn=NAN,
        loss_stop=NAN,
        limits=(
            Armed("load", -INF, 160 * KN, 118.1 * KN, 118.7 * KN),
            Armed("stroke", -20 * MM, 60 * MM, 18.0 * MM, 18.1 * MM),
        ),
        coming=(Coming("end of the test"),),
        water=None,
        slow={},
        oil_temperature=NAN,
    ),
    header=replace(HEADER, title="Prism P-01, broken slowly in air", specimen_id="P-01"),
    events=EVENTS[:6],
    curve=Curve(),
)
submerged = replace(
    with_status(
        water=None,
        slow={
            "temperature_air": 292.25,
            "temperature_water": 287.05,
            "temperature_oil": 315.0,
            "level": 0.412,
            "pressure": 20.6e6,
        },
    ),
    header=replace(HEADER, title="Prism P-31 under water", exposure="submerged"),
)
rehearsal = replace(
    with_status(
        live=False,
        calendar="2001-01-03T04:36:10+00:00",
        time=124_570.0,
        cycles=470_211,
        since=520.0,
        on_call="",
    ),
    header=replace(HEADER, simulated=True, seed=1, started_utc="2001-01-01T18:00:00+00:00"),
    speed=36_200.0,
    curve=softening(470_211, 160, 0.05),
)
untold = replace(
    cycling,
    told=False,
    status=Status(
        stamp="",
        calendar="2026-11-25T02:10:12+00:00",
        time=6 * HOUR,
        live=True,
        state="cycling",
        means="",
        cause="range reached",
        why="",
        since=520.0,
        rig="",
        stage="",
        stage_number=0,
        stages=0,
        cycles=83_214,
        run_out=0,
        frequency=4.0,
        load=NAN,
        deflection=NAN,
        load_max=92.41 * KN,
        load_min=9.21 * KN,
        deflection_max=3.71 * MM,
        deflection_min=0.37 * MM,
        stiffness=24.91 * PER,
    ),
)

VIEWS: dict[str, View] = {name: v for name, v in globals().items() if isinstance(v, View)}
