"""Rehearsals to which something happens: their truth, repeatable, in one tick, after a cut."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.assembly import rehearse
from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import go_on_rehearsing
from rig.control.desk import Request
from rig.errors import InputError
from simulators.truth_file import TRUTH
from tests.assembly.disturbing import KINDS, column, planned, rows, scripted
from tests.truth import CAUSES, truth_of

AT = 38.0
"""When things begin [s]: at about the 100th cycle."""


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory):
    """Return the plan that all of these carry out."""
    return planned(tmp_path_factory.mktemp("plan"))


def test_the_truth_of_a_rehearsal_lies_beside_its_record(plan, tmp_path):
    result = rehearse(plan, tmp_path / "run", 1, events=scripted(plan, ("slow-end", AT)))
    truth = truth_of(tmp_path / "run")
    (event,) = truth.events
    assert (event.what, event.cause, event.channel) == ("slow-end", "specimen", None)
    assert (event.begin, dict(event.numbers)) == (AT, {"over": 150, "loss": 0.6})
    stiffness = np.array([s.stiffness for s in truth.states if s.cycling])
    assert len(stiffness) > 100
    assert np.all(np.abs(stiffness[1:] / stiffness[:-1] - 1) >= 1e-3)
    # Rows show the slope of load on net deflection over a cycle; its truth is told too.
    slope = np.array([s.slope for s in truth.states if s.cycling])
    shown = column(result, "stiffness")[-1] / np.median(column(result, "stiffness")[50:100])
    assert slope[-1] / slope[0] == pytest.approx(shown, rel=0.02)
    assert result.outcome == "failure"
    # The verdict came for what is true: 40 % lost, a few cycles before.
    crossed = truth.crossing(0.40, stiffness[0])
    assert crossed is not None
    assert 0 < result.test_s - crossed.time < 30


@pytest.mark.nights
def test_a_rehearsal_without_events_writes_no_truth_and_one_without_any_does(plan, tmp_path):
    bare = rehearse(plan, tmp_path / "bare", 1)
    empty = rehearse(plan, tmp_path / "empty", 1, events=scripted(plan))
    assert not (tmp_path / "bare" / TRUTH).exists()
    truth = truth_of(tmp_path / "empty")
    assert truth.events == ()
    assert len(truth.states) > 1
    for name in ("time", "load_max", "deflection_max", "deflection_min", "stiffness", "flags"):
        assert column(bare, name).tobytes() == column(empty, name).tobytes(), name


@pytest.mark.nights
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_rehearses_to_an_end_and_is_told(plan, tmp_path, kind):
    rehearse(plan, tmp_path / "run", 1, events=scripted(plan, (kind, AT)))
    (event,) = truth_of(tmp_path / "run").events
    assert event.what == kind
    assert event.cause in CAUSES
    assert event.begin == AT
    assert event.end > AT


@pytest.mark.nights
def test_what_brittle_ends_and_slow_ends_are_told_as_is_what_happened(plan, tmp_path):
    result = rehearse(plan, tmp_path / "run", 1, events=scripted(plan, ("brittle-end", AT)))
    broken = truth_of(tmp_path / "run").broken
    assert broken is not None
    assert 0 <= broken.time - AT <= 0.2
    assert result.outcome == "failure"
    assert 0 < result.test_s - broken.time < 15


SOME = ("creep", "noisy", "air-in-line", "slipping", "chill", "gaps")


@pytest.mark.nights
def test_the_same_seed_is_the_same_test_in_long_blocks_and_in_ticks(plan, tmp_path):
    events = scripted(plan, *((kind, 20.0 + 4 * n) for n, kind in enumerate(SOME)))
    long = rehearse(plan, tmp_path / "long", 2, events=events)
    ticks = rehearse(plan, tmp_path / "ticks", 2, events=events, one_tick=True)
    assert rows(long) == rows(ticks)
    told = [(tmp_path / name / TRUTH).read_text(encoding="utf-8") for name in ("long", "ticks")]
    assert told[0] == told[1]


@pytest.mark.endurance
@settings(max_examples=12)
@given(
    events=st.lists(st.tuples(st.sampled_from(sorted(KINDS)), st.integers(0, 60)), max_size=6),
    seed=st.integers(0, 1000),
)
def test_any_events_rehearse_to_an_end_and_twice_the_same(tmp_path_factory, plan, events, seed):
    found = scripted(plan, *((kind, float(at)) for kind, at in events))
    folder = tmp_path_factory.mktemp("any")
    one = rehearse(plan, folder / "one", seed, events=found)
    two = rehearse(plan, folder / "two", seed, events=found, one_tick=True)
    assert (one.outcome, one.why, one.cycles) == (two.outcome, two.why, two.cycles)
    assert rows(one) == rows(two)
    assert (folder / "one" / TRUTH).read_bytes() == (folder / "two" / TRUTH).read_bytes()


def test_a_rehearsal_that_was_stopped_goes_on_with_the_events_it_began_with(plan, tmp_path):
    events = scripted(plan, ("creep", 5.0), ("crack", 45.0), ("slipping", 20.0))
    out = tmp_path / "run"
    stopped = rehearse(
        plan, out, 1, events=events, script=((30.0, Request("stop", who="P. Tester")),)
    )
    assert stopped.outcome == "operator"
    # A torn last line, as a crash leaves it.
    with (out / TRUTH).open("a", encoding="utf-8") as file:
        file.write('{"what": "specimen", "fra')
    before = truth_of_whole_lines(out)
    ended = go_on_rehearsing(look_back(out), "stopped")
    assert ended.outcome == "run-out"
    lines = (out / TRUTH).read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["what"] for line in lines[:3]] == ["creep", "crack", "slipping"]
    told = truth_of(out)
    assert len(told.events) == 3
    frames = [s.frame for s in told.states]
    assert frames == sorted(set(frames))
    assert frames[: len(before)] == before
    # The crack that was to open after the stop has opened.
    assert any(s.time >= 45.0 for s in told.states)


def truth_of_whole_lines(folder: Path) -> list[int]:
    """Return the frames of states in lines that are whole."""
    lines = (folder / TRUTH).read_text(encoding="utf-8").splitlines()[:-1]
    found = [json.loads(line) for line in lines]
    return [line["frame"] for line in found if line["what"] == "specimen"]


@pytest.mark.nights
def test_events_do_not_happen_to_a_recorded_specimen(plan, tmp_path):
    from rig.assembly.stand_in import stand_in

    rehearse(plan, tmp_path / "run", 1)
    found = stand_in(tmp_path / "run")
    with pytest.raises(InputError, match="leave --events out"):
        rehearse(plan, tmp_path / "two", 1, specimen=found, events=scripted(plan))
    assert not (tmp_path / "two").exists()
