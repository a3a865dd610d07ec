"""A load loop closed on a cell at fault: where the rod goes, from its state alone."""

from __future__ import annotations

import asyncio
import json

import numpy as np
import pytest

from rig.channels import Channel
from rig.ports import ActuatorRange
from simulators.faults import Drifting, Flat, Foreign, InLoop, Moved, Saturated, Scaled
from simulators.loop import frames_of, shown
from simulators.rig import simulated_rig
from simulators.setup import SimulationSetup, SpecimenTruth

RATE = 1000.0
TRUTH = SpecimenTruth(250e6, 20e6, 40e3, 70e3, 110e3, 125e3, 8e-3, 0.9)
ENDS = (-25e3, 260e3)
CHANNELS = (
    Channel("load", "N", 5.0, *ENDS),
    Channel("midspan", "m", 1e-7, -5e-3, 50e-3),
    Channel("stroke", "m", 1e-7, -60e-3, 60e-3),
)
RANGE = ActuatorRange(-20e3, 250e3, -60e-3, 60e-3, 0.1, 15.0)
EVER = 10**9
AT = 4_000
"""Frame at which a cell fails, in a load that is held."""


def setup(*faults):
    return SimulationSetup(RATE, CHANNELS, RANGE, TRUTH, upper_load=79e3, gap=1e-3, faults=faults)


async def held(rig, to=20e3):
    """Bring a specimen to a load and hold it there, up to the frame of the fault."""
    await rig.actuator.pressure("high")
    await rig.actuator.move_stroke(1.2e-3, 1e-3)
    await passed(rig, 1_500)
    await rig.actuator.move_load(to, 20e3)
    await passed(rig, AT - 1_500)


async def passed(rig, frames, block=20):
    """Read and keep frames, feeding the watchdog; return the samples."""
    got = []
    while frames > 0:
        read = await rig.acquisition.read(min(block, frames))
        got.append(read.values.copy())
        await rig.acquisition.keep(read.frames)
        await rig.actuator.heartbeat()
        frames -= read.frames
    return np.hstack(got)


def carried(*faults, frames=400, block=20, to=20e3):
    """Return the samples from the fault on, and the true load at the end."""

    async def run():
        rig = simulated_rig(setup(*faults), 1, None)
        try:
            await held(rig, to)
            found = await passed(rig, frames, block)
            return found, float(rig.acquisition._machine.now.load[0])
        finally:
            await rig.acquisition.close()

    return asyncio.run(run())


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Flat("load", 0, EVER, 7.0), 7.0),
        (Saturated("load", 0, EVER), 260e3),
        (Saturated("load", 0, EVER, low=True), -25e3),
        (Scaled("load", 0, EVER), -1e3),
        (Moved("load", 0, 50.0), 1050.0),
        (Drifting("load", 0, EVER, 100.0), 1200.0),
        (Drifting("load", 0, 1_000, 100.0), 1100.0),
        (Foreign("load", 0, EVER, 5e3, 2e3, 0.125), 7e3),
        (Scaled("load", 0, EVER, 1e6), 260e3),
    ],
)
def test_what_a_sensor_at_fault_shows_two_seconds_later(fault, expected):
    # 1 kN at frame 2000; the foreign load has had a quarter of its swing by then.
    assert shown(fault, 2000.0, 1e3, RATE, ENDS) == pytest.approx(expected)
    values = np.full(3, 1e3)
    assert shown(fault, np.full(3, 2000), values, RATE, ENDS) == pytest.approx(expected)


def test_a_sensor_keeps_what_it_drifted_by_and_others_recover():
    assert frames_of(Drifting("load", 3, 9, 1.0))[1] > EVER
    assert frames_of(Flat("load", 3, 9)) == (3, 9)


def test_samples_alone_at_fault_leave_the_specimen_as_it_is():
    found, load = carried(Scaled("load", AT, EVER))
    assert load == pytest.approx(20e3)
    assert found[0] == pytest.approx(np.full(400, -20e3), abs=5)


def test_a_cell_that_shows_too_much_in_the_loop_unloads_to_what_was_commanded():
    _, load = carried(InLoop(Scaled("load", AT, EVER, 1.25)))
    assert load == pytest.approx(20e3 / 1.25, rel=1e-3)


def test_a_cell_that_loses_load_in_the_loop_is_followed_as_fast_as_it_drifts():
    found, load = carried(InLoop(Drifting("load", AT, EVER, -10e3)))
    assert load == pytest.approx(20e3 + 0.4 * 10e3, rel=0.02)
    assert found[0, -1] == pytest.approx(20e3, rel=0.02)


def test_a_sign_that_changes_in_the_loop_drives_the_rod_as_fast_as_it_can():
    found, load = carried(InLoop(Scaled("load", AT, EVER)), frames=40)
    assert load > 60e3
    speed = np.diff(found[2]) * RATE
    # The error is 40 kN at once: 113 /s x 40 kN / 214 N/um are 21 mm/s, and it grows.
    assert 15e-3 < speed[0] < 25e-3
    assert speed.max() <= RANGE.speed * 1.01


def test_a_stuck_cell_in_the_loop_moves_nothing_while_the_command_stays():
    found, load = carried(InLoop(Flat("load", AT, EVER)))
    assert load == pytest.approx(20e3, rel=1e-3)
    assert np.ptp(found[2]) < 1e-6


def test_a_cell_that_is_well_again_is_followed_from_where_the_rod_is():
    found, load = carried(InLoop(Scaled("load", AT, AT + 40, 1.25)))
    assert load == pytest.approx(20e3, rel=1e-3)
    assert found[0, 20] < 25e3


@pytest.mark.parametrize("fault", [Scaled("load", AT + 7, EVER, 0.8), Flat("load", AT + 7, EVER)])
def test_where_the_rod_goes_does_not_depend_on_how_frames_are_read(fault):
    one, _ = carried(InLoop(fault), block=20)
    other, _ = carried(InLoop(fault), block=300)
    np.testing.assert_array_equal(one, other)


def test_the_controllers_own_limit_believes_the_cell():
    async def run(fault):
        rig = simulated_rig(setup(fault), 1, None)
        try:
            await held(rig)
            await rig.actuator.write_limits({"load": (-5e3, 30e3)})
            await passed(rig, 100)
            return (await rig.actuator.status()).stopped_by
        finally:
            await rig.acquisition.close()

    assert asyncio.run(run(InLoop(Scaled("load", AT, EVER)))) == "limit"
    assert asyncio.run(run(Scaled("load", AT, EVER))) == ""


def test_a_rig_put_back_goes_on_the_same_way():
    async def run():
        rig = simulated_rig(setup(InLoop(Scaled("load", AT, EVER, 0.5))), 1, None)
        other = simulated_rig(setup(InLoop(Scaled("load", AT, EVER, 0.5))), 1, None)
        try:
            await held(rig)
            await passed(rig, 60)
            other.acquisition.restore(json.loads(json.dumps(rig.acquisition.snapshot())))
            return await passed(rig, 60), await passed(other, 60)
        finally:
            await rig.acquisition.close()
            await other.acquisition.close()

    one, other = asyncio.run(run())
    np.testing.assert_array_equal(one, other)
