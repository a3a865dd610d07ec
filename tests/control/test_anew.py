"""A controller that is started anew at any moment of a cycle is named, whatever samples say first.

Without its supply the valve closes and the load falls: within the tick a limit trips, or the load
is said to jump, before anybody has asked the controller. Its count since power-on tells the two
apart from a specimen that breaks and a cell that fails: it is kept by the controller alone.
"""

from __future__ import annotations

import asyncio

import pytest

from rig.control.anew import BegunAnew
from rig.control.stop_now import StopNow
from rig.control.taken_up import Verdict
from rig.errors import DeviceError
from rig.guards.limits import Trip
from rig.ports import ActuatorStatus
from simulators.faults import Flat, Miscounted, Restarted
from tests.control.fault_nights import Night, carry_out, plans
from tests.control.fault_scenarios import EVER, T

TRIP = Trip("feedback", "load", 0.0, 0.0, 1_000, "feedback in doubt: the load jumps")
JUMP = StopNow("feedback", "fault", TRIP.text, trip=TRIP)
BELOW = StopNow("limit", "limit", "load 3 kN is below its limit 4 kN", trip=TRIP)


class Counting:
    """An actuator whose counter shows one value after another; None: it does not answer."""

    def __init__(self, *counts: int | None) -> None:
        self.counts = list(counts)

    async def status(self) -> ActuatorStatus:
        count = self.counts.pop(0)
        if count is None:
            raise DeviceError("the controller does not answer")
        return ActuatorStatus("off", False, count, "", "", "off", 0.0)


def looked(stop: StopNow, counted: int | None, *counts: int | None) -> tuple[StopNow, BegunAnew]:
    """Return the stop as it is explained, and who explained it."""
    anew = BegunAnew(Counting(*counts))
    found = stop
    for _ in counts:
        found = asyncio.run(anew.explained(found, counted))
    return found, anew


def test_a_load_that_jumped_as_the_controller_began_anew_is_no_load_in_doubt():
    stop, _ = looked(JUMP, 8_152, 0)
    assert (stop.cause, stop.outcome, stop.trip) == ("device", "fault", TRIP)
    assert "started anew" in stop.why
    assert "counted 8,152 before; the load jumps" in stop.why


@pytest.mark.parametrize("counted", [None, 0])
def test_a_controller_that_had_counted_nothing_tells_nothing(counted):
    assert looked(JUMP, counted, 0)[0] is JUMP


@pytest.mark.parametrize("count", [None, 1, 8_142, 8_153])
def test_one_that_counts_on_or_does_not_answer_was_not_started_anew(count):
    assert looked(JUMP, 8_152, count)[0] is JUMP


def test_one_that_is_away_as_it_starts_is_asked_again():
    stop, _ = looked(JUMP, 8_152, None, 0)
    assert stop.cause == "device"


def test_what_samples_did_not_stop_is_not_asked():
    for cause in ("fault", "silent", "device", "watchdog"):
        stop = StopNow(cause, "fault", "as it says")
        assert looked(stop, 8_152, 0)[0] is stop


def test_a_limit_that_tripped_is_the_controllers_unless_the_specimen_failed():
    stop, anew = looked(BELOW, 8_152, 0)
    assert stop is BELOW
    for outcome in ("limit", "fault"):
        named = anew.of_limit(Verdict(outcome, "as it says", 3, "limit"), BELOW.why)
        assert (named.outcome, named.cause, named.cycles) == ("fault", "device", 3)
        assert named.why.endswith(f"before; {BELOW.why}")
        assert not named.doubts_load
    failed = Verdict("failure", "load fell while net deflection grew", 3, "limit")
    assert anew.of_limit(failed, BELOW.why) is failed
    _, counts_on = looked(BELOW, 8_152, 8_152)
    named = Verdict("limit", "as it says", 3, "limit")
    assert counts_on.of_limit(named, BELOW.why) is named


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("anew"))["plain"]


def starts_anew(plain, frame):
    ended = carry_out(plain, Night(faults=(Restarted(frame),)))
    assert (ended.outcome, ended.left) == ("fault", set())
    assert "the controller" in ended.why
    assert "been started anew" in ended.why
    orders = [order for at, order in ended.orders if at >= frame]
    assert orders[:2] == ["close_valve", "pressure off"]


@pytest.mark.parametrize("frame", [T + 9, T + 63, T + 88])
def test_a_controller_that_starts_anew_is_named(plain, frame):
    starts_anew(plain, frame)


@pytest.mark.nights
@pytest.mark.parametrize("frame", range(T, T + 250, 9))
def test_a_controller_that_starts_anew_is_named_at_any_moment_of_a_cycle(plain, frame):
    starts_anew(plain, frame)


def test_a_cell_that_fails_under_a_controller_whose_counter_goes_back_is_still_the_cell(plain):
    faults = (Miscounted(T - 100, -2), Flat("load", T, EVER, 200e3))
    ended = carry_out(plain, Night(faults=faults))
    assert ended.outcome == "fault"
    assert "feedback in doubt" in ended.why
    assert "anew" not in ended.why
