"""The run that every other one is made from: a prism that cycles at night."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np

from rig.channels import Channel
from rig.monitor.curve import Curve
from rig.monitor.view import View
from rig.record.entries import Event, RunHeader
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
