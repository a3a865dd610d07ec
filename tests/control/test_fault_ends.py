"""Sensor, line and device faults: each ends as the table in DEVELOPERS.md says, a test a row."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from rig.control.states import PEOPLE_NEAR
from rig.samples import Flag
from simulators.faults import Lost, Miscounted, Moved, Restarted, Stuck, Weak
from tests.control.fault_nights import Ended, Night, carry_out, plans
from tests.control.fault_scenarios import SCENARIOS, T

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
END = re.compile(
    r"(?P<how>goes on|pauses|stops|breaks off)( \((?P<cause>[a-z_ ]+)\))?"
    r"(: ((?P<outcome>[a-z-]+), )?(?P<code>\d))?"
    r"(; (?P<manner>valve first|normal stop))?(; not off: (?P<left>[a-z, ]+))?"
)
MOTIONS = ("move_", "cycle", "adjust", "end_cycling", "hold", "pressure high", "pressure low")


@dataclass(frozen=True)
class Row:
    """One row of the table."""

    fault: str
    does: str
    ends: str

    @property
    def told(self) -> set[str]:
        """Kinds of events, and flags, that the second column names."""
        return set(re.findall(r"`([^`]+)`", self.does))

    @property
    def end(self) -> dict[str, Any]:
        """The third column, taken apart."""
        found = END.fullmatch(self.ends)
        assert found, f"{self.fault}: {self.ends!r} says no end that is known here"
        return found.groupdict()


def table() -> list[Row]:
    """Return the rows of the table in DEVELOPERS.md."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    text = text.split("<!-- faults -->")[1].split("<!-- /faults -->")[0]
    cells = [[c.strip() for c in line.strip("| ").split(" | ")] for line in text.split("\n")]
    return [Row(*row) for row in cells[3:] if len(row) == 3]


ROWS = table()
FIRST = {row.ends: row for row in reversed(ROWS)}
"""The first row of each end; the others are walked among the nights."""


@pytest.fixture(scope="module")
def plan_named(tmp_path_factory):
    return plans(tmp_path_factory.mktemp("faults"))


def test_every_row_has_a_scenario_and_every_scenario_a_row():
    assert [row.fault for row in ROWS] == list(SCENARIOS)


@pytest.mark.parametrize(
    "row",
    [
        row if row is FIRST[row.ends] else pytest.param(row, marks=pytest.mark.nights)
        for row in ROWS
    ],
    ids=lambda row: row.fault.replace(" ", "_"),
)
def test_every_fault_ends_as_the_table_says(plan_named, row):
    scenario = SCENARIOS[row.fault]
    ended = carry_out(plan_named[scenario.plan], scenario.night)
    end = row.end
    assert scenario.says in ended.why or any(scenario.says in text for *_, text in ended.events)
    kinds = {kind for _, kind, _ in ended.events}
    flags = {flag.name.lower() for flag in Flag if flag & ended.flags}
    assert row.told <= kinds | flags
    assert ended.numbers == list(range(1, len(ended.numbers) + 1))
    assert ended.left == set((end["left"] or "").split(", ")) - {""}
    _HOW[end["how"]](ended, end)


def _goes_on(ended: Ended, _end: dict[str, Any]) -> None:
    assert (ended.outcome, ended.code) == ("run-out", 0)
    assert ended.path[-2] == ("cycling", "verdict", "stopping")
    assert not {"pausing", "locked"} & {to for *_, to in ended.path}
    _normal_stop(ended)


def _pauses(ended: Ended, end: dict[str, Any]) -> None:
    steps = [(cause, to) for _, cause, to in ended.path]
    stands = {"people": ("people", "locked")}.get(end["cause"], ("at rest", "paused"))
    begins = (end["cause"], "locked" if end["cause"] == "people" else "pausing")
    assert begins in steps
    assert stands in steps
    # It stands until somebody says stop: the power stays on, and nothing goes on by itself.
    assert ended.path[-2][:2] == (stands[1], "stop")
    assert stands[1] in PEOPLE_NEAR
    assert not any(order == "pressure off" for frame, order in ended.orders if frame < ended.asked)
    assert (ended.outcome, ended.code) == ("operator", 5)


def _stops(ended: Ended, end: dict[str, Any]) -> None:
    assert ended.path[-2][1:] == (end["cause"], "stopping")
    assert ended.path[-1] == ("stopping", "stopped", "stopped")
    assert (ended.outcome, ended.code) == (end["outcome"], int(end["code"]))
    if end["manner"] == "normal stop":
        _normal_stop(ended)
    else:
        _valve_first(ended)


def _breaks_off(ended: Ended, end: dict[str, Any]) -> None:
    assert (ended.outcome, ended.code) == ("", int(end["code"]))
    _valve_first(ended)


_HOW = {"goes on": _goes_on, "pauses": _pauses, "stops": _stops, "breaks off": _breaks_off}


def _valve_first(ended: Ended) -> None:
    """Valve and pressure first, and no motion by command any more."""
    orders = [order for _, order in ended.orders]
    at = orders.index("close_valve")
    assert orders[at : at + 2] == ["close_valve", "pressure off"]
    assert not [o for o in orders[at:] if o.startswith(MOTIONS)]
    if ended.stopped is not None:
        assert ended.orders[at][0] == ended.stopped


def _normal_stop(ended: Ended) -> None:
    """Amplitude to zero, unloaded, retracted, valve closed, pressure off: in this order."""
    after = [order for frame, order in ended.orders if frame >= ended.stopped]
    cycled = any(order == "cycle" for _, order in ended.orders)
    wanted = ["move_stroke", "close_valve", "pressure off"]
    wanted = ["end_cycling", "move_load", *wanted] if cycled else wanted
    assert [order for order in after if order in wanted] == wanted


def test_an_undisturbed_night_ends_by_its_run_out(plan_named):
    # The faults' nights differ from this one by their fault alone.
    ended = carry_out(plan_named["plain"], Night())
    assert (ended.outcome, ended.left) == ("run-out", set())
    kinds = {kind for _, kind, _ in ended.events}
    assert kinds == {"state", "baseline", "verdict", "pressure"}
    assert not ended.flags & (Flag.SPIKE | Flag.GAP | Flag.LONG_GAP)


@pytest.mark.nights
@pytest.mark.parametrize(
    "faults",
    [
        (Weak(T - 1_003, T, 0.97), Miscounted(T - 501, -3), Lost("inputs", T + 7, T + 39)),
        (Stuck("motion", T - 1_003, T - 2), Moved("midspan", T - 33, 1e-4), Restarted(T + 7)),
    ],
    ids=["weak, miscounted, lost", "stuck, moved, restarted"],
)
def test_faults_do_not_depend_on_how_the_samples_are_read(plan_named, faults):
    ways = [Night(faults=faults, ticks=ticks) for ticks in (False, True)]
    long, short = (carry_out(plan_named["plain"], night) for night in ways)
    assert long == short
    assert long.outcome in ("fault", "limit")


def test_a_valve_that_did_not_close_is_tried_again_every_second(plan_named):
    plan = plan_named["plain"]
    plan = replace(plan, full_rate=replace(plan.full_rate, after_stop=5.0))
    ended = carry_out(plan, Night(faults=(Lost("actuator", T, T + 1_300),)))
    closed = [frame for frame, order in ended.orders if order == "close_valve"]
    assert closed == [T, T + 1_000, T + 2_000]
    assert ended.left == set()


@pytest.mark.parametrize("after", [1.0, 5.0])
def test_a_controller_that_comes_back_in_half_a_minute_has_its_pressure_taken(plan_named, after):
    plan = plan_named["plain"]
    plan = replace(plan, full_rate=replace(plan.full_rate, after_stop=after))
    ended = carry_out(plan, Night(faults=(Lost("actuator", T, T + 20_300),)))
    assert ended.left == set()
    told = [text for _, kind, text in ended.events if kind in ("stop", "pressure")]
    # Each of the two is told once, however often it is tried.
    assert len(told) == len(set(told)) == 3
    assert told[-1].startswith("off, as the controller says")


def test_a_controller_that_stays_away_leaves_the_word_that_the_pressure_may_be_on(plan_named):
    ended = carry_out(plan_named["plain"], Night(faults=(Lost("actuator", T, 10**9),)))
    told = [text for _, kind, text in ended.events if kind in ("stop", "pressure")]
    assert told[-1].startswith("NOT confirmed off: do not go near; isolate by hand (")
    assert not [text for text in told if "no samples" in text]
