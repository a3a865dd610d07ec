"""The spray schedule, walked by hand: every expected time is written out from the protocol.

A period begins with the pump on, the flow is looked at after 10 s and every 30 s from then on.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rig.control.spray import Spray, new_period, paused, start_spray, step
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
    switches, steps, state = walk(schedule(continuous=True), lambda _: FLOW, until=10_000_000)
    assert switches == [(0, True)]
    assert len(steps) == 1 + (7500 - 10) // 30 + 1
    assert (state.phase, state.until) == ("wet", None)


def test_a_schedule_in_cycles_switches_by_counts():
    plan = schedule(on=480, every=3600, period_unit="cycles")
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    wet = step(plan, on, on.frame, 10_040, RATE, FLOW).state
    assert (wet.frame, wet.cycle) == (40_000, 10_480)
    looked = step(plan, wet, 40_000, 10_160, RATE, FLOW).state
    assert (looked.frame, looked.cycle) == (70_000, 10_480)
    dry = step(plan, looked, 120_000, 10_480, RATE, FLOW).state
    assert (dry.phase, dry.frame, dry.cycle) == ("dry", None, 13_600)


def test_without_a_flow_meter_the_water_counts_as_confirmed():
    plan = schedule()
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    assert isinstance(on, Spray)
    assert step(plan, on, on.frame, 10_040, RATE, None).state.confirmed


def flowing(*spans):
    """Return the flow over frames: the schedule's in spans of seconds from 2500 s on, else 0."""
    return lambda f: FLOW if any(a <= f / RATE - 2500 < b for a, b in spans) else 0.0


def test_a_flow_lost_under_way_is_given_again_as_far_as_it_is_lacking():
    # Good looks at 10 and 40 s, none at 70 s: 40 s given, 80 s lacking of the 120 s.
    switches, steps, state = walk(schedule(), flowing((0, 60), (100, 900)), 2_500_000 + 899_000)
    assert switches == [(0, True), (70, False), (130, True), (210, False)]
    assert [s.event[:10] for s in steps if s.event] == ["flow lost:"]
    assert (state.missed, state.missed_in_all) == (0, 0)


def test_a_flow_lost_between_the_last_look_and_the_end_is_found_at_the_end():
    switches, _, _ = walk(schedule(), flowing((0, 105), (150, 900)), 2_500_000 + 899_000)
    # Good until the look at 100 s: 20 s lacking, given from 180 s on.
    assert switches == [(0, True), (120, False), (180, True), (200, False)]


def test_periods_that_lose_their_water_every_time_call_although_each_was_confirmed():
    # Every attempt brings water for its first 20 s only.
    plan, state, frame, since, calls = schedule(), start_spray(schedule(), RATE), 0, 0, []
    while frame < 2_000_000:
        flow = FLOW if frame - since < 20_000 else 0.0
        done = step(plan, state, frame, 10_000, RATE, flow)
        since = frame if done.pump else since
        calls += [frame / RATE] if done.missed_too_often else []
        state, frame = done.state, done.state.frame
    # Attempts at 0, 100 and 200 s end 40 s later each: missed at 240 s, then at 1140 s.
    assert calls == [1140]


def test_periods_missed_with_a_good_one_between_do_not_call_but_count():
    switches, steps, state = walk(schedule(), flowing((800, 1700)), 2_500_000 + 2_699_000)
    assert not any(s.missed_too_often for s in steps)
    assert (state.missed, state.missed_in_all) == (1, 2)
    assert switches[-2:] == [(1940, True), (1950, False)]
    assert {(900, True), (1020, False)} <= set(switches)


def test_water_for_the_whole_period_is_never_switched_off():
    plan = schedule(on=900.0, every=900.0)
    switches, _, state = walk(plan, lambda _: FLOW, until=2_500_000 + 9_000_000)
    assert switches == [(0, True)]
    assert state.period == 2_500_000 + 8_100_000


def test_late_water_ends_where_the_next_period_goes_on_with_it():
    plan = schedule(on=840.0, every=900.0)
    # Water from the third attempt on, at 140 s: the next period begins at 900 s, not at 980 s.
    switches, _, _ = walk(plan, flowing((120, 5000)), 2_500_000 + 1_790_000)
    assert switches[-2:] == [(140, True), (1740, False)]


def test_continuous_water_lost_once_an_hour_is_always_tried_afresh():
    plan = schedule(continuous=True)
    lost = flowing(*((h * 3600, h * 3600 + 3540) for h in range(12)))
    _, steps, state = walk(plan, lost, 2_500_000 + 12 * 3_600_000)
    assert state.missed_in_all == 0
    assert sum(s.event.startswith("flow lost") for s in steps) == 12


def test_a_missed_period_is_forgotten_once_continuous_water_has_come_steadily():
    lost = flowing((160, 3600), (3800, 7200))
    _, steps, state = walk(schedule(continuous=True), lost, 2_500_000 + 7_200_000)
    assert (state.missed, state.missed_in_all) == (0, 2)
    assert not any(s.missed_too_often for s in steps)


def test_continuous_water_that_never_comes_calls_after_two_missed_periods():
    switches, steps, _ = walk(schedule(continuous=True), lambda _: 0.0, 2_500_000 + 400_000)
    # Missed at 150 s; tried again a minute later.
    assert [second for second, on in switches if on] == [0, 70, 140, 210, 280, 350]
    assert [s.missed_too_often for s in steps if "missed" in s.event] == [False, True]


def test_a_pause_that_ends_the_water_is_followed_by_a_whole_period():
    plan = schedule()
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    wet = step(plan, on, 10_000, 10_040, RATE, FLOW).state
    after = paused(plan, wet, 50_000, 10_100)
    assert (after.on, after.frame, after.cycle) == (False, 50_000, None)
    again = step(plan, after, 700_000, 10_100, RATE, None).state
    assert step(plan, again, 710_000, 10_140, RATE, FLOW).state.until == 820_000


def test_a_new_period_begun_while_water_runs_has_its_full_length():
    plan = schedule()
    on = step(plan, start_spray(plan, RATE), 0, 10_000, RATE, None).state
    wet = step(plan, on, 10_000, 10_040, RATE, FLOW).state
    begun = new_period(plan, wet, 90_000, 10_100, RATE)
    assert (begun.on, begun.phase, begun.until) == (True, "wet", 210_000)


@given(
    st.integers(1, 400),
    st.integers(0, 2000),
    st.integers(0, 3),
    st.sampled_from(("s", "cycles")),
    st.lists(st.booleans(), min_size=1, max_size=40),
)
def test_whatever_the_flow_does_no_period_gets_more_water_than_planned(
    on, gap, retries, unit, luck
):
    """Flow is good or not in turns of 25 s; 5 cycles a second."""
    rate, frequency = 10.0, 5
    plan = schedule(
        begin=0, begin_unit="s", on=on, every=on + gap, period_unit=unit, retries=retries
    )
    state, frame, given_in, pump = start_spray(plan, rate), 0, {}, False
    for _ in range(300):
        cycle = frame * frequency // 10
        flow = FLOW if luck[frame // 250 % len(luck)] else 0.0
        before, done = state, step(plan, state, frame, cycle, rate, flow)
        if done.pump is not None:
            assert done.pump is not pump
            pump = done.pump
        assert done.state.on is pump
        assert done.state.missed <= done.state.missed_in_all
        place = cycle if unit == "cycles" else frame
        if done.good and before.on and before.on_at < place:
            last = before.good_at if before.confirmed else before.on_at
            given_in[before.period] = given_in.get(before.period, 0) + place - last
        state = done.state
        due = [] if state.frame is None else [state.frame]
        # Counts come every second frame; the first frame at which a count is reached.
        due += [] if state.cycle is None else [-(-state.cycle * 10 // frequency)]
        frame = max(min(due), frame)
    longest = on if unit == "cycles" else on * rate
    # An attempt lasts until its first look, 10 s, however little is lacking.
    slack = (50 if unit == "cycles" else 100) + 1
    assert all(g <= longest + slack for g in given_in.values())
