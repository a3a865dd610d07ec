"""The sentry at its post on a whole test: the valve closes first, and one stop comes of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulators.faults import Lost, Missing, Moved
from tests.control.fault_nights import Night, carry_out, plans
from tests.control.posted import Line, Refusing

T = 2_200
"""Frame in which the amplitude grows."""
JUMP = T + 5
"""Frame in the middle of a block of 20 from which mid-span is beyond its limit."""
TRIP = JUMP + 2
"""Its third sample in a row: the persistence of the limits."""
BLOCK = (T, T + 20)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("sentry"))["plain"]


def night(line, *what, **more):
    return Night(faults=what, paced=True, bad=line.bad(**more))


def of_kind(ended, kind):
    return [text for _, each, text in ended.events if each == kind]


def test_the_valve_closes_before_the_block_of_the_excess_is_whole(plan):
    line = Line(thread=True)
    ended = carry_out(plan, night(line, Moved("midspan", JUMP, 8e-3)))
    closed = line.post.closed[0]
    assert TRIP < closed <= TRIP + 5
    assert BLOCK in line.post.reads
    assert closed < BLOCK[1] <= ended.stopped
    # One stop, told once, and named as it is without anybody at the post.
    alone = carry_out(plan, Night(faults=(Moved("midspan", JUMP, 8e-3),), paced=True))
    for one in ("code", "outcome", "path", "numbers", "left", "stopped"):
        assert getattr(ended, one) == getattr(alone, one)
    assert ended.outcome == "limit"
    assert of_kind(ended, "limit") == of_kind(alone, "limit")
    assert len(of_kind(ended, "limit")) == 1
    assert not of_kind(ended, "stop")
    assert line.post.glances[-1] is None
    assert len(line.post.glances) == 2


@pytest.mark.nights
def test_a_lost_feedback_is_named_as_without_it(plan):
    line = Line()
    fault = Missing("load", JUMP, 10**9)
    ended = carry_out(plan, night(line, fault))
    assert line.post.closed[0] < BLOCK[1]
    alone = carry_out(plan, Night(faults=(fault,), paced=True))
    assert (ended.outcome, ended.why, ended.code) == (alone.outcome, alone.why, 4)


@pytest.mark.nights
def test_a_test_that_keeps_its_limits_is_not_touched(plan):
    short = replace(plan, stages=tuple(replace(s, run_out=8) for s in plan.stages))
    line = Line()
    ended = carry_out(short, night(line))
    alone = carry_out(short, Night(paced=True))
    assert not line.post.closed
    assert (ended.outcome, ended.path) == ("run-out", alone.path)
    assert ended.events == alone.events


def spiked(block):
    """Show three samples that no block has: the look and the block do not agree."""
    if not block.first <= JUMP < block.end:
        return block
    values = np.repeat(block.values, 3, axis=1)
    values[block.channels.index("load")] = 90e3
    return replace(block, values=values)


def test_where_the_stream_finds_nothing_the_stop_is_named_after_the_sentry(plan):
    line = Line(shown=spiked)
    ended = carry_out(plan, night(line))
    assert ended.stopped == BLOCK[1]
    assert (ended.outcome, ended.code) == ("limit", 3)
    assert "load 90 kN is above its limit" in ended.why
    assert "the valve was closed as the sample arrived" in ended.why
    assert len(of_kind(ended, "limit")) == 1
    assert ended.left == set()


@pytest.mark.nights
def test_a_look_that_fails_stops_as_a_fault_with_the_valve_closed(plan):
    line = Line(shown=lambda block: None if block.first >= JUMP else block)
    ended = carry_out(plan, night(line))
    assert line.post.closed[0] <= BLOCK[1]
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "limits could not be checked as samples arrived (AttributeError" in ended.why
    assert ended.path[-2][1:] == ("fault", "stopping")
    orders = [order for frame, order in ended.orders if frame >= ended.stopped]
    assert orders[:2] == ["close_valve", "pressure off"]
    assert set(orders) == {"close_valve", "pressure off"}


def test_an_order_that_meets_the_closed_valve_is_no_fault_of_the_controller(plan):
    # The excess is in samples that wait to be read: the controller refuses before they are.
    line = Line(early=20)
    ended = carry_out(plan, night(line, Moved("midspan", JUMP, 8e-3), actuator=Refusing))
    assert ended.stopped < line.post.closed[0]
    assert (ended.outcome, ended.code) == ("limit", 3)
    assert "the valve was closed as the sample arrived; then: its valve is closed" in ended.why
    assert ended.path[-2][1:] == ("limit", "stopping")
    assert len(of_kind(ended, "limit")) == 1
    assert ended.left == set()


class Slow:
    """A controller that takes 60 ms to say that its valve is closed."""

    def __init__(self, actuator, post):
        self._actuator, self._post = actuator, post

    def __getattr__(self, name):
        return getattr(self._actuator, name)

    async def close_valve(self):
        await self._actuator.close_valve()
        await self._post().bring(60)


@pytest.mark.nights
def test_a_load_that_falls_because_the_valve_was_closed_is_no_cause(plan):
    line = Line()
    limits = replace(plan.limits, fixed={**plan.limits.fixed, "load": (3e3, 97e3)})
    lost = Lost("inputs", T, 10**9)
    ended = carry_out(replace(plan, limits=limits), night(line, lost, actuator=Slow))
    assert line.post.closed
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "no answer from the inputs" in ended.why
    assert not of_kind(ended, "limit")


def test_without_a_post_that_stands_nothing_begins(plan):
    class Deaf:
        """A post whose driver fails."""

        def stand(self, _glance):
            raise OSError(5, "Input/output error")

    ended = carry_out(plan, Night(paced=True, bad={"post": lambda _none: Deaf()}))
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "the samples cannot be looked at as they arrive" in ended.why
    assert ended.path[0] == ("idle", "fault", "stopping")


@pytest.mark.nights  # half a minute of tries, bit by bit; test_real_rig has a quicker one
def test_a_controller_that_does_not_answer_any_more_is_the_fault_itself(plan):
    line = Line(early=20)

    def dead(actuator, post):
        return Refusing(actuator, post, dead=True)

    ended = carry_out(plan, night(line, Moved("midspan", JUMP, 8e-3), actuator=dead))
    assert (ended.outcome, ended.why, ended.code) == ("fault", "no answer within 0.2 s", 4)
    assert any("the valve does not close" in text for text in of_kind(ended, "stop"))


def test_nothing_opens_a_valve_that_it_closed(plan):
    # The excess is there before the pressure: what would switch it on finds the stop instead.
    line = Line(early=40)
    whole = replace(plan.limits, fixed={**plan.limits.fixed, "load": (-6e3, 97e3)})
    ended = carry_out(replace(plan, limits=whole), night(line, Moved("load", 990, 120e3)))
    # Named after its evidence: with the pressure off no load jumps by itself.
    assert ended.outcome == "fault"
    assert "pressure high" not in [order for _, order in ended.orders]
    assert ended.path == [
        ("idle", "start", "starting"),
        ("starting", "limit", "stopping"),
        ("stopping", "stopped", "stopped"),
    ]


def test_samples_that_stay_away_after_an_excess_are_not_what_stopped_it(plan):
    # The sentry has seen the excess in a block whose end never comes.
    line = Line(ends=TRIP + 3)
    ended = carry_out(plan, night(line, Moved("midspan", JUMP, 8e-3)))
    assert (ended.outcome, ended.code) == ("limit", 3)
    assert "the valve was closed as the sample arrived; then: no sample has come" in ended.why
    assert ended.path[-2][1:] == ("limit", "stopping")
    assert ended.left == set()
