"""Runs as they are shown, by name: every state that somebody may meet at night."""

from dataclasses import replace
from datetime import timedelta

from rig.monitor.curve import Curve
from rig.monitor.view import View
from rig.record.entries import Ending, Event
from rig.record.status import Armed, Coming, Status
from tests.monitor import states
from tests.monitor.night_12 import (
    DRY,
    EVENTS,
    HEADER,
    HOUR,
    INF,
    KN,
    LIMITS,
    MM,
    NAN,
    NOW,
    PER,
    WET,
    and_events,
    cycling,
    softening,
    with_status,
)


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


wet = and_events(
    with_status(water=WET), Event(6 * HOUR - 40.0, 83_054, "water", "period 24: on, flow confirmed")
)
simulated = replace(
    cycling, header=replace(HEADER, simulated=True, title="Prism P-12 on a simulated rig")
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

VIEWS: dict[str, View] = {
    name: v for name, v in {**vars(states), **globals()}.items() if isinstance(v, View)
}
