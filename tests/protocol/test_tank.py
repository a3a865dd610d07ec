"""When the tank is empty, against a tank that is emptied and filled step by step."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.protocol.estimate import before_cycling, estimate
from rig.protocol.plan import Plan, PumpPlan
from rig.protocol.tank import mean_use, tank_lasts
from tests.protocol.texts import RIG, WET, WHOLE, load_edited, shipped

LITRE_A_MINUTE = 1e-3 / 60


def plan_with(
    on: float, every: float, tank: float, make_up: float = 0.0, *, continuous: bool = False
) -> Plan:
    """Return a plan that sprays 1.5 L/min for `on` of `every` [s]; tank [L], make-up [L/min]."""
    plan = load_edited({WET: WHOLE})
    assert plan.spray is not None
    spray = replace(plan.spray, on=on, every=every, period_unit="s", continuous=continuous)
    pump = PumpPlan(spray.flow, tank * 1e-3, make_up * LITRE_A_MINUTE)
    return replace(plan, spray=spray, rig=replace(plan.rig, pump=pump))


def begin_of(plan: Plan) -> float:
    """Return when water first runs [s]: 10,000 cycles at 4 Hz after cycling begins."""
    return before_cycling(plan) + 2500.0


def stepped(plan: Plan, most: float) -> float | None:
    """Return the same by a tank that is followed second by second, None where it lasts."""
    spray, pump = plan.spray, plan.rig.pump
    assert spray is not None
    assert pump is not None
    level = pump.tank
    for second in range(int(most)):
        wet = spray.continuous or second % spray.every < spray.on
        level = min(level + pump.make_up - (spray.flow if wet else 0.0), pump.tank)
        if level <= 1e-12:
            return float(second + 1)
    return None


@given(
    on=st.integers(1, 100),
    every=st.integers(1, 200),
    tank=st.floats(0.5, 20.0),
    make_up=st.floats(0.0, 2.0),
)
def test_the_tank_is_empty_when_one_that_is_followed_is(on, every, tank, make_up):
    assume(on < every)
    plan = plan_with(float(on), float(every), tank, make_up)
    found, expected = tank_lasts(plan), stepped(plan, 20_000)
    if expected is None:
        assert found is None or found - begin_of(plan) > 20_000 - 1
    else:
        assert found is not None
        assert found - begin_of(plan) == pytest.approx(expected, abs=1.5)


def test_water_all_the_time_empties_it_by_what_does_not_flow_in():
    plan = plan_with(1.0, 1.0, 600.0, 0.5, continuous=True)
    found = tank_lasts(plan)
    assert found is not None
    assert found - begin_of(plan) == pytest.approx(600 * 60)


def test_what_flows_in_as_fast_as_is_used_on_average_keeps_it():
    plan = plan_with(60.0, 180.0, 10.0, 0.5)
    assert plan.spray is not None
    assert mean_use(plan.spray) == pytest.approx(0.5 * LITRE_A_MINUTE)
    assert tank_lasts(plan) is None
    assert tank_lasts(plan_with(60.0, 180.0, 10.0, 0.49)) is not None


def test_a_period_that_takes_more_than_the_tank_holds_empties_it_whatever_flows_in_later():
    plan = plan_with(1200.0, 36_000.0, 10.0, 0.9)
    found = tank_lasts(plan)
    assert found is not None
    assert found - begin_of(plan) == pytest.approx(10 / 0.6 * 60)


def test_a_tank_that_lasts_to_the_end_is_not_spoken_of():
    plan = plan_with(60.0, 900.0, 1e6)
    assert estimate(plan).water_m3 < 1e3
    assert tank_lasts(plan) is None


def test_a_schedule_in_cycles_is_one_in_time_at_its_frequency():
    schedule = 'on = "2 min"\nevery = "15 min"'
    assert schedule in WHOLE
    in_cycles = WHOLE.replace(schedule, 'on = "480 cycles"\nevery = "3600 cycles"')
    assert tank_lasts(load_edited({WET: in_cycles})) == tank_lasts(load_edited({WET: WHOLE}))


def test_make_up_is_read_from_the_rig_file():
    rig = shipped(RIG).replace('tank = "1000 L"', 'tank = "1000 L"\nmake_up = "0.5 L/min"')
    assert tank_lasts(load_edited({WET: WHOLE})) is not None
    assert tank_lasts(load_edited({WET: WHOLE, RIG: rig})) is None
