"""Channels against each other: a specimen that softens, and channels that only say so.

The rows are made by hand with a truth known beforehand. That a frame's part of the stroke does not
change as a specimen softens, and that rigid halves about a hinge at mid-span move the thirds of
the span two thirds as far, is statics.
"""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.criteria.findings import CriteriaState
from rig.samples import Flag
from tests.criteria.beam import CHANNELS, LAST, LOWER, NET, UPPER, Beam, armed
from tests.criteria.table import judge_all

BAD = 600
"""Cycle from which something is wrong."""
IN_DOUBT = {"sensor", "conflict", "load-doubt", "support", "uneven-load", "guide"}


def found(beam, channels=CHANNELS, cuts=(), **changes):
    return judge_all(armed(channels, **changes), beam.rows(channels), cuts)[0]


def of(findings, kind):
    return [f for f in findings if f.kind == kind]


def doubts(findings):
    return [f for f in findings if f.kind in IN_DOUBT]


def softening(n, to=2.0, begin=LAST):
    """Return how much further it bends: nothing up to a cycle, then evenly more."""
    return np.interp(np.arange(n), [begin, n], [1.0, to])


@given(
    steps=st.lists(st.floats(0, 1), min_size=2, max_size=12).filter(lambda s: sum(s) > 0.1),
    follows=st.floats(2 / 3, 1.05),
    frame=st.floats(0.1, 10),
    seed=st.integers(0, 1000),
)
def test_a_specimen_that_softens_by_any_law_is_confirmed_and_never_in_conflict(
    steps, follows, frame, seed
):
    n = 1500
    law = np.interp(
        np.arange(n),
        np.linspace(LAST, n - 100, len(steps) + 1),
        1 + np.concatenate(([0.0], np.cumsum(steps))) / sum(steps),
    )
    findings = found(Beam(n, soft=law, follows=follows, frame=frame, seed=seed))
    assert doubts(findings) == []
    failure = next(f for f in findings if f.action == "failure")
    assert "confirmed by the stroke" in failure.text
    assert failure.evidence["stroke_change"] == pytest.approx(
        follows * failure.evidence["deflection_change"], rel=0.05
    )


def test_without_a_stroke_a_crack_confirms_and_nothing_contradicts():
    beam = Beam(1200, soft=softening(1200))
    channels = tuple(c for c in CHANNELS if c != "stroke")
    assert "confirmed by the crack" in of(found(beam, channels), "stiffness-loss")[-1].text
    alone = of(found(beam, ("midspan",)), "stiffness-loss")[-1]
    assert alone.action == "failure"
    assert alone.text.endswith("unconfirmed: no stroke channel")


def test_a_sound_specimen_that_creeps_is_not_in_doubt():
    creep = 60e-6 * np.log10(1 + np.arange(4000) / 100)
    assert doubts(found(Beam(4000, creep=creep))) == []


@pytest.mark.parametrize("factor", [0.5, 1.8, 3.0, -2.0])
def test_a_midspan_of_another_gain_is_in_doubt_and_no_failure(factor):
    findings = found(Beam(1500).show("midspan", BAD, factor=factor))
    assert [f for f in findings if f.action in ("failure", "fault")] == []
    told = doubts(findings)
    assert all(f.action in ("pause", "warn") for f in told)
    assert any("midspan is in doubt" in f.text for f in told)
    conflicts = of(findings, "conflict")
    assert len(conflicts) == (abs(factor) > 1)
    if conflicts:
        assert conflicts[0].cycle <= BAD + 60
        assert "stroke by" in conflicts[0].text


@pytest.mark.parametrize("name", ["support_left", "support_right"])
def test_a_support_of_another_gain_is_named(name):
    findings = found(Beam(1500).show(name, BAD, factor=-20.0))
    assert [f for f in findings if f.action in ("failure", "fault")] == []
    assert any(f"{name} is in doubt" in f.text for f in of(findings, "sensor"))


def test_a_load_cell_of_another_gain_is_a_load_in_doubt_and_no_failure():
    gain = np.where(np.arange(1500) < BAD, 1.0, 1.25)
    channels = tuple(c for c in CHANNELS if c != "load_2")
    findings = found(Beam(1500, gain=gain), channels)
    ends = [f for f in findings if f.action in ("failure", "fault")]
    assert {(f.kind, f.action) for f in ends} == {("load-doubt", "fault")}
    assert "the load cell is in doubt" in ends[0].text
    assert "stroke +25%" in ends[0].text


def test_a_second_measure_of_load_clears_the_first():
    # All that follows the load alone moves further, and a second cell shows the same load.
    gain = np.where(np.arange(1500) < BAD, 1.0, 1.25)
    beam = Beam(1500, gain=gain)
    beam.high["load_2"], beam.low["load_2"] = beam.high["load"], beam.low["load"]
    assert of(found(beam), "load-doubt") == []


def test_a_disputed_failure_is_told_once_and_ends_the_test_once_others_agree():
    # Mid-span shows twice as much; from cycle 900 on the specimen really softens.
    n = 3000
    soft = np.interp(np.arange(n), [900, n], [1.0, 3.0])
    findings = found(Beam(n, soft=soft).show("midspan", BAD, factor=2.0))
    assert len(of(findings, "conflict")) == 1
    failure = next(f for f in findings if f.action == "failure")
    # Half of a share of a third: x/(1 + 2x) of the growth at the rod is a third at x = 1.
    assert soft[failure.cycle] == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("factor", [0.0, 0.02])
def test_a_stroke_that_is_dead_contradicts_no_failure(factor):
    n = 2500
    beam = Beam(n, soft=softening(n, 2.5, begin=1000)).show("stroke", BAD, factor=factor)
    findings = found(beam)
    assert any("stroke does not follow the load" in f.text for f in of(findings, "sensor"))
    assert not any("midspan is in doubt" in f.text for f in findings)
    failure = next(f for f in findings if f.action == "failure")
    assert "confirmed by the crack" in failure.text
    # Neither does it confirm one where nobody else is there.
    alone = found(beam, ("midspan", "stroke"))
    assert "unconfirmed" in next(f for f in alone if f.action == "failure").text


def test_a_stroke_that_is_dead_says_nothing_of_a_step():
    soft = np.where(np.arange(1500) < 1000, 1.0, 1.1)
    findings = found(Beam(1500, soft=soft).show("stroke", BAD, factor=0.0))
    assert [f.cycle for f in of(findings, "stiffness-step")] == [1003]
    assert not any("midspan is in doubt" in f.text for f in findings)


def test_a_conflict_that_is_mended_may_come_again():
    beam = Beam(2600).show("midspan", BAD, factor=2.0, end=1200)
    findings = found(beam.show("midspan", 1800, factor=2.0))
    assert len(of(findings, "conflict")) == 2


def test_a_load_that_falls_short_at_the_cell_alone_is_no_failure():
    beam = Beam(900)
    short = 0.9
    for column in (beam.low, beam.high):
        column["load"][BAD:] *= short
    beam.flags[BAD:] |= np.uint16(Flag.SHORT)
    channels = tuple(c for c in CHANNELS if c != "load_2")
    findings = found(beam, channels, loss_warn=0.05)
    assert [f for f in findings if f.action == "failure"] == []
    told = [f for f in of(findings, "load-doubt") if "upper load short" in f.text]
    assert len(told) == 1
    assert told[0].action == "fault"
    assert "the load cell is in doubt" in told[0].text


def test_a_specimen_that_gives_way_under_a_short_load_is_a_failure():
    # The rod goes no further: all that follows the load alone falls with it.
    n = 900
    gain = np.where(np.arange(n) < BAD, 1.0, 0.9)
    beam = Beam(n, soft=1 / gain, gain=gain)
    for column, level in ((beam.high, UPPER), (beam.low, LOWER)):
        column["load"][BAD:] = 0.9 * level
    beam.flags[BAD:] |= np.uint16(Flag.SHORT)
    findings = found(beam, loss_warn=0.05)
    assert [f.kind for f in findings if f.action == "failure"] == ["load-short"]


def test_rows_with_gaps_and_spikes_say_nothing_of_other_channels():
    beam = Beam(1500).show("stroke", BAD, factor=3.0)
    beam.flags[BAD:] = np.where(np.arange(900) % 2, np.uint16(Flag.GAP), np.uint16(Flag.SPIKE))
    assert doubts(found(beam)) == []


def test_restart_points_of_an_earlier_version_are_read():
    rows = Beam(1500, soft=softening(1500)).rows()
    old = CriteriaState().to_plain()
    del old["agreement"], old["warmth"]
    assert CriteriaState.from_plain(old).to_plain() == CriteriaState().to_plain()
    _, state = judge_all(armed(), rows)
    # NaN is not equal to itself; as text it is.
    text = json.dumps(state.to_plain())
    assert json.dumps(CriteriaState.from_plain(json.loads(text)).to_plain()) == text


@pytest.mark.parametrize("within", [10, 27, 28, 60, 1000])
def test_a_fall_of_stiffness_is_asked_about_alike_however_rows_are_cut(within):
    rows = Beam(900).show("midspan", BAD, factor=1.3).rows()
    setup = armed(step_within=within)
    found, _ = judge_all(setup, rows, range(BAD - 10, BAD + 10))
    assert found == judge_all(setup, rows)[0]
    assert any("fell" in f.text and "midspan is in doubt" in f.text for f in found)


FAULTS = (
    ("midspan", {"factor": 2.0}),
    ("midspan", {"by": 0.1 * NET}),
    ("support_left", {"by": 0.15 * NET}),
    ("stroke", {"factor": 1.2}),
    ("crack_opening", {"by": 40e-6}),
)


@given(
    faults=st.lists(st.tuples(st.sampled_from(FAULTS), st.integers(400, 1000)), max_size=2),
    to=st.floats(1.0, 2.2),
    gaps=st.lists(st.integers(0, 1399), max_size=30),
    cuts=st.lists(st.integers(0, 1400), max_size=5),
    warm=st.booleans(),
    within=st.integers(1, 90),
)
def test_what_is_found_does_not_depend_on_how_rows_are_cut(faults, to, gaps, cuts, warm, within):
    beam = Beam(1400, soft=softening(1400, to))
    for (name, change), begin in faults:
        beam.show(name, begin, **change)
    beam.flags[gaps] = Flag.GAP
    if warm:
        beam.air = 290 + 4 * np.sin(np.arange(1400) / 300)
    rows = beam.rows()
    setup = armed(step_within=within)
    whole, state = judge_all(setup, rows)
    cut, again = judge_all(setup, rows, cuts)
    assert cut == whole
    assert json.dumps(again.to_plain()) == json.dumps(state.to_plain())
