"""How a new test finds a live rig: what its controller stopped for before, and what is left on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.fault_nights import Night, carry_out, plans


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("found"))["short"]


class Left:
    """An actuator that was left with the pressure `on`, or whose first status `says` something."""

    def __init__(self, actuator, *, on="", **says):
        self._actuator, self._on, self._says = actuator, on, says

    def __getattr__(self, name):
        return getattr(self._actuator, name)

    async def status(self):
        if self._on:
            await self._actuator.pressure(self._on)
            self._on = ""
        says, self._says = self._says, {}
        return replace(await self._actuator.status(), **says)


def start(plan, *faults, stop_at=1_500, **left):
    """Return how a test ends that finds its actuator so, and is stopped soon after its horn."""
    return carry_out(
        plan,
        Night(
            faults=faults,
            paced=True,
            bad={"actuator": lambda actuator: Left(actuator, **left)},
            script=((stop_at, "stop"),),
        ),
    )


def found(ended):
    return [text for _, kind, text in ended.events if kind == "found"]


@pytest.mark.nights
def test_a_rig_that_stands_without_pressure_has_nothing_to_tell(plan):
    ended = start(plan)
    assert not found(ended)
    assert [order for frame, order in ended.orders if frame == 0] == ["write_limits"]


@pytest.mark.nights
@pytest.mark.parametrize(
    ("says", "told"),
    [
        (
            {"stopped_by": "watchdog"},
            "the controller's watchdog had stopped it: the program before was gone",
        ),
        (
            {"stopped_by": "limit", "tripped": "load"},
            "the controller had stopped by its own limit: load",
        ),
    ],
)
def test_what_stopped_it_before_is_told_and_stops_nothing(plan, says, told):
    ended = start(plan, **says)
    assert found(ended) == [told]
    assert ended.path[0] == ("idle", "start", "starting")
    assert ended.outcome == "operator"


def test_a_stop_of_before_that_is_still_told_stops_nothing_until_something_moves(plan):
    class Latched(Left):
        """A controller that tells its last stop until it moves again."""

        async def status(self):
            status = await self._actuator.status()
            return status if status.moving else replace(status, stopped_by="watchdog")

    night = Night(
        paced=True,
        bad={"actuator": Latched},
        script=((900, "stop"),),
    )
    ended = carry_out(plan, night)
    assert (ended.outcome, ended.stopped) == ("operator", 900)


def test_an_actuator_that_moves_is_not_taken_over(plan):
    ended = start(plan, moving=True, mode="load")
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "the actuator moves (in load control)" in ended.why
    assert ended.path[0] == ("idle", "fault", "stopping")
    assert [order for _, order in ended.orders][:2] == ["close_valve", "pressure off"]
    assert "write_limits" not in [order for _, order in ended.orders]


@pytest.mark.parametrize("level", ["low", "high"])
def test_pressure_that_was_left_on_is_taken_away_first_and_told(plan, level):
    # The guard may be open: somebody is about to start a test.
    ended = start(plan, InputChange(0, InputState(guard_open=True)), on=level, stop_at=900)
    orders = [order for _, order in ended.orders]
    assert orders[:2] == ["close_valve", "pressure off"]
    assert found(ended) == [f"{level} pressure was on: valve closed, switched off"]
    assert any(text.startswith("off, as") for _, kind, text in ended.events if kind == "pressure")


@pytest.mark.nights
def test_pressure_that_does_not_go_off_starts_no_test(plan):
    class Stuck(Left):
        """A controller whose pressure stays on."""

        async def status(self):
            return replace(await self._actuator.status(), pressure="high")

    ended = carry_out(plan, Night(paced=True, bad={"actuator": Stuck}))
    assert (ended.outcome, ended.code) == ("fault", 4)
    assert "does not go off" in ended.why
    assert ended.path[0] == ("idle", "fault", "stopping")
    assert any("NOT confirmed off" in text for _, kind, text in ended.events)
