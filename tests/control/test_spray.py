"""The spray schedule, walked by hand: every expected time is written out from the protocol."""

from __future__ import annotations

from rig.control.spray import Spray, start_spray, step
from rig.protocol.plan import SpraySchedule

RATE = 1000.0
FLOW = 2.5e-5


def schedule(**changes):
    """Return 2 min in every 15 min, from 10 000 cycles on, with changes."""
    values = {
        "begin": 10_000,
        "begin_unit": "cycles",
        "on": 120.0,
        "every": 900.0,
        "period_unit": "s",
        "continuous": False,
        "flow": FLOW,
        "tolerance": 0.15,
        "retries": 2,
        "retry_every": 60.0,
        "then": "pause",
        "on_pause": "keep",
        "on_stop": "off",
    }
    return SpraySchedule(**{**values, **changes})


def walk(plan: SpraySchedule, flow, until: int, start: int = 2_500_000):
    """Carry the schedule out in time; return (second, switched) and the steps taken."""
    state, frame, cycle = start_spray(plan, RATE), start, 10_000
    switches, steps = [], []
    while frame < until:
        done = step(plan, state, frame, cycle, RATE, flow(frame))
        state = done.state
        steps.append(done)
        if done.pump is not None:
            switches.append(((frame - start) / RATE, done.pump))
        if state.frame is None:
            break
        frame = state.frame
    return switches, steps, state


def test_two_minutes_in_every_fifteen_from_the_first_period_on():
    switches, _, _ = walk(schedule(), lambda _: FLOW, until=2_500_000 + 2_000_000)
    assert switches == [
        (0, True),
        (120, False),
        (900, True),
        (1020, False),
        (1800, True),
        (1920, False),
    ]


def test_water_waits_for_its_count():
    state = start_spray(schedule(), RATE)
    assert (state.phase, state.cycle, state.on) == ("waiting", 10_000, False)


def test_a_flow_fifteen_per_cent_off_confirms_and_sixteen_does_not():
    for share, phase in ((0.851, "wet"), (1.149, "wet"), (0.84, "retry"), (1.16, "retry")):
        plan = schedule()
        on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
        assert step(plan, on, on.frame, 10_050, RATE, share * FLOW).state.phase == phase


def test_a_dead_pump_is_tried_three_times_a_period_and_two_missed_periods_call():
    switches, steps, state = walk(schedule(), lambda _: 0.0, until=2_500_000 + 1_200_000)
    ons = [second for second, on in switches if on]
    assert ons == [0, 70, 140, 900, 970, 1040]
    assert [s.missed_too_often for s in steps if s.event.startswith("spray period missed")] == [
        False,
        True,
    ]
    assert state.missed == 2


def test_a_confirmed_period_forgets_the_missed_one_before():
    _, _, state = walk(schedule(), lambda f: 0.0 if f < 3_000_000 else FLOW, until=3_600_000)
    assert state.missed == 0


def test_continuous_water_is_never_switched_off():
    switches, _, state = walk(schedule(continuous=True), lambda _: FLOW, until=10**8)
    assert switches == [(0, True)]
    assert (state.frame, state.cycle, state.phase) == (None, None, "wet")


def test_a_schedule_in_cycles_switches_by_counts():
    plan = schedule(on=480, every=3600, period_unit="cycles")
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    wet = step(plan, on, on.frame, 10_040, RATE, FLOW).state
    assert (wet.frame, wet.cycle) == (None, 10_480)
    dry = step(plan, wet, 120_000, 10_480, RATE, FLOW).state
    assert (dry.phase, dry.cycle) == ("dry", 13_600)


def test_without_a_flow_meter_the_water_counts_as_confirmed():
    plan = schedule()
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    assert isinstance(on, Spray)
    assert step(plan, on, on.frame, 10_040, RATE, None).state.confirmed
