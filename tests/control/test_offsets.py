"""Sensors that are moved or exchanged while the rig stands: the curve goes on, by name."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest

from rig.acquire.deflection import net_of
from rig.clock import VirtualClock
from rig.control.desk import Request
from rig.ports import InputState
from rig.record import read_journal
from simulators.faults import InputChange, Missing, Moved
from tests.control.asking import BY, nights, said, table
from tests.control.conftest import COMMITS
from tests.control.night import Accidents, Again, walk
from tests.control.taken import point_of

THERE, AWAY = InputState(guard_open=True), InputState()
BY_MM = 0.4e-3
VISIT = (InputChange(110_000, THERE), InputChange(140_000, AWAY))
"""Somebody opens the guard while the inspection of the quick night waits, and closes it."""


def moved(text: str = "new magnet foot", channel: str = "midspan") -> Request:
    return said("note", text, moved=channel)


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


def peaks(result) -> tuple[float, float]:
    """Return the mean net deflection [m] of the tops of 20 cycles before and after the visit."""
    with h5py.File(result.run) as file:
        tops, number = file["cycles/deflection_max"][:], file["cycles/number"][:]
    at = int(np.searchsorted(number, 100))
    return float(tops[at - 20 : at].mean()), float(tops[at + 5 : at + 25].mean())


def offsets(result) -> list[str]:
    return [text for _, _, kind, text in table(result.run, "events") if kind == "offset"]


def refusals(result) -> list[str]:
    return [text for _, _, kind, text in table(result.run, "events") if kind == "request"]


@pytest.mark.nights
def test_a_sensor_moved_at_an_inspection_goes_on_as_it_was(night):
    result = night(
        (120.0, moved()),
        (150.0, said("continue")),
        faults=(*VISIT, Moved("midspan", 115_000, BY_MM)),
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)
    (text,) = offsets(result)
    assert text.startswith(f"{BY}: midspan read ")
    assert text.endswith("(new magnet foot)")
    before, after = peaks(result)
    # The specimen softens a little meanwhile; the sensor moved by 0.4 mm.
    assert after == pytest.approx(before, abs=0.03e-3)
    rows = [row for row in table(result.run, "zeros") if row[3].startswith("moved: ")]
    assert [row[1] for row in rows] == ["midspan"]


@pytest.mark.nights
def test_without_the_record_the_curve_of_a_moved_sensor_has_a_step(night):
    result = night((150.0, said("continue")), faults=(*VISIT, Moved("midspan", 115_000, BY_MM)))
    before, after = peaks(result)
    assert after - before == pytest.approx(BY_MM, rel=0.05)


@pytest.mark.nights
def test_what_is_added_is_what_the_sensor_was_moved_by(night):
    result = night(
        (120.0, moved()),
        (126.0, said("stop")),
        faults=(*VISIT, Moved("midspan", 115_000, BY_MM)),
    )
    row = next(r for r in table(result.run, "zeros") if r[3].startswith("moved: "))
    before = float(row[3].split("midspan read ")[1].split(" mm")[0]) * 1e-3
    assert row[2] - before == pytest.approx(BY_MM, abs=2e-6)


@pytest.mark.nights
def test_nobody_has_to_open_a_guard_for_a_step_to_be_found(night):
    result = night(
        (70.0, said("pause")),
        (90.0, moved()),
        (100.0, said("continue")),
        (112.0, said("stop")),
        faults=(Moved("midspan", 80_000, BY_MM),),
    )
    (text,) = offsets(result)
    assert ": -0.39" in text or ": -0.40" in text
    assert "are added from here on" in text


@pytest.mark.nights
@pytest.mark.parametrize(
    "by", [BY_MM, pytest.param(0.0, marks=pytest.mark.nights)], ids=["moved", "not moved"]
)
def test_a_moved_sensor_at_an_inspection_that_waits_holds_it_for_people(night, by):
    result = night(
        (112.0, moved()),
        (400.0, said("continue")),
        faults=(Moved("midspan", 108_000, by),),
    )
    assert len(offsets(result)) == bool(by)
    states = [text for _, _, kind, text in table(result.run, "events") if kind == "state"]
    assert any(text.startswith(f"locked, people: note by {BY}") for text in states)
    (row,) = table(result.run, "inspections")
    assert row[2] > 280.0


@pytest.mark.nights
def test_an_exchanged_sensor_may_be_unplugged_while_people_are_there(night):
    result = night(
        (135.0, moved("exchanged")),
        (150.0, said("continue")),
        faults=(*VISIT, Missing("midspan", 113_000, 125_000), Moved("midspan", 125_000, BY_MM)),
    )
    assert (result.outcome, result.cycles) == ("run-out", 200)
    before, after = peaks(result)
    assert after == pytest.approx(before, abs=0.03e-3)


@pytest.mark.nights
def test_nothing_goes_on_while_a_sensor_with_a_limit_is_unplugged(night):
    result = night(
        (145.0, said("continue")),
        (160.0, said("stop")),
        faults=(*VISIT, Missing("midspan", 113_000, 10**9)),
    )
    assert result.outcome == "operator"
    assert any("midspan: no value; plug it in first" in text for text in refusals(result))


@pytest.mark.nights
def test_what_cannot_be_recorded_is_refused_and_changes_nothing(night):
    asked = {66.0: "midspan", 120.0: "load", 121.0: "strain_1", 122.0: "support_left"}
    script = [(at, moved(channel=channel)) for at, channel in asked.items()]
    result = night(*script, (135.0, said("stop")), faults=VISIT)
    assert not offsets(result)
    for phrase in (
        "not while cycling: a sensor is moved while the rig stands",
        "load is what the controller goes by",
        "'strain_1' is not sampled; the rig file has midspan",
        "as before: nothing is added",
    ):
        assert any(phrase in text for text in refusals(result)), phrase


@pytest.mark.nights
def test_a_sensor_that_is_still_being_moved_is_refused(night):
    moving = tuple(Moved("midspan", 119_000 + 500 * k, 1e-4) for k in range(60))
    result = night((120.0, moved()), (139.0, said("stop")), faults=(*VISIT, *moving))
    assert not offsets(result)
    assert any("no steady value yet" in text for text in refusals(result))


@pytest.mark.nights
def test_an_offset_survives_a_cut_off_test_and_is_added_once(short_night, tmp_path):
    accidents = Accidents(faults=(Moved("midspan", 68_000, BY_MM),), cut=96_000)
    script = ((58_000, said("pause")), (74_000, moved()), (82_000, said("continue")))
    night = walk(short_night, tmp_path / "cut", script=script, accidents=accidents, commits=COMMITS)
    assert night.conductor.book.state == "cycling"
    added = point_of(night)["shifts"]
    assert added == {"midspan": pytest.approx(-BY_MM, abs=2e-6)}
    goes_on = walk(
        short_night,
        tmp_path / "on",
        again=Again(night),
        commits=COMMITS,
        accidents=replace(accidents, cut=None),
    )
    assert goes_on.verdict.outcome == "run-out"
    assert goes_on.conductor._station.shifts == added
    with read_journal(goes_on.folder) as journal:
        tops = journal.columns("cycles")["deflection_max"]
    assert float(np.ptp(tops[:160])) < BY_MM / 10  # those behind the run-out fall


@pytest.mark.nights
def test_a_rig_in_real_time_keeps_the_curve_too(short_night, tmp_path):
    script = ((58_000, said("pause")), (74_000, moved()), (80_000, said("stop")))
    accidents = Accidents(faults=(Moved("midspan", 68_000, BY_MM),))
    night = walk(
        short_night, tmp_path / "w", script=script, accidents=accidents, clock=VirtualClock()
    )
    (text,) = night.events("offset")
    assert "midspan read" in text
    assert night.conductor._rig.shift is not None
    assert abs(night.conductor.book.latest_deflection) < BY_MM / 2


@pytest.mark.parametrize(
    ("values", "channels", "net"),
    [
        ({"midspan": 1e-3}, ("load", "midspan"), 1e-3),
        ({"support_left": 1e-3}, ("midspan", "support_left", "support_right"), -0.5e-3),
        ({"support_left": 1e-3}, ("midspan", "support_left"), -1e-3),
        ({"support_left": 1e-3}, ("midspan",), 0.0),
        ({}, ("midspan", "support_left"), 0.0),
    ],
)
def test_a_number_that_is_added_counts_in_net_deflection_as_its_channel_does(values, channels, net):
    assert net_of(values, channels) == pytest.approx(net)
