"""What comes about a simulated rig by and by: each disturbance alone does what it says."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rig.ports import Rig
from simulators.disturbances import (
    Chill,
    Dips,
    Disturbance,
    Emptied,
    Failing,
    Falling,
    GivesWay,
    Opened,
    Rubbing,
    Torn,
    Uneven,
    Walking,
    Warmth,
    Yielding,
)
from simulators.machine import Machine
from simulators.motion import NEVER, Cycling
from simulators.sensors import slow_readings
from simulators.state import World
from simulators.stretch import Stretch
from simulators.truth_file import true_stiffness
from simulators.warmth import air_warmer, warmer
from simulators.wear import broken_wires
from tests.simulators.driving import (
    AMPLITUDE,
    LOWER,
    MEAN,
    QUIET,
    SLOW,
    TRUTH,
    contact,
    drive,
    fatigue,
    setup,
    take,
)

RATE = 200.0
BEGIN = 16000
"""A frame by which a rig that is only held stands still under its load."""
CYCLE = 50
"""Frames of a cycle at 4 Hz."""


def held(*disturbances: Disturbance, frames: int = 4000, **changes: Any) -> np.ndarray:
    """Return frames from BEGIN on under 20 kN, shape (channels, frames)."""

    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        await rig.actuator.move_load(20e3, 20e3)
        values = await take(rig, BEGIN + frames - rig.acquisition.snapshot()["frame"])  # type: ignore[attr-defined]
        return values[:, -frames:]

    return drive(setup(disturbances=disturbances, **changes), job)


def cycled(*disturbances: Disturbance, cycles: int = 60, **changes: Any) -> tuple[int, np.ndarray]:
    """Return the frame at which steady cycling begins, and whole cycles from there on."""

    async def job(rig: Rig) -> tuple[int, np.ndarray]:
        await fatigue(rig)
        await take(rig, 10 * CYCLE)
        at = rig.acquisition.snapshot()["frame"]  # type: ignore[attr-defined]
        return at, await take(rig, cycles * CYCLE)

    return drive(setup(disturbances=disturbances, tables=None, **changes), job)


AT = 20500
"""The frame at which `cycled` begins; a test below holds it."""


def ranges(row: np.ndarray) -> np.ndarray:
    """Return the range of each cycle."""
    return np.ptp(row[: len(row) // CYCLE * CYCLE].reshape(-1, CYCLE), axis=1)


def test_cycling_begins_at_the_frame_that_tests_count_from():
    assert cycled(cycles=1)[0] == AT


# Warm, wet and yielding.


def test_concrete_follows_the_air_as_a_first_order_lag_does():
    """Held against its differential equation, solved in small steps."""
    w = Warmth(100, 9000, 5.0, 6000, 700, 0.0, 0.0, 0.0)
    y, dt = 0.0, 1.0
    for n in range(100, 14000):
        if n % 500 == 0:
            assert warmer(w, n) == pytest.approx(y, abs=0.01)
        y += dt / w.lag * ((air_warmer(w, n) + air_warmer(w, n + 1)) / 2 - y)
    assert air_warmer(w, 1600) == pytest.approx(5.0)
    assert air_warmer(w, 20000) == air_warmer(w, 9000)


def test_warmth_bends_the_specimen_and_moves_the_post_and_the_air_channel_follows():
    warmth = Warmth(BEGIN, NEVER, 4.0, 16000, 0, 3e-6, 2e-6, 0.0)
    channels = (*QUIET, replace(QUIET[1], name="midspan"))
    with_, without = (held(*d, channels=channels) for d in ((warmth,), ()))
    at = np.arange(0, 4000, 200)
    expected = 4.0 * np.sin(2 * np.pi * at / 16000)
    net, post = with_[1] - without[1], with_[4] - without[4]
    # It is followed in steps of up to ten seconds: 2000 frames.
    step = 4.0 * 2 * np.pi / 16000 * 2000
    assert np.abs(net[at] / 3e-6 - expected).max() < step
    assert np.abs((post - net)[at] / 2e-6 - expected).max() < step
    assert np.ptp(net) > 0.5 * 4.0 * 3e-6
    world = World(setup(disturbances=(warmth,)), 1)
    state = replace(world.start(), frame=BEGIN + 4000)
    told = slow_readings(("temperature_air",), world, state)["temperature_air"]
    assert told == pytest.approx(293.15 + 4.0)


@pytest.mark.nights
def test_warm_concrete_is_softer():
    _, plain = cycled()
    warmth = Warmth(0, NEVER, 10.0, 4 * AT, 0, 0.0, 0.0, 0.01)
    _, warm = cycled(warmth)
    assert ranges(warm[1])[0] / ranges(plain[1])[0] == pytest.approx(1.10, abs=0.005)
    assert ranges(warm[0])[0] == pytest.approx(ranges(plain[0])[0], rel=0.02)


@pytest.mark.nights
def test_cold_water_bends_a_wet_specimen_and_lets_go_as_it_dries():
    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        await rig.pump.set(True)
        wet = await take(rig, 30000)
        await rig.pump.set(False)
        return np.concatenate([wet, await take(rig, 480000, 5000)], axis=1)

    made = setup(exposure="spray")
    without = drive(made, job)[1]
    with_ = drive(replace(made, disturbances=(Chill(0, 20e-6),)), job)[1]
    chill = with_ - without
    # 63 % after the 30 s in which a crack fills, and of that a third after the 20 min of drying.
    assert chill[6000] == pytest.approx(20e-6 * (1 - math.exp(-1)), rel=0.05)
    assert chill[29900] == pytest.approx(20e-6, rel=0.02)
    assert chill[30000 + 240000] == pytest.approx(20e-6 * math.exp(-1), rel=0.03)


@pytest.mark.parametrize(
    ("what", "net", "left"),
    [
        ("left", 0.0, 1.0),
        pytest.param("net", 1.0, 0.0, marks=pytest.mark.nights),
        pytest.param("both", 0.0, 1.0, marks=pytest.mark.nights),
        pytest.param("right", 0.0, 0.0, marks=pytest.mark.nights),
    ],
)
def test_what_yields_moves_by_its_amount_and_only_that(what, net, left):
    channels = (*QUIET, *(replace(QUIET[3], name=n) for n in ("midspan", "support_right")))
    yielding = Yielding(what, BEGIN, 3000, 50e-6)
    with_, without = (held(*d, channels=channels)[:, 3050] for d in ((yielding,), ()))
    _, net_by, stroke, left_by, mid, right_by = (with_ - without) / (50e-6 * -math.expm1(-3))
    right = {"both": 1.0, "right": 1.0}.get(what, 0.0)
    assert net_by == pytest.approx(net, abs=0.03)
    assert left_by == pytest.approx(left, abs=0.03)
    assert right_by == pytest.approx(right, abs=0.03)
    assert mid == pytest.approx(net + (left + right) / 2, abs=0.03)
    assert stroke == pytest.approx(mid, abs=0.03)


# Stiffer, softer, broken.


@pytest.mark.nights
def test_a_longer_span_bends_by_its_third_power():
    _, plain = cycled()
    _, walked = cycled(Walking(0, 100, 0.02))
    power = (TRUTH.span + 0.02) ** 3 / TRUTH.span**3
    assert ranges(walked[1]) == pytest.approx(ranges(plain[1]) * power, rel=2e-3)


def test_a_crack_opens_once_and_then_is_stable():
    opened = AT + 20 * CYCLE
    _, values = cycled(Opened(opened, 0.05))
    net, load = ranges(values[1]), ranges(values[0])
    assert net[21:] / load[21:] == pytest.approx(1.05 * net[0] / load[0], rel=2e-3)
    assert net[:19] / load[:19] == pytest.approx(net[0] / load[0], rel=1e-3)


def test_a_guide_takes_its_share_past_the_specimen_and_the_cell_does_not_notice():
    _, plain = cycled()
    _, rubbed = cycled(Rubbing(0, AT + 30 * CYCLE, 100, 0.10))
    assert ranges(rubbed[0]) == pytest.approx(ranges(plain[0]), rel=2e-3)
    assert np.all(ranges(rubbed[1])[:29] < 0.95 * ranges(plain[1])[:29])
    assert ranges(rubbed[1])[32:] == pytest.approx(ranges(plain[1])[32:], rel=5e-3)


def machine_after(frames: int, *disturbances: Disturbance) -> tuple[list[Stretch], Machine]:
    """Return the stretches of a cycled specimen and its machine, so many frames from power-on."""
    seen: list[Stretch] = []
    made = setup(disturbances=disturbances, lower_load=LOWER, life_scale=1.0)
    world = World(made, 1)
    machine = Machine(world, 1, lambda s: seen.append(s) if s not in seen else None)
    cycling = Cycling(0, 4.0, RATE, 1, MEAN, MEAN, AMPLITUDE, AMPLITUDE, 0, RATE / (math.pi * 18.0))
    state = replace(world.start(), motion=cycling, pressure="high", valve_open=True)
    machine.change(state)
    while machine.frame < frames:
        machine.fed = machine.frame
        machine.read(min(1000, frames - machine.frame))
        machine.arrive()
    machine.close()
    return seen, machine


@pytest.mark.nights
def test_wires_break_one_by_one_and_each_softens_the_specimen():
    seen, _ = machine_after(3000, Torn(1000, 2, 1000))
    count = {s.state.frame: broken_wires(s.state.specimen.torn) for s in seen}
    assert [count[f] for f in (1000, 2000)] == [1, 2]
    assert {n for f, n in count.items() if f < 1000} == {0}
    stiffness = {count[s.state.frame]: true_stiffness(s) for s in seen}
    assert stiffness[0] > 1.02 * stiffness[1] > 1.02 * 1.02 * stiffness[2]


def test_a_brittle_end_comes_within_the_cycle_after_its_time():
    _, machine = machine_after(2000, GivesWay(1010))
    assert type(machine.state.motion).__name__ == "Collapse"
    begin = machine.state.motion.begin
    assert 1010 <= begin <= 1010 + 2 * CYCLE
    assert machine.state.motion.lag == pytest.approx(0.003 * RATE)
    # As wear would do without it: it lasts.
    assert type(machine_after(2000)[1].state.motion).__name__ == "Cycling"


def test_a_slow_end_loses_its_stiffness_in_three_stages_and_then_breaks():
    """Faster in the first and the last tenth of its cycles than in between."""
    over = 200
    seen, machine = machine_after(1000 + (over + 12) * CYCLE, Failing(1000, over, 0.6))
    softer = [
        (s.state.frame, machine.world.around.softer(s.state))
        for s in seen
        if s.state.specimen.broken_at < 0
    ]
    frames, soft = (np.array(column) for column in zip(*softer, strict=True))
    used = (frames - 1000) / (over * CYCLE)
    gained = np.diff(np.interp([0.0, 0.1, 0.4, 0.5, 0.9, 1.0], used, soft))
    assert min(gained[0], gained[4]) > 2 * gained[2] > 0
    assert soft[-1] == pytest.approx(1 / (1 - 0.6), rel=0.05)
    assert machine.state.specimen.broken_at >= 0
    broken = next(s.state.frame for s in seen if s.state.specimen.broken_at >= 0)
    assert 1000 + over * CYCLE <= broken <= 1000 + (over + 8) * CYCLE


# The loop.


@pytest.mark.nights
def test_short_oil_takes_amplitude_slowly_and_gives_it_back():
    _, plain = cycled(cycles=100)
    droop = Falling("amplitude", AT + 10 * CYCLE, AT + 60 * CYCLE, 20 * CYCLE, 0.8)
    _, values = cycled(droop, cycles=100)
    share = ranges(values[0]) / ranges(plain[0])
    assert share[32:58] == pytest.approx(0.8, abs=1e-3)
    assert share[[0, 5, 90, 99]] == pytest.approx(1.0, abs=1e-3)
    assert share[20] == pytest.approx(0.9, abs=0.01)
    assert np.abs(np.diff(values[0])).max() < 1.05 * np.abs(np.diff(plain[0])).max()


def test_a_neighbour_is_felt_once_in_each_interval():
    every, lasts = 20 * CYCLE, 4 * CYCLE
    _, plain = cycled(cycles=100)
    _, values = cycled(Dips(AT, AT + 60 * CYCLE, every, lasts, 0.9), cycles=100)
    share = ranges(values[0]) / ranges(plain[0])
    assert [share[k : k + 20].min() < 0.93 for k in (0, 20, 40, 60, 80)] == [1, 1, 1, 0, 0]
    assert share.min() > 0.89
    assert np.mean(share < 0.999) < 0.25


def test_a_loop_that_loses_gain_reaches_what_its_bandwidth_lets_it():
    """First order: 1/sqrt(1 + (f/f0)^2), f0 the 18 Hz of the loop, then 9 Hz."""
    _, values = cycled(Falling("bandwidth", AT, NEVER, 20 * CYCLE, 0.5), cycles=60)
    reached = ranges(values[0]) / (2 * AMPLITUDE)
    assert reached[0] == pytest.approx(1 / math.hypot(1, 4 / 18), rel=5e-3)
    assert reached[40:] == pytest.approx(1 / math.hypot(1, 4 / 9), rel=5e-3)


def test_a_loop_that_loses_all_its_gain_reaches_nothing():
    _, values = cycled(Falling("bandwidth", AT, NEVER, 20 * CYCLE, 0.0), cycles=60)
    assert ranges(values[0])[40:] == pytest.approx(0.0, abs=1e-3 * AMPLITUDE)


def test_air_makes_each_cycle_short_by_another_share():
    _, plain = cycled(cycles=200)
    _, values = cycled(Uneven(AT, AT + 150 * CYCLE, 0.05), cycles=200)
    short = 1 - ranges(values[0]) / ranges(plain[0])
    within = short[8:140]
    assert np.sqrt(np.mean(within**2)) == pytest.approx(0.05, rel=0.3)
    assert np.std(np.diff(within)) > 0.01
    assert short[152:] == pytest.approx(0.0, abs=1e-9)


# Water.


def test_nozzles_clog_and_a_tank_is_empty():
    async def job(rig: Rig) -> list[tuple[float, float]]:
        await rig.pump.set(True)
        seen = []
        for _ in range(12):
            await take(rig, 200)
            status = await rig.pump.status()
            seen.append((status.flow, status.tank))
        return seen

    plain, clogged, emptied = (
        drive(setup(channels=(*QUIET, *SLOW), disturbances=d), job)
        for d in ((), (Falling("flow", 1000, 2200, 800, 0.5),), (Emptied(1300),))
    )
    flow = [c / p for (c, _), (p, _) in zip(clogged, plain, strict=True)]
    assert flow[:5] == [1.0] * 5
    assert flow[5:10] == pytest.approx([0.875, 0.75, 0.625, 0.5, 0.5])
    assert flow[10:] == pytest.approx([0.5, 0.625])
    assert [f > 0 for f, _ in emptied] == [True] * 6 + [False] * 6
    assert [t for _, t in emptied[6:]] == [0.0] * 6
