"""The plan of an air run: the order of the test, its counts and times cut down."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.commands.files import load
from rig.errors import InputError
from rig.protocol.air import AIR
from rig.protocol.in_the_air import (
    LEAST_CYCLES,
    MOST_INSPECTIONS,
    TRAVEL,
    in_the_air,
)
from rig.protocol.plan import Cyclic, Inspections, LearnedLimits, Static
from rig.protocol.trust import Frame, Trust

NAMES = (
    *("first-night", "dry-short", "dry-run-out", "overnight-wet-prism", "submerged-prism"),
    *("static-ultimate", "dynamic-verification"),
)
NIGHT = load("overnight-wet-prism", None)


@pytest.fixture(params=NAMES)
def plan(request):
    return load(request.param, None)


def test_stages_keep_their_order_names_and_kinds(plan):
    air = in_the_air(plan)
    assert [(type(s), s.name) for s in air.stages] == [(type(s), s.name) for s in plan.stages]


def test_nothing_is_judged_and_no_limit_on_the_specimen_is_armed(plan):
    air = in_the_air(plan)
    assert not air.failure.armed
    assert air.limits.learned == LearnedLimits()
    assert set(air.limits.fixed) == {"load"}
    assert air.air.unarmed == ("deflection",)


def test_limits_on_oil_water_and_the_second_cell_stay_armed():
    given = {
        **{"load": (-1.0, 2.0), "stroke": (-1e-3, 2e-3), "load_2": (-5e3, 1e5)},
        **{"temperature_oil": (283.0, 333.0), "tank": (0.1, 1.1), "pressure": (1e6, 3e7)},
    }
    hang = dict.fromkeys(
        ("deflection", "midspan", "support_left", "strain_2", "level"), (-1.0, 1.0)
    )
    limits = replace(NIGHT.limits, fixed={**given, **hang})
    air = in_the_air(replace(NIGHT, limits=limits))
    assert set(air.air.unarmed) == set(hang)
    kept = {name: given[name] for name in ("load_2", "temperature_oil", "tank", "pressure")}
    assert air.limits.fixed == {"load": (-2000.0, 2000.0), **kept}


def test_it_can_be_told_from_a_test_by_title_specimen_and_texts(plan):
    air = in_the_air(plan)
    assert air.title == f"Air run without a specimen: {plan.title}"
    assert air.specimen_id != plan.specimen_id
    assert "nothing is judged" in air.texts[AIR]
    assert {k: v for k, v in air.texts.items() if k != AIR} == dict(plan.texts)


def test_nothing_lasts_longer_than_in_the_test(plan):
    air = in_the_air(plan)
    for short, long in zip(air.stages, plan.stages, strict=True):
        if isinstance(short, Cyclic):
            assert LEAST_CYCLES <= short.run_out <= long.run_out
            assert short.build_up <= long.build_up
        if isinstance(short, Static):
            assert (short.repeats, short.hold) <= (long.repeats, long.hold)
    if plan.spray is not None:
        assert air.spray.on <= plan.spray.on
        assert air.spray.on <= air.spray.every <= plan.spray.every


def test_cycles_turn_at_whole_ticks_and_are_no_faster_than_planned(plan):
    half = in_the_air(plan).air.half
    assert half / 0.02 == pytest.approx(round(half / 0.02))
    if plan.loading is not None:
        assert 2 * half >= 1 / plan.loading.frequency - 1e-12


@given(
    at=st.sets(st.integers(1, 10_999_999), max_size=8),
    every=st.none() | st.integers(1, 10**7),
    begin=st.integers(1, 12_000_000),
)
def test_water_and_inspections_come_in_the_order_of_the_test(at, every, begin):
    asked = Inspections(tuple(sorted(at)), every, None, map_cracks=False, go_on_after=5.0)
    wet = replace(NIGHT.spray, begin=float(begin), begin_unit="cycles")
    air = in_the_air(replace(NIGHT, inspections=asked, spray=wet))
    last = air.cyclic.run_out
    first = []
    while len(first) < MOST_INSPECTIONS:
        count = asked.next_after(first[-1] if first else 0)
        if count is None or count >= NIGHT.cyclic.run_out:
            break
        first.append(count)
    assert len(air.inspections.at) == len(first)
    assert air.inspections.then_every is None
    assert list(air.inspections.at) == sorted(set(air.inspections.at))
    assert all(1 <= count <= last for count in air.inspections.at)
    if begin >= NIGHT.cyclic.run_out:
        assert air.spray.begin > last
    else:
        before = [count < begin for count in first]
        assert [count < air.spray.begin for count in air.inspections.at] == before


def test_an_inspection_that_waits_for_people_goes_on_waiting_for_them():
    never = replace(NIGHT.inspections, go_on_after=None)
    assert in_the_air(replace(NIGHT, inspections=never)).inspections.go_on_after is None
    assert in_the_air(NIGHT).inspections.go_on_after == 5.0


@pytest.mark.parametrize("zeroed", ["hanging", "resting"])
def test_the_weight_of_the_spreader_alone_is_no_contact(zeroed):
    frame = Frame(dead_load=1200.0, zeroed=zeroed)
    air = in_the_air(replace(NIGHT, rig=replace(NIGHT.rig, trust=Trust(frame=frame))))
    low, high = air.limits.fixed["load"]
    assert (low, high) == (-2000.0 - 1200.0, 2000.0)


def test_a_noisy_cell_does_not_stop_it():
    channels = tuple(replace(c, noise=400.0) if c.name == "load" else c for c in NIGHT.rig.channels)
    air = in_the_air(replace(NIGHT, rig=replace(NIGHT.rig, channels=channels)))
    assert air.limits.fixed["load"][1] == 4000.0


def test_a_slow_actuator_is_not_asked_for_more():
    actuator = replace(NIGHT.rig.actuator, speed=5e-4)
    air = in_the_air(replace(NIGHT, rig=replace(NIGHT.rig, actuator=actuator)))
    assert (air.air.slow, air.air.speed) == (5e-4, 5e-4)


def test_a_driver_is_given_the_rig_file_as_it_is():
    real = replace(NIGHT.rig, driver="other")
    assert in_the_air(replace(NIGHT, rig=real)).rig is real


def test_a_simulated_rig_has_no_specimen():
    assert in_the_air(NIGHT).rig.simulation["gap"] > 100 * TRAVEL
    assert NIGHT.rig.simulation["gap"] == 2e-3


def test_too_little_stroke_is_refused():
    actuator = replace(NIGHT.rig.actuator, stroke=(0.0, 3e-3))
    with pytest.raises(InputError, match="moves over 2 mm, and the stroke is 3 mm"):
        in_the_air(replace(NIGHT, rig=replace(NIGHT.rig, actuator=actuator)))
