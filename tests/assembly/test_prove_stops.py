"""The stops of a rig are proven one by one; whatever goes wrong, it is left safe."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from rig.errors import DeviceError
from simulators.faults import Flat
from tests.assembly.proving import CHANNELS, LIMITS, Wrapped, bench, proven_plan

pytestmark = pytest.mark.virtual

QUICK = (
    "controller's limit on load",
    "controller's limit on stroke",
    "limit on load",
    "limit on stroke",
    "limit on deflection",
    "emergency stop",
    "guard",
)


@pytest.mark.parametrize("cause", [*QUICK, "leak", "watchdog"])
async def test_each_of_them_stops_the_rod_and_is_timed(cause):
    at = bench()
    proof = await at.prove(cause)
    assert (proof.surprise, proof.troubles) == ("", ())
    (found,) = proof.rows
    assert found.row.cause == cause
    # A tick of 20 ms, the samples in a row that a limit asks for, and what noise may hide.
    expected = 0.5 if cause == "watchdog" else 0.0
    assert expected <= found.time <= expected + 0.06
    assert found.travel == pytest.approx(found.time * found.trials[0].speed, abs=4e-6)
    assert at.switches.done == (
        [f"{found.row.what} on", f"{found.row.what} off"] if found.row.how == "input" else []
    )
    await at.assert_safe()


@pytest.mark.parametrize(
    "cause",
    [
        *(pytest.param(c, marks=pytest.mark.nights) for c in ("oil pressure", "mains")),
        "stop on request",
    ],
)
async def test_a_normal_stop_unloads_and_retracts_and_is_timed_as_well(cause):
    at = bench()
    begun = (await at.rig.actuator.status()).stroke
    proof = await at.prove(cause)
    assert (proof.surprise, proof.troubles) == ("", ())
    assert proof.rows[0].time <= 0.5
    assert (await at.rig.actuator.status()).stroke < begun - 4e-3
    await at.assert_safe()


@pytest.mark.nights
async def test_of_several_trials_the_longest_is_told():
    at = bench()
    proof = await at.prove("limit on load", repeats=3)
    (found,) = proof.rows
    assert len(found.trials) == 3
    assert found.time == max(trial.time for trial in found.trials)
    assert found.travel == max(trial.travel for trial in found.trials)
    assert [text for text in at.told if "of 3" in text] == [
        f"limit on load {n} of 3" for n in (1, 2, 3)
    ]


@pytest.mark.nights
async def test_where_the_stroke_is_not_sampled_the_rods_speed_is_the_commanded_one():
    at = bench(channels=CHANNELS[:3])
    plan = proven_plan(channels=CHANNELS[:3])
    proof = await at.prove("controller's limit on stroke", "limit on stroke", "guard", plan=plan)
    assert proof.surprise == ""
    assert [row.row.cause for row in proof.rows] == ["controller's limit on stroke", "guard"]
    assert ("limit on stroke", "stroke is not sampled") in [
        (one.cause, one.why) for one in proof.left_out
    ]
    for row in proof.rows:
        assert row.time <= 0.06
        assert row.travel == pytest.approx(row.time * row.trials[0].speed, abs=4e-6)


async def test_an_input_that_stops_nothing_ends_the_proof_with_the_valve_closed():
    at = bench(does=lambda name: None)
    proof = await at.prove("emergency stop", "guard")
    assert "NOT STOPPED" in proof.surprise
    assert proof.surprise.startswith("emergency stop: ")
    assert proof.rows == []
    await at.assert_safe()


async def test_an_input_that_was_not_asked_for_is_no_proof():
    at = bench()
    at.switches.does = lambda name: at.switches.on.update(leak=True)
    proof = await at.prove("guard")
    assert proof.surprise == "guard: water found where none may be"
    at.switches.on.clear()
    await at.assert_safe()


@pytest.mark.nights
async def test_a_watchdog_that_does_not_bite_is_found_out():
    at = bench(watchdog=1e6)
    proof = await at.prove("watchdog")
    assert "NOT STOPPED" in proof.surprise
    await at.assert_safe()


@pytest.mark.nights
async def test_a_limit_that_the_controller_takes_and_does_not_keep_is_found_out():
    at = bench()
    kept: dict[str, tuple[float, float]] = {}

    async def write(limits):
        kept.update(limits)

    async def read():
        return dict(kept)

    deaf = Wrapped(Wrapped(at.rig.actuator, "write_limits", write), "read_limits", read)
    at.rig = replace(at.rig, actuator=deaf)
    proof = await at.prove("controller's limit on load")
    assert "NOT STOPPED" in proof.surprise
    assert kept == LIMITS


@pytest.mark.parametrize("begin", [500, 1000, 1300, 1600])
async def test_a_load_cell_that_hangs_is_no_proof_and_never_pushed_against(begin):
    at = bench(faults=(Flat("load", begin, 10**9),))
    await at.rig.actuator.pressure("high")
    began = (await at.rig.actuator.status()).stroke
    await at.rig.actuator.pressure("off")
    proof = await at.prove("limit on load")
    assert proof.surprise
    assert proof.rows == []
    # A tenth of a millimetre to the beam; 25 kN bend it and the frame by half a millimetre.
    assert (await at.rig.actuator.status()).stroke - began < 7e-4
    await at.assert_safe()


async def test_what_the_controller_tripped_before_is_no_proof_now():
    at, calls = bench(), []
    sounds = at.rig.horn

    class Horn:
        async def set(self, on):
            calls.append(on)
            if on and calls.count(True) == 2:
                raise DeviceError("no answer from the horn")
            await sounds.set(on)

    at.rig = replace(at.rig, horn=Horn())
    proof = await at.prove("controller's limit on load", repeats=2)
    assert proof.surprise == "controller's limit on load: no answer from the horn"
    await at.assert_safe()


async def test_an_input_that_is_not_well_to_begin_with_moves_nothing():
    at = bench()
    at.switches.on["guard_open"] = True
    proof = await at.prove("limit on load")
    assert '"guard_open" does not read well' in proof.surprise
    at.switches.on.clear()
    await at.assert_safe()


async def test_an_input_that_stays_on_ends_the_proof():
    at = bench()

    async def stuck(name):
        at.switches.done.append("stuck")

    at.switches.release = stuck
    proof = await at.prove("leak", "watchdog")
    assert '"leak" does not read well' in proof.surprise
    assert proof.rows == []
    at.switches.on.clear()
    await at.assert_safe()


async def test_an_actuator_that_moves_by_itself_is_left_alone():
    at = bench()
    await at.rig.actuator.pressure("high")
    await at.rig.actuator.move_stroke(0.05, 1e-4)
    with pytest.raises(DeviceError, match="no test commands it"):
        await at.prove("guard")


@pytest.mark.parametrize(
    "broken", ["move_stroke", pytest.param("hold", marks=pytest.mark.nights), "status", "heartbeat"]
)
async def test_a_controller_that_fails_on_the_way_is_left_safe(broken):
    at = bench()
    calls = 0
    act = getattr(at.rig.actuator, broken)

    async def fails(*arguments):
        nonlocal calls
        calls += 1
        if calls == 3:
            raise DeviceError("a cable is pulled")
        return await act(*arguments)

    at.rig = replace(at.rig, actuator=Wrapped(at.rig.actuator, broken, fails))
    proof = await at.prove(*QUICK)
    assert "a cable is pulled" in proof.surprise
    await at.assert_safe()


@pytest.mark.nights
@pytest.mark.parametrize("when", ["moving", "stopping"])
async def test_who_breaks_it_off_finds_everything_as_it_was(when):
    at = bench()
    task = asyncio.current_task()

    def end(_name):
        at.ending.came = True
        task.cancel()

    if when == "moving":
        at.switches.does = end
    else:

        async def release(name):
            at.switches.on.pop(name, None)
            if not at.ending.came:
                end(name)
                await at.clock.sleep(0.1)

        at.switches.release = release
    proof = await at.prove("emergency stop", "watchdog")
    assert proof.broken_off
    assert not proof.whole
    assert proof.rows == []
    assert task.cancelling() == 0
    await at.assert_safe()


@pytest.mark.nights
async def test_what_cannot_be_put_right_is_shouted():
    at = bench()
    done = []

    async def stays(level):
        done.append(level)
        if level != "off" or len(done) < 3:
            await rig.actuator.pressure(level)

    async def status():
        found = await rig.actuator.status()
        return replace(found, pressure="low") if len(done) > 2 else found

    rig = at.rig
    lying = Wrapped(Wrapped(rig.actuator, "pressure", stays), "status", status)
    at.rig = replace(rig, actuator=lying)
    proof = await at.prove("guard")
    assert any("do not go near" in trouble for trouble in proof.troubles)
    assert not proof.whole


@pytest.mark.nights
async def test_a_real_rig_asks_for_the_button_and_a_person_for_the_inputs():
    # The first time the rod is just going back.
    at = bench(emulated=False, by_hand=True, takes=[2.8, 1.0, 1.2])
    proof = await at.prove("guard", repeats=2)
    assert (proof.surprise, proof.troubles) == ("", ())
    assert len(proof.rows[0].trials) == 2
    # It was well at the look before: the time is at most so long.
    assert all(0 <= trial.time <= 0.06 for trial in proof.rows[0].trials)
    assert sum("Now use the button" in text for text in at.told) == 3
    assert sum("once more" in text for text in at.told) == 1
    await at.assert_safe()


@pytest.mark.nights  # three waits of a minute, in virtual time
async def test_a_real_rig_that_nobody_allows_to_move_does_not():
    at = bench(emulated=False)
    at.presses = False
    moved = []

    async def move(*arguments):
        moved.append(arguments)

    at.rig = replace(at.rig, actuator=Wrapped(at.rig.actuator, "move_stroke", move))
    proof = await at.prove("guard")
    assert "the checklist was not confirmed" in proof.surprise
    assert sum("nobody used the button" in text for text in at.told) == 3
    assert moved == []
    await at.assert_safe()
