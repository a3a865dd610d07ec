"""Zeros: read once the rod is free, held against what was read before, told and never used."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.assembly import rehearse
from rig.control import zeros
from rig.ports import InputState
from rig.protocol.dead_load import dead_load_words
from rig.protocol.trust import Frame, Trust
from simulators.faults import InputChange, Moved
from tests.control.asking import QUICK, nights, said, states, table

TWICE = {r'^at = \["100 cycles"\]$': 'at = ["60 cycles", "120 cycles"]'}
"""Two inspections in the quick night: at about 77 s and at 145 s, zeros at the end of each."""
FIRST_ZEROS, SECOND_ZEROS = 80_000, 135_000
"""Frames before each of them and after what came before."""


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


def told(result) -> list[str]:
    return [text for _, _, kind, text in table(result.run, "events") if kind == "zero"]


def labels(result) -> list[str]:
    rows = table(result.run, "zeros")
    return [text.split(":")[0] for _, channel, _, text in rows if channel == "load"]


def waits(result) -> list[str]:
    return [text for text in states(result.run) if text.startswith("waiting")]


@pytest.mark.nights
@pytest.mark.parametrize(
    ("share", "warns", "holds"),
    [
        pytest.param(0.002, False, False, marks=pytest.mark.nights),
        pytest.param(0.005, True, False, marks=pytest.mark.nights),
        (0.02, True, True),
    ],
)
def test_a_load_cell_whose_zero_moves_warns_and_then_calls_for_somebody(night, share, warns, holds):
    result = night((400.0, said("stop")), faults=(Moved("load", 80_000, share * 79.2e3),))
    texts = [text for text in told(result) if "the load cell's zero has moved by" in text]
    assert bool(texts) is warns
    assert ("goes on only when asked" in waits(result)[0]) is holds
    assert (result.outcome == "operator") is holds


@pytest.mark.nights
def test_a_transducer_that_slips_between_two_inspections_calls_for_somebody(night):
    result = night(
        (400.0, said("stop")), changes=TWICE, faults=(Moved("support_left", SECOND_ZEROS, -5e-4),)
    )
    first, second = waits(result)
    assert "has moved" not in first
    assert "goes on by itself" in first
    assert "support_left without load has moved by" in second
    assert "goes on only when asked" in second


@pytest.mark.nights
def test_what_cracks_and_bedding_leave_before_the_first_cycles_calls_for_nobody(night):
    result = night((400.0, said("stop")), faults=(Moved("support_left", 30_000, -5e-4),))
    assert result.outcome == "run-out"
    assert not [text for text in told(result) if text.startswith("inspection")]


@pytest.mark.nights
def test_a_test_that_is_stopped_after_it_was_unloaded_has_its_zeros_too(night):
    result = night((65.0, said("unload")), (120.0, said("stop")))
    assert labels(result) == ["start", "end"]


@pytest.mark.nights
def test_a_stop_after_which_nothing_is_retracted_reads_no_zeros(night):
    pressed = InputChange(70_000, InputState(emergency_stop=True))
    assert labels(night(faults=(pressed,))) == ["start"]


@pytest.mark.nights
def test_a_rod_that_does_not_come_free_is_told_and_no_zeros_are_read(night, monkeypatch):
    # A spreader that hangs on the specimen: the load changes however far the rod goes back.
    monkeypatch.setattr(zeros, "lets_go", lambda *_: False)
    result = night((400.0, said("stop")))
    assert labels(result) == ["start"]
    texts = told(result)
    assert any("the load still changes after 5 mm: not free, no zeros read" in t for t in texts)
    assert any(t.startswith("end: the load still changed as the rod went back") for t in texts)
    assert "goes on only when asked" in waits(result)[0]


def test_dead_load_is_told_at_the_start(plan_of, tmp_path):
    plan = plan_of("first-night", QUICK)
    frame = Frame(dead_load=1.2e3, zeroed="resting")
    plan = replace(plan, rig=replace(plan.rig, trust=Trust(frame=frame)))
    result = rehearse(plan, tmp_path / "run", 1, script=((20.0, said("stop")),))
    told = [text for _, _, kind, text in table(result.run, "events") if kind == "dead load"]
    assert told == [dead_load_words(frame)]


def test_dead_load_is_said_to_be_in_the_load_that_is_shown_or_not():
    resting, hanging = (Frame(dead_load=1.2e3, zeroed=zeroed) for zeroed in ("resting", "hanging"))
    assert "carries 1.2 kN more than the load that is shown" in dead_load_words(resting)
    assert "is all that rests on the specimen" in dead_load_words(hanging)
    assert dead_load_words(Frame()) == ""
